"""Events: recorded, listed, struck and never erased; impossible ones refused with the reason."""

import json
import shutil
import sqlite3
import threading

import pytest

from logger.errors import StoreError, UsageError
from logger.store.events import add_event, list_events, strike_event
from logger.store.files import prepare
from logger.store.reader import Reader

NOW = 1_750_000_000.0
DAY = 86400.0


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    path = tmp_path_factory.mktemp("store") / "log.db"
    prepare(path)
    return path


@pytest.fixture
def store(prepared, tmp_path):
    return shutil.copy(prepared, tmp_path / "log.db")


def fuel(store, days_ago, litres=10.0, **more):
    return add_event(
        store,
        "fuel",
        time_s=NOW - days_ago * DAY,
        now_s=NOW,
        amount=litres,
        container_l=10.0,
        **more,
    )


def test_recorded_events_come_back_in_order_of_time(store):
    add_event(store, "note", time_s=NOW, now_s=NOW, text="hose renewed")
    first = fuel(store, 20)
    second = fuel(store, 3, 5.0)
    events = list_events(store)
    assert [e.id for e in events] == [first.id, second.id, 1]
    assert [(e.kind, e.amount) for e in events] == [("fuel", 10.0), ("fuel", 5.0), ("note", None)]
    assert events[0].time_s == NOW - 20 * DAY
    with Reader(store) as reader:
        assert tuple(reader.events()) == events


def test_a_struck_event_no_longer_counts_but_stays_in_the_store(store):
    wrong = fuel(store, 2, 20.0)
    right = fuel(store, 1)
    strike_event(store, wrong.id, now_s=NOW)
    assert [e.id for e in list_events(store)] == [right.id]
    kept = list_events(store, struck=True)
    assert [(e.id, e.struck) for e in kept] == [(wrong.id, True), (right.id, False)]
    with pytest.raises(UsageError, match="struck already"):
        strike_event(store, wrong.id, now_s=NOW)
    with pytest.raises(UsageError, match="no event 99"):
        strike_event(store, 99, now_s=NOW)


@pytest.mark.parametrize(
    ("litres", "reason"),
    [
        (None, "needs --litres"),
        (0.0, "no possible container"),
        (-5.0, "no possible container"),
        (float("nan"), "no possible container"),
        (5000.0, "no possible container"),
        (100.0, "far from the usual container of 10 L"),
        (0.2, "far from the usual container of 10 L"),
    ],
)
def test_an_impossible_size_is_refused(store, litres, reason):
    with pytest.raises(UsageError, match=reason):
        fuel(store, 1, litres)
    assert list_events(store) == ()


def test_the_future_and_the_distant_past_are_refused(store):
    with pytest.raises(
        UsageError, match="lies in the future: this machine's clock says 2025-06-15"
    ):
        fuel(store, -0.01)
    with pytest.raises(UsageError, match="after the year 2000 began"):
        add_event(store, "service", time_s=1000.0, now_s=NOW)
    assert list_events(store) == ()


@pytest.mark.parametrize("kind", ["service", "renewal", "replacement", "fuel", "check"])
def test_nothing_happened_to_a_charger_before_it_was_fitted(store, kind):
    told = {"amount": 10.0 if kind == "fuel" else None, "text": "fuse, ticked by A. Fitter"}
    with pytest.raises(UsageError, match=rf"accepted for a {kind}: 2025-06-01 to 2025-06-15T15"):
        add_event(store, kind, time_s=NOW - 16 * DAY, now_s=NOW, fitted="2025-06-01", **told)
    assert list_events(store) == ()
    # The day of fitting is that of any time zone.
    add_event(store, kind, time_s=NOW - 14.9 * DAY, now_s=NOW, fitted="2025-06-01", **told)
    add_event(store, "note", time_s=NOW - 90 * DAY, now_s=NOW, fitted="2025-06-01", text="bought")
    assert [e.kind for e in list_events(store)] == ["note", kind]


@pytest.mark.parametrize("kind", ["service", "renewal", "replacement", "note", "fuel", "check"])
@pytest.mark.parametrize("ahead_s", [61.0, 1e12, float("inf"), float("nan")])
def test_no_kind_of_event_is_accepted_from_the_future(store, kind, ahead_s):
    amount = 10.0 if kind == "fuel" else None
    with pytest.raises(UsageError, match=r"in the future|after the year 2000"):
        add_event(store, kind, time_s=NOW + ahead_s, now_s=NOW, amount=amount, text="read")
    assert list_events(store) == ()


