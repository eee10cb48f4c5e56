"""Another charger is fitted: recorded, configuration moved, sheet written, nothing lost."""

import json
import re
import shutil
import sqlite3
from contextlib import closing
from datetime import UTC, datetime

import pytest

from analysis.exchange import record
from analysis.exchange.configuration import moved
from analysis.exchange.units import counter_of, last_exchange
from logger.config import load_config
from logger.errors import EbbwattError, UsageError
from logger.event import EXCHANGE, Event
from tests.support.screens.terminal import Terminal

BEGUN_S = 1_700_006_400  # 2023-11-15T00:00:00Z
DAY_S = 86400
CONFIG = """\
# The boat of this test is invented.
[boat]
timezone = "UTC"

[charger]
label = "aft locker"     # where it is
rated_w = 110            # nameplate output, W
serial = "OLD-1"
fitted = 2023-11-01      # by the yard

[battery]
charge_ceiling_v = 14.4  # a comment with = and "quotes"

[store]
path = "ebbwatt.db"
"""


def days(first, count, amps, counter_h):
    """Return a recording: six hours of running a day, minute by minute, then rest."""
    rows = ["time,voltage_v,current_a,state,runtime_h"]
    for day in range(first, first + count):
        for minute in range(1440):
            runs = minute < 360
            counter = counter_h + (day - first) * 6.0 + min(minute, 360) / 60.0
            volts, now_a = (13.2, amps) if runs else (12.6, 0.0)
            state = "running" if runs else "standby"
            time_s = BEGUN_S + day * DAY_S + minute * 60
            rows.append(f"{time_s},{volts},{now_a},{state},{counter:.3f}")
    return "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def imported(tmp_path_factory, run_ebbwatt):
    folder = tmp_path_factory.mktemp("imported")
    (folder / "ebbwatt.toml").write_text(CONFIG)
    (folder / "ebbwatt.toml").chmod(0o640)
    (folder / "old.csv").write_text(days(0, 8, 5.0, 4000.0))
    run_ebbwatt("import", "old.csv", cwd=folder)
    return folder


@pytest.fixture
def place(tmp_path, imported):
    shutil.copytree(imported, tmp_path, dirs_exist_ok=True)
    return tmp_path


_EXCHANGED = ("exchange", "--new-serial", "NEW-2", "--new-rated", "110", "--by", "A. Fitter",
              "--at", "2023-11-24T12:00Z")  # fmt: skip


def _of(ebbwatt, place, fitting):
    return ebbwatt("report", "--fitting", fitting, "--json", "-", cwd=place).stdout


def test_the_configuration_moves_and_nothing_of_the_old_unit_is_lost(ebbwatt, place):
    before = _of(ebbwatt, place, 1)
    done = ebbwatt(*_EXCHANGED, "--sheet", "sheet.html", cwd=place)
    text = (place / "ebbwatt.toml").read_text()
    # Three values differ, and not a letter else: comments and order stay.
    changed = [
        (old, new)
        for old, new in zip(CONFIG.splitlines(), text.splitlines(), strict=True)
        if old != new
    ]
    assert [re.sub(r"#.*", "", new).strip() for _, new in changed] == [
        "rated_w = 110.0",
        'serial = "NEW-2"',
        "fitted = 2023-11-24",
    ]
    assert all(old.partition("#")[2] == new.partition("#")[2] for old, new in changed)
    assert (place / "ebbwatt.toml").stat().st_mode & 0o777 == 0o640
    (kept,) = place.glob("ebbwatt.toml.before-exchange-*")
    assert kept.read_text() == CONFIG
    assert kept.name in done.stdout
    assert "restart" in done.stdout
    # The event holds both counters: the old one's by the log.
    (event,) = json.loads(ebbwatt("event", "list", "--json", cwd=place).stdout)
    assert event["kind"] == "replacement"
    assert event["time"] == "2023-11-24T12:00:00Z"
    old = "old: serial OLD-1, 110 W, counter 4048 h"
    assert event["text"] == f"{old}; new: serial NEW-2, 110 W, counter 0 h; by A. Fitter"
    # The old fitting is assessed as before, byte for byte.
    assert _of(ebbwatt, place, 1) == before
    sheet = (place / "sheet.html").read_text()
    for part in ("OLD-1", "NEW-2", "4048", "The old unit", "no running of the new unit yet",
                 "counter of the new unit, read off"):  # fmt: skip
        assert part in sheet.replace("\N{NO-BREAK SPACE}", " "), part


