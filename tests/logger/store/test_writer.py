"""The store: what is written is what is read, and files that are not ours are left alone."""

import sqlite3
import subprocess
import sys
from contextlib import closing
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history.history import STATES, load_history
from logger.config import ChargerConfig
from logger.errors import StoreError, StoreUnwritableError, UsageError
from logger.reading import OperatingState
from logger.recordings.times import EARLIEST_S
from logger.store.files import APPLICATION_ID, SCHEMA_VERSION, prepare
from logger.store.reader import Reader
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.conftest import examples
from tests.support.boats.intervals import BEGIN_S, minute

CHARGER = ChargerConfig("aft locker", 110.0)


interval = partial(minute, battery_charge_c=-12.5)


finite = st.none() | st.floats(-1e5, 1e5, allow_nan=False)


#: When an interval began by the clock of its session, s, and what makes that UTC, s: an import
#: holds Unix time; a live session counts from the boot of a board, whose clock may say any year.
IMPORTED = st.tuples(st.floats(EARLIEST_S, BEGIN_S), st.none())
LIVE = st.tuples(st.floats(0, 3.2e8), st.floats(0, 4e9))


@settings(max_examples=examples(100), deadline=None)
@given(
    IMPORTED | LIVE,
    st.floats(0, 600, allow_nan=False),
    st.sampled_from(OperatingState),
    finite,
    finite,
)
def test_what_is_read_is_what_was_written(
    tmp_path_factory, empty_store, began, length_s, state, charge_c, temperature_c
):
    path = tmp_path_factory.mktemp("round") / "ebbwatt.db"
    path.write_bytes(empty_store)
    start_s, offset_s = began
    session = SessionStart("test", start_s)
    if offset_s is not None:
        session = SessionStart("test", start_s, "boot", offset_s, offset_quality=1)
    given_interval = interval(
        start_s=start_s,
        duration_s=length_s,
        state=state,
        charge_c=charge_c,
        temperature_c=temperature_c,
    )
    with Writer(path, CHARGER, session) as writer:
        writer.add(given_interval)
    history = load_history(path)
    start_s += offset_s or 0.0
    # Interval and offset are rounded to a millisecond each.
    tolerance_s = 6e-4 if offset_s is None else 1.1e-3
    assert len(history) == 1
    assert STATES[history.state[0]] is state
    assert history.start_s[0] == pytest.approx(start_s, abs=tolerance_s)
    assert history.end_s[0] == pytest.approx(start_s + length_s, abs=tolerance_s)
    for name, tolerance in (("charge_c", 6e-4), ("temperature_c", 6e-3), ("voltage_min_v", 6e-4)):
        value = getattr(given_interval, name)
        stored = getattr(history, name)[0]
        assert np.isnan(stored) if value is None else stored == pytest.approx(value, abs=tolerance)


def test_neighbours_still_meet_after_rounding(store):
    with Writer(store, CHARGER, SessionStart("test", BEGIN_S)) as writer:
        for k in range(100):
            writer.add(interval(start_s=BEGIN_S + k * 1.00047, duration_s=1.00047))
    history = load_history(store)
    assert len(history) == 100
    # Times of this age have a float's precision of 0.24 us.
    assert np.allclose(history.end_s[:-1], history.start_s[1:], rtol=0.0, atol=1e-6)


def test_every_column_comes_back_in_its_unit(store):
    with Writer(store, CHARGER, SessionStart("port", 0.0)) as writer:
        writer.add(interval())
    with closing(sqlite3.connect(store)) as db:
        db.row_factory = sqlite3.Row
        row = dict(db.execute("SELECT * FROM intervals").fetchone())
    stored = {
        "charge_mc": 480_000,
        "energy_mj": 6_300_000,
        "voltage_min_mv": 13_100,
        "voltage_max_mv": 13_200,
        "voltage_mean_mv": 13_150,
        "voltage_last_mv": 13_200,
    }
    assert {key: row[key] for key in stored} == stored
    history = load_history(store)
    for name in [
        "start_s",
        "duration_s",
        "readings",
        "charge_c",
        "energy_j",
        "voltage_min_v",
        "voltage_max_v",
        "voltage_mean_v",
        "voltage_last_v",
        "runtime_h",
        "temperature_c",
        "battery_charge_c",
        "fuel_l",
    ]:
        value = getattr(history, name)[0]
        assert value == pytest.approx(getattr(interval(), name), rel=1e-6), name