@pytest.mark.parametrize("kind", ["service", "renewal", "replacement", "note", "check"])
def test_no_other_kind_takes_a_size(store, kind):
    with pytest.raises(UsageError, match=f"only a fuel change takes litres, not {kind}"):
        add_event(store, kind, time_s=NOW, now_s=NOW, amount=10.0, text="read")


@pytest.mark.parametrize("kind", ["service", "renewal", "replacement"])
def test_the_same_work_is_not_recorded_twice(store, kind):
    add_event(store, kind, time_s=NOW - DAY, now_s=NOW)
    with pytest.raises(UsageError, match=f"event 1 already records this {kind}"):
        add_event(store, kind, time_s=NOW - DAY + 30.0, now_s=NOW)


def test_a_change_out_of_order_is_refused_unless_it_is_meant(store):
    later = fuel(store, 2)
    with pytest.raises(UsageError, match=rf"out of order.*event {later.id}"):
        fuel(store, 5)
    fuel(store, 5, insert=True)
    assert [e.time_s for e in list_events(store)] == [NOW - 5 * DAY, NOW - 2 * DAY]


def test_the_same_change_is_not_counted_twice(store):
    fuel(store, 2)
    with pytest.raises(UsageError, match="already records this fuel"):
        fuel(store, 2)
    assert len(list_events(store)) == 1


def test_only_fuel_takes_litres_and_a_note_needs_words(store):
    with pytest.raises(UsageError, match="only a fuel change takes litres"):
        add_event(store, "service", time_s=NOW, now_s=NOW, amount=3.0)
    with pytest.raises(UsageError, match="needs a text"):
        add_event(store, "note", time_s=NOW, now_s=NOW, text=" \n\t ")
    accepted = "accepted: fuel, service, renewal, replacement, reading, note"
    with pytest.raises(UsageError, match=accepted):
        add_event(store, "gap", time_s=NOW, now_s=NOW)


def test_text_is_kept_on_one_line_without_control_characters(store):
    hostile = "pump\x1b[2J\nrenewed\x00 " + "x" * 1000
    event = add_event(store, "note", time_s=NOW, now_s=NOW, text=hostile)
    assert event.text.startswith("pump [2J renewed xxx")
    assert len(event.text) == 500
    assert list_events(store)[0].text == event.text


def test_what_the_logger_recorded_cannot_be_struck(store):
    with sqlite3.connect(store) as db:
        db.execute("INSERT INTO events (at_ms, kind, amount) VALUES (1000, 'power_cut', 60.0)")
    db.close()
    with pytest.raises(UsageError, match="recorded by the logger itself"):
        strike_event(store, 1, now_s=NOW)


def test_times_follow_a_later_correction_of_the_session_clock(store):
    with sqlite3.connect(store) as db:
        db.execute("INSERT INTO sessions (id, offset_ms) VALUES (1, 5000)")
        db.execute("INSERT INTO events (session, at_ms, kind) VALUES (1, 1000, 'gap')")
    db.close()
    assert list_events(store)[0].time_s == 6.0


def test_an_event_waits_for_the_daemon_to_finish_its_commit(store):
    daemon = sqlite3.connect(store, isolation_level=None, check_same_thread=False)
    daemon.execute("BEGIN IMMEDIATE")
    release = threading.Timer(0.5, lambda: daemon.execute("COMMIT"))
    release.start()
    try:
        fuel(store, 1)
    finally:
        release.join()
        daemon.close()
    assert len(list_events(store)) == 1


def test_no_database_is_made_by_recording_an_event(tmp_path):
    missing = tmp_path / "none.db"
    with pytest.raises(StoreError, match="no such database yet"):
        add_event(missing, "service", time_s=NOW, now_s=NOW)
    assert not missing.exists()


def test_a_foreign_file_is_left_alone(tmp_path):
    path = tmp_path / "letter.txt"
    path.write_text("Dear reader, this is no database at all. " * 40)
    with pytest.raises(StoreError, match="not an Ebbwatt database"):
        add_event(path, "service", time_s=NOW, now_s=NOW)
    assert path.read_text().startswith("Dear reader")