def test_the_sheet_puts_the_new_units_first_20_hours_beside_the_old_ones_last(ebbwatt, place):
    ebbwatt(*_EXCHANGED, cwd=place)
    (place / "new.csv").write_text(days(10, 5, 8.0, 0.0))
    ebbwatt("import", "new.csv", cwd=place)
    ebbwatt("exchange", "--sheet-only", "sheet.html", cwd=place)
    flat = (place / "sheet.html").read_text().replace("\N{NO-BREAK SPACE}", " ")
    row = re.search(r'<th scope="row">reached output</th><td>([^<]*)</td><td>([^<]*)</td>', flat)
    # By hand: 5 A at 13.2 V are 66 W, 60 % of 110 W; 8 A are 105.6 W, 96 %.
    old, new = (float(cell.split(" %")[0]) for cell in row.groups())
    assert old == pytest.approx(60.0, abs=0.6)
    assert new == pytest.approx(96.0, abs=0.6)
    hours = re.search(r">running hours</th><td>([^<]*)</td><td>([^<]*)</td>", flat).groups()
    assert hours == ("20 h", "20 h")
    # The new unit has a log of its own, whose hours begin at its own counter.
    of_new = json.loads(ebbwatt("report", "--json", "-", cwd=place).stdout)
    assert of_new["charger"]["fitted"] == "2023-11-24"
    assert of_new["observed"]["running_hours"] == pytest.approx(30.0, abs=0.2)
    assert not [f for f in of_new["inputs"] if f["code"] in {"counter_break", "exchange_proposed"}]


def test_of_a_short_log_the_sheet_shows_the_old_units_end_and_not_its_beginning(ebbwatt, place):
    """Thirty hours: 8 A in the first ten, 5 A in the last twenty."""
    (place / "ebbwatt.db").unlink()
    rows = days(0, 5, 5.0, 4000.0).splitlines()
    for k, row in enumerate(rows):
        if k and int(row.split(",")[0]) < BEGUN_S + 1.8 * DAY_S:
            rows[k] = row.replace("13.2,5.0", "13.2,8.0")
    (place / "short.csv").write_text("\n".join(rows) + "\n")
    ebbwatt("import", "short.csv", cwd=place)
    ebbwatt(*_EXCHANGED, cwd=place)
    config = load_config(place / "ebbwatt.toml")
    found = last_exchange(config)
    assert found.old_end.running_hours == pytest.approx(20.0, abs=2.1)
    assert found.old_end.from_s > BEGUN_S + 1.0 * DAY_S


def test_the_sheet_names_the_unit_that_was_fitted_then(ebbwatt, place):
    """A serial number that is mended later does not change what the exchange recorded."""
    ebbwatt(*_EXCHANGED, cwd=place)
    path = place / "ebbwatt.toml"
    path.write_text(path.read_text().replace('"NEW-2"', '"OTHER-3"'))
    ebbwatt("exchange", "--sheet-only", "sheet.html", cwd=place)
    sheet = (place / "sheet.html").read_text()
    assert "NEW-2" in sheet
    assert "OTHER-3" not in sheet


def test_the_counter_is_that_of_the_time_of_the_exchange(place):
    """Not of what was logged later; and of the last days only, as long as they tell it."""
    config = load_config(place / "ebbwatt.toml")
    assert counter_of(config, BEGUN_S + 2.5 * DAY_S) == pytest.approx(4018.0, abs=0.1)
    assert counter_of(config, BEGUN_S + 100 * DAY_S) == pytest.approx(4048.0, abs=0.1)
    assert counter_of(config, BEGUN_S - DAY_S) is None