def test_the_offset_that_a_session_begins_with_dates_it(store):
    start = SessionStart("port", 100.0, boot_id="b1", offset_s=1.7e9, offset_quality=1)
    with Writer(store, CHARGER, start) as writer:
        writer.add(interval(start_s=100.25))
    assert load_history(store).start_s.tolist() == [1.7e9 + 100.25]
    with Reader(store) as reader:
        (session,) = reader.sessions(1)
    assert session.started_ms == 100_000


def test_the_offset_of_a_session_gives_true_time_and_can_be_corrected_for_the_whole_boot(store):
    first = SessionStart("port", 100.0, boot_id="b1", offset_s=0.0, offset_quality=0)
    with Writer(store, CHARGER, first) as writer:
        writer.add(interval(start_s=100.0))
    again = SessionStart("port", 300.0, boot_id="b1", offset_s=0.0, offset_quality=0)
    with Writer(store, CHARGER, again) as writer:
        writer.add(interval(start_s=300.0))
        assert not load_history(store).clock_known.any()
        writer.set_offset(1.7e9, 2)
    history = load_history(store)
    assert history.start_s.tolist() == [1.7e9 + 100.0, 1.7e9 + 300.0]
    assert history.clock_known.all()
    assert history.session.tolist() == [1, 2]


def test_a_session_learns_the_offset_from_the_others_of_its_boot(store):
    def began(at_s, boot, quality=0):
        return SessionStart("port", at_s, boot, 10.0 * at_s, quality)

    with Writer(store, CHARGER, began(100.0, "b1", 1)) as writer:
        assert writer.offset_of_boot() is None
    with Writer(store, CHARGER, began(200.0, "b1", 1)) as writer:
        assert writer.offset_of_boot() == (1000.0, 1)
    with Writer(store, CHARGER, began(300.0, "b1")) as writer:
        # Of the others the better one, and of equals the newest.
        assert writer.offset_of_boot() == (2000.0, 1)
    with Writer(store, CHARGER, began(50.0, "b2")) as writer:
        assert writer.offset_of_boot() is None, "another boot has another clock"


def test_a_live_session_waits_a_second_for_another_program_and_a_recording_ten(store):
    def wait_ms(boot_id):
        with Writer(store, CHARGER, SessionStart("port", 0.0, boot_id=boot_id)) as writer:
            return writer._connection.execute("PRAGMA busy_timeout").fetchone()[0]

    assert (wait_ms("b"), wait_ms(None)) == (1000, 10_000)


def test_a_session_that_never_could_write_says_at_its_end_what_is_lost(store, monkeypatch):
    def full(path):
        raise StoreUnwritableError(f"{path}: no space left")

    monkeypatch.setattr("logger.store.writer.open_writer", full)
    told = []
    writer = Writer(store, CHARGER, SessionStart("port", 0.0, "b"), told.append)
    writer.add(interval(start_s=0.0))
    assert (writer.stuck, writer.must_commit, writer.waiting) == (True, True, 1)
    writer.close(60.0)
    assert told[-1].endswith("1 intervals could not be written")
    # A recording can be read again: there it is an error at once.
    with pytest.raises(StoreUnwritableError, match="no space"):
        Writer(store, CHARGER, SessionStart("port", 0.0))


def test_what_is_found_at_the_start_is_dated_by_the_start(store):
    store.write_bytes(b"")
    told = []
    start = SessionStart("port", 100.25, "b1", 1.7e9, offset_quality=1)
    with Writer(store, CHARGER, start, told.append) as writer:
        writer.add_event(107.5, "note", 2.5, "later")
    with Reader(store) as reader:
        events = {e.kind: (e.time_s, e.amount) for e in reader.events()}
    assert events["store_damaged"] == (1.7e9 + 100.25, None)
    assert events["note"] == (1.7e9 + 107.5, 2.5)
    assert "has no content" in told[0]


def test_a_replacement_starts_a_new_fitting_and_history_stays(store):
    for label in ("old", "new", "old"):
        with Writer(store, ChargerConfig(label, 110.0), SessionStart("test", 1.7e9)) as writer:
            writer.add(interval())
    with Reader(store) as reader:
        assert [fitting.label for fitting in reader.fittings()] == ["old", "new"]
    assert len(load_history(store)) == 1, "the newest fitting is the default"
    assert len(load_history(store, 1)) == 2
    with pytest.raises(UsageError, match="no fitting 7; known: 1, 2"):
        load_history(store, 7)


def test_nothing_is_visible_before_the_commit_and_nothing_lost_after_it(store):
    writer = Writer(store, CHARGER, SessionStart("test", 1.7e9))
    writer.add(interval())
    assert len(load_history(store)) == 0
    writer.commit()
    assert len(load_history(store)) == 1
    assert writer.waiting == 0
    writer.close(1.7e9 + 60.0)
    with Reader(store) as reader:
        assert reader.sessions(1)[0].ended_ms == 1700000060000