@pytest.fixture
def boat_dir(store):
    (store.parent / "ebbwatt.toml").write_text(
        "[charger]\nrated_w = 110\n[fuel]\ncontainer_l = 10\n[store]\npath = 'log.db'\n"
    )
    return store.parent


def test_the_command_records_lists_and_strikes(ebbwatt, boat_dir):
    done = ebbwatt(
        "event", "add", "fuel", "--litres", "10", "--at", "2024-06-02T10:30+02:00", cwd=boat_dir
    )
    assert "recorded as event 1: 2024-06-02T08:30:00Z  fuel  10 L" in done.stdout
    ebbwatt("event", "add", "note", "--text", "hose renewed", cwd=boat_dir)
    ebbwatt("event", "strike", "1", cwd=boat_dir)
    assert "fuel" not in ebbwatt("event", "list", cwd=boat_dir).stdout
    rows = json.loads(ebbwatt("event", "list", "--all", "--json", cwd=boat_dir).stdout)
    assert [(r["kind"], r["amount"], r["struck"]) for r in rows] == [
        ("fuel", 10.0, True),
        ("note", None, False),
    ]


def test_a_change_that_the_log_has_not_reached_says_when_it_counts(ebbwatt, tmp_path):
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n1700000060,12.6\n")
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n[fuel]\n")
    ebbwatt("import", tmp_path / "one.csv", cwd=tmp_path)
    add = ("event", "add", "fuel", "--litres", "10", "--at")
    # The log ends at 22:14:20. Up to an hour later the next writing to the disk is awaited.
    soon = ebbwatt(*add, "2023-11-14T23:14Z", cwd=tmp_path).stdout
    assert "note" not in soon
    late = ebbwatt(*add, "2023-11-15T02:14:20Z", cwd=tmp_path).stdout
    assert "note: the log ends 4 h before this change; 'ebbwatt fuel' counts it once" in late


def test_work_on_an_earlier_charger_of_the_log_is_accepted(ebbwatt, tmp_path):
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n")
    config = tmp_path / "ebbwatt.toml"
    renewal = ("event", "add", "renewal", "--at")
    config.write_text("[charger]\nrated_w = 110\nfitted = 2023-11-01\n")
    ebbwatt("import", tmp_path / "one.csv", cwd=tmp_path)
    config.write_text("[charger]\nrated_w = 110\nfitted = 2024-05-01\n")
    ebbwatt(*renewal, "2023-12-01T12:00Z", cwd=tmp_path)
    done = ebbwatt(*renewal, "2023-10-01T12:00Z", cwd=tmp_path, status=2)
    assert "accepted for a renewal: 2023-11-01 to 2" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("add", "fuel"), "needs --litres"),
        (("add", "fuel", "--litres", "700"), "far from the usual container of 10 L"),
        (("add", "fuel", "--litres", "ten"), "--litres"),
        (("add", "fuel", "--litres", "10", "--at", "tomorrow"), "neither ISO 8601"),
        (("add", "fuel", "--litres", "10", "--at", "2024-06-02T08:30"), "has no offset"),
        (("add", "fuel", "--litres", "10", "--at", "2999-01-01T00:00Z"), "in the future"),
        (("add", "petrol"), "argument kind: got 'petrol'; accepted: fuel, service, renewal,"),
        (("add", "fule"), "got 'fule' (did you mean fuel?); accepted"),
        (("add", "reading", "--current", "abc"), "--current: got 'abc'; accepted: a number from"),
        (("add", "reading", "--current", "9000"), "accepted: a number from -1000 to 1000"),
        (("strike", "7"), "no event 7"),
    ],
)
def test_the_command_refuses_in_one_line(ebbwatt, boat_dir, arguments, reason):
    done = ebbwatt("event", *arguments, cwd=boat_dir, status=2)
    assert reason in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_the_configuration_may_be_named_behind_the_action(ebbwatt, tmp_path):
    (tmp_path / "one.csv").write_text("time,voltage_v\n1700000000,12.6\n")
    config = tmp_path / "ebbwatt.toml"
    config.write_text("[charger]\nrated_w = 110\n")
    ebbwatt("import", "--config", config, tmp_path / "one.csv")
    ebbwatt("event", "add", "note", "--text", "hello", "--config", config)
    assert "hello" in ebbwatt("event", "--config", config, "list").stdout
    assert "hello" in ebbwatt("event", "list", "--config", config).stdout