def test_what_no_option_says_is_asked_for_on_a_terminal(place, child_env):
    command = ("-m", "analysis", "exchange", "--at", "2023-11-24T12:00Z")
    terminal = Terminal(command, place, child_env)
    for question, answer in (
        (b"old unit [OLD-1]: ", b"\n"),
        (b"its hour counter, h [4048.0]: ", b"4051.5\n"),
        (b"serial number of the new unit: ", b"NEW-9\n"),
        (b"its rated output, W: ", b"much\n"),
        (b"a number is needed", b"160\n"),
        (b"its hour counter, h [0.0]: ", b"12\n"),
        (b"who exchanged it: ", b"Jo Marten\n"),
    ):
        terminal.until(question)
        terminal.press(answer)
    assert terminal.process.wait(timeout=200) == 0
    charger = load_config(place / "ebbwatt.toml").charger
    assert (charger.serial, charger.rated_w) == ("NEW-9", 160.0)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ((), "needs --new-serial, --new-rated, --by"),
        (("--new-serial", "X", "--new-rated", "0", "--by", "Jo"), "accepted: 1 to 20000 W"),
        (("--new-serial", "X", "--new-rated", "nan", "--by", "Jo"), "accepted: 1 to 20000 W"),
        (("--new-serial", " ", "--new-rated", "9", "--by", "Jo"), "serial number of the new"),
        (("--new-serial", "X", "--new-rated", "9", "--by", " "), "say who exchanged it"),
        (("--at", "2023-10-30T12:00Z"), "fitted unit is there since 2023-11-01"),
        (("--sheet-only", "s.html"), "no exchange is recorded"),
        (("--sheet-only", "s.html", "--new-rated", "5"), "leave the other options out"),
        (("--config", "ebbwatt.db", *_EXCHANGED[1:]), "is a database; name the configuration"),
    ],
)
def test_what_cannot_be_true_changes_nothing(ebbwatt, place, options, says):
    done = ebbwatt("exchange", *options, cwd=place, status=2, stdin=-3)
    assert says in done.stderr
    assert (place / "ebbwatt.toml").read_text() == CONFIG
    assert not list(place.glob("*before-exchange*"))
    assert json.loads(ebbwatt("event", "list", "--json", cwd=place).stdout) == []


def test_a_configuration_that_cannot_be_written_leaves_the_event_struck(place, monkeypatch, capsys):
    from analysis.cli import main
    from analysis.exchange import configuration

    def full(*_):
        raise EbbwattError("no space left on device")

    monkeypatch.setattr(configuration, "replace_kept", full)
    monkeypatch.chdir(place)
    assert main(list(_EXCHANGED)) == 1
    assert "no space left" in capsys.readouterr().err
    assert (place / "ebbwatt.toml").read_text() == CONFIG
    assert main(["event", "list"]) == 0
    assert "no events recorded" in capsys.readouterr().out


def test_an_exchange_that_was_cut_off_is_finished_and_not_recorded_twice(ebbwatt, place):
    ebbwatt(*_EXCHANGED, cwd=place)
    # As if the power had gone between the event and the configuration.
    (place / "ebbwatt.toml").write_text(CONFIG)
    ebbwatt(*_EXCHANGED, cwd=place)
    assert load_config(place / "ebbwatt.toml").charger.serial == "NEW-2"
    assert len(json.loads(ebbwatt("event", "list", "--json", cwd=place).stdout)) == 1