def test_every_commit_is_synchronised_and_readers_never_wait(store):
    with Writer(store, CHARGER, SessionStart("test", 1.7e9)) as writer:
        connection = writer._connection
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,), "FULL"
        connection.execute("BEGIN IMMEDIATE")
        assert len(load_history(store)) == 0, "a reader is not held up by an open write"
        connection.execute("COMMIT")


def test_the_file_says_whose_it_is(store):
    connection = sqlite3.connect(store)
    assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    assert connection.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    names = [row[0] for row in connection.execute("SELECT name FROM states ORDER BY id")]
    connection.close()
    assert names == [str(state) for state in OperatingState]


def digest(path):
    """Return what the folder holds; SQLite's own index and empty log of a reader are no change."""
    files = [p for p in path.parent.iterdir() if not p.name.endswith("-shm")]
    return {p.name: content for p in files if (content := p.read_bytes())}


_DIES = """\
import os, sys
from pathlib import Path
from logger.store import schema

left = 0

class Dying(schema.Database):
    def __init__(self, path):
        super().__init__(path)
        self.conn.set_trace_callback(count)

def count(_):
    global left
    left -= 1
    if left < 0:
        os._exit(9)

schema.Database = Dying
for path in map(Path, sys.argv[1:]):
    left = int(path.stem)
    if os.fork() == 0:
        schema.migrate(path)
        os._exit(0)
    os.wait()
"""


def test_a_file_whose_making_was_cut_at_any_statement_is_made_whole(tmp_path, child_env):
    # Of 146 statements, and each of the last ones.
    paths = [tmp_path / f"{k}.db" for k in (*range(0, 140, 20), *range(140, 148))]
    command = [sys.executable, "-c", _DIES, *map(str, paths)]
    subprocess.run(command, env=child_env, check=True)
    unfinished = 0
    for path in paths:
        with closing(sqlite3.connect(path)) as db:
            unfinished += db.execute("PRAGMA user_version").fetchone()[0] < SCHEMA_VERSION
        prepare(path)
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("PRAGMA user_version").fetchone()[0] == SCHEMA_VERSION
            assert db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
            assert db.execute("SELECT count(*) FROM about WHERE key = 'store'").fetchone()[0] == 1
    assert 8 <= unfinished < len(paths), "most were cut, the last ones were not"


def test_files_that_are_not_ours_are_refused_in_one_line_and_not_changed(tmp_path):
    foreign = tmp_path / "foreign" / "other.db"
    foreign.parent.mkdir()
    connection = sqlite3.connect(foreign)
    connection.execute("CREATE TABLE t (x)")
    connection.close()
    text = tmp_path / "text" / "notes.txt"
    text.parent.mkdir()
    text.write_text("not a database at all, but longer than a header of a hundred bytes " * 3)
    for path, message in ((foreign, "another program"), (text, "not an Ebbwatt database")):
        before = digest(path)
        for attempt in (
            lambda path=path: Writer(path, CHARGER, SessionStart("test", 0.0)),
            lambda path=path: load_history(path),
        ):
            with pytest.raises(StoreError, match=message) as caught:
                attempt()
            assert "\n" not in str(caught.value)
        assert digest(path) == before


def test_a_newer_database_is_refused_and_not_changed(store):
    connection = sqlite3.connect(store)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    connection.close()
    before = digest(store)
    with pytest.raises(StoreError, match="newer Ebbwatt"):
        Writer(store, CHARGER, SessionStart("test", 0.0))
    with pytest.raises(StoreError, match="newer Ebbwatt"):
        load_history(store)
    assert digest(store) == before


def test_a_locked_database_is_one_clear_line(store, monkeypatch):
    monkeypatch.setattr("logger.store.files.BUSY_TIMEOUT_S", 0.1)
    other = sqlite3.connect(store, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="locked by another program"):
        Writer(store, CHARGER, SessionStart("test", 0.0))
    other.close()


def test_a_missing_database_and_a_missing_folder(tmp_path):
    with pytest.raises(StoreError, match="no such database yet"):
        load_history(tmp_path / "none.db")
    with pytest.raises(StoreError, match="does not exist; create it first"):
        prepare(tmp_path / "nowhere" / "ebbwatt.db")


def test_an_empty_database_holds_no_log_yet(store):
    with pytest.raises(StoreError, match="holds no log yet"):
        load_history(store)