@pytest.mark.parametrize("serial", ["A-1", "", "x, y; z: \N{RIGHT-TO-LEFT OVERRIDE}"])
@pytest.mark.parametrize("counter_h", [None, 0.0, 4609.84, 123456.7, 999999.9, 1.0e6])
def test_the_text_of_the_event_tells_the_exchange_again(serial, counter_h):
    old, new = record.Unit(serial, 110.0, counter_h), record.Unit("B 2", 75.5, 12.0)
    made = record.checked(record.Exchange(old, new, "Jo"))
    # No digit of either counter is lost: ':g' keeps six of them, and writes a million as 1e+06.
    assert (
        counter_h is None or f"counter {round(counter_h, 1):.1f}".removesuffix(".0") in made.text()
    )
    ((time_s, found),) = record.recorded([Event(1, 7.0, EXCHANGE, None, made.text())])
    assert time_s == 7.0
    assert found.new == made.new
    assert found.old.serial == made.old.serial
    assert found.old.counter_h == pytest.approx(counter_h, abs=0.051)
    assert record.recorded([Event(1, 7.0, "note", None, made.text())]) == []


def test_settings_that_the_file_leaves_out_are_added_to_its_section(tmp_path):
    path = tmp_path / "ebbwatt.toml"
    path.write_text("[charger]\nrated_w = 90\n# the end\n\n[battery]\ncapacity_ah = 100\n")
    day = datetime(2026, 3, 1, tzinfo=UTC).date()
    path.write_text(moved(path, 110.0, 'S "1"', day))
    config = load_config(path)
    assert (config.charger.serial, config.charger.fitted) == ('S "1"', day)
    assert config.battery.capacity_ah == 100.0
    assert "# the end" in path.read_text()
    with pytest.raises(UsageError, match="accepted"):
        moved(path, -5.0, "S", day)


OWN = CONFIG.replace(
    'serial = "OLD-1"',
    'serial = "OLD-1"\ntype = "old type"\ndesign_life_h = 4100\n'
    "plan_below = 0.4\nreplace_below = 0.3",
)


def _next_unit(place):
    """Change what the exchange leaves to the fitter: type and design life of the new unit."""
    path = place / "ebbwatt.toml"
    text = path.read_text().replace('"old type"', '"new type"').replace("= 4100", "= 9000")
    path.write_text(text.replace("rated_w = 150.0", "rated_w = 150"))


def test_the_old_units_report_keeps_its_own_identity_and_rating(ebbwatt, place):
    (place / "ebbwatt.toml").write_text(OWN)
    before = json.loads(_of(ebbwatt, place, 1))
    rated = [part if part != "110" else "150" for part in _EXCHANGED]
    ebbwatt(*rated, cwd=place)
    whose = "the log holds nothing yet of the charger in the configuration (aft locker, fitted "
    for command in ("report", "load"):
        assert whose in ebbwatt(command, cwd=place).stderr, command
    assert whose in ebbwatt("size", cwd=place, status=None).stderr
    assert whose not in ebbwatt("report", "--fitting", "1", cwd=place).stderr
    _next_unit(place)
    (place / "new.csv").write_text(days(10, 5, 8.0, 0.0))
    ebbwatt("import", "new.csv", cwd=place)
    assert whose not in ebbwatt("report", cwd=place).stderr
    after = json.loads(_of(ebbwatt, place, 1))
    assert after == before
    # By hand: 4100 h of design life less 4048 h on its counter, not 9000 h less them.
    assert after["remaining"]["until"] == "design_hours"
    assert after["remaining"]["hours"]["high"] < 500.0
    ebbwatt("report", "--fitting", "1", "--html", "old.html", "--dossier", "claim", cwd=place)
    ebbwatt("report", "--fitting", "1", "--commissioning", "record.html", cwd=place)
    for name in ("old.html", "record.html", "claim/report.html"):
        page = (place / name).read_text()
        assert "OLD-1" in page, name
        assert "NEW-2" not in page, name
    charger = json.loads((place / "claim" / "configuration.json").read_text())["charger"]
    told = {key: charger[key] for key in ("serial", "type", "design_life_h", "rated_w", "fitted")}
    assert told == {"serial": "OLD-1", "type": "old type", "design_life_h": 4100, "rated_w": 110.0,
                    "fitted": "2023-11-01"}  # fmt: skip
    new = json.loads(_of(ebbwatt, place, 2))
    assert new["charger"]["rated_w"] == 150.0


def test_a_log_of_an_earlier_version_does_not_lend_the_new_units_identity_to_the_old(
    ebbwatt, place
):
    """Such a log carries one configuration: the newest. What it does not know stays unsaid."""
    (place / "ebbwatt.toml").write_text(OWN)
    ebbwatt(*_EXCHANGED, cwd=place)
    _next_unit(place)
    (place / "new.csv").write_text(days(10, 5, 8.0, 0.0))
    ebbwatt("import", "new.csv", cwd=place)
    with closing(sqlite3.connect(place / "ebbwatt.db")) as db, db:
        db.execute("DELETE FROM about WHERE key LIKE 'configuration of %'")
    assert json.loads(_of(ebbwatt, place, 1))["remaining"]["until"] != "design_hours"
    ebbwatt("report", "--fitting", "1", "--html", "old.html", cwd=place)
    assert "NEW-2" not in (place / "old.html").read_text()


def test_what_was_logged_after_the_exchange_is_not_the_old_units(ebbwatt, place):
    """The logger went on for two days before it was restarted: the same report as without them."""
    ebbwatt("event", "add", "reading", "--current", "5.0", "--at", "2023-11-20T03:00Z", cwd=place)
    before = json.loads(_of(ebbwatt, place, 1))
    fit = ebbwatt("fitting", "--fitting", "1", "--json", "--hours", "10", cwd=place).stdout
    (place / "more.csv").write_text(days(10, 2, 8.0, 0.0))
    ebbwatt("import", "more.csv", cwd=place)
    ebbwatt(*_EXCHANGED, cwd=place)
    ebbwatt("event", "add", "fuel", "--litres", "10", "--at", "2023-11-25T03:00Z", cwd=place)
    assert json.loads(_of(ebbwatt, place, 1)) == before
    again = ebbwatt("fitting", "--fitting", "1", "--json", "--hours", "10", cwd=place).stdout
    assert again == fit
    assert before["observed"]["running_hours"] == pytest.approx(48.0, abs=0.2)
    assert [f for f in before["inputs"] if f["code"].startswith("clamp")], "the reading counts"
    # They are the new unit's, with its own counter: 12 h, and 18 h of its own log.
    (place / "new.csv").write_text(days(12, 3, 8.0, 12.0))
    ebbwatt("import", "new.csv", cwd=place)
    of_new = json.loads(_of(ebbwatt, place, 2))
    assert of_new["observed"]["running_hours"] == pytest.approx(30.0, abs=0.2)
    assert of_new["output"]["at_runtime_h"] == pytest.approx(30.0, abs=0.2)
    assert not [f for f in of_new["inputs"] if f["code"] in {"counter_break", "exchange_proposed"}]


def test_an_exchange_that_is_recorded_as_the_report_advises_is_settled(ebbwatt, place):
    """Nobody recorded it: the new unit's days stand in the old one's log, and the counter jumps."""
    (place / "more.csv").write_text(days(8, 6, 8.0, 0.0))
    ebbwatt("import", "more.csv", cwd=place)
    asked = json.loads(ebbwatt("report", "--json", "-", cwd=place).stdout)["inputs"]
    (advice,) = {f["what_to_do"] for f in asked if f["code"] in {"counter_break",
                                                                 "exchange_proposed"}}  # fmt: skip
    at = re.search(r"ebbwatt exchange --at (\S+)\. ", advice)[1]
    ebbwatt(*_EXCHANGED[:-1], at, cwd=place)
    (place / "new.csv").write_text(days(14, 3, 8.0, 36.0))
    ebbwatt("import", "new.csv", cwd=place)
    for fitting, hours in ((1, 48.0), (2, 54.0)):
        seen = json.loads(_of(ebbwatt, place, fitting))
        assert seen["observed"]["running_hours"] == pytest.approx(hours, abs=0.2)
        codes = {f["code"] for f in seen["inputs"]}
        assert not codes & {"counter_break", "exchange_proposed"}, fitting
