"""``ebbwatt import``: bad rows are listed, twice changes nothing, overlaps count once."""

import gzip
import itertools
import json
import math
import random
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime

import pytest

from analysis.history.history import load_history
from analysis.transfer.read_blocks import BulkRecording
from logger.config import load_config
from logger.interval import Interval
from logger.reading import OperatingState
from logger.recordings.rows import BadRow, Recording
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.configurations import AFT_LOCKER

CONFIG = AFT_LOCKER
T0 = 1_750_000_000


@pytest.fixture
def boat(tmp_path):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    return tmp_path


def signal(second):
    """Volts and amps of the invented charger at one second: two hours of charging in four."""
    on = second % 14_400 < 7_200
    return 12.6 + 0.8 * on + 0.05 * math.sin(second / 500), 8.0 - 0.4 * (
        second % 7
    ) / 7 if on else 0


def recording(path, start, stop, *, iso=False, extra=()):
    lines = ["time,voltage_v,current_a,state,runtime_h"]
    for second in range(start, stop):
        volts, amps = signal(second)
        moment = T0 + second
        when = f"{datetime.fromtimestamp(moment, UTC):%Y-%m-%dT%H:%M:%SZ}" if iso else moment
        state = "running" if amps else "standby"
        lines.append(f"{when},{volts:.2f},{amps:.2f},{state},{second / 7200:.2f}")
    middle = 1 + (len(lines) - 1) // 2
    lines[middle:middle] = extra
    text = "\n".join(lines) + "\n"
    if path.suffix == ".gz":
        path.write_bytes(gzip.compress(text.encode()))
    else:
        path.write_text(text)
    return path


def expected_charge(start, stop):
    """Trapezoid over the written (rounded) values, A s, worked out here and not by the program."""
    amps = [round(signal(second)[1], 2) for second in range(start, stop)]
    return sum((a + b) / 2 for a, b in itertools.pairwise(amps))


def charge(boat, fitting=None):
    return float(load_history(boat / "ebbwatt.db", fitting).charge_c.sum())


def dump(path):
    with sqlite3.connect(path) as connection:
        return list(connection.iterdump())


def test_a_recording_goes_in_with_exact_charge_and_twice_changes_nothing(boat, ebbwatt):
    recording(boat / "a.csv", 0, 20_000)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "a.csv: 20,000 readings added as" in done.stdout
    assert charge(boat) == pytest.approx(expected_charge(0, 20_000), rel=1e-5)
    before = dump(boat / "ebbwatt.db")
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "0 readings added as 0 intervals, 20,000 already there" in done.stdout
    assert dump(boat / "ebbwatt.db") == before


@pytest.mark.parametrize("name", ["plain.csv", "iso.csv", "packed.csv.gz"])
def test_what_is_plain_is_read_without_pandas_which_takes_longer_to_load(boat, child_env, name):
    source = recording(boat / name, 0, 3000, iso=name == "iso.csv")
    code = (
        "import sys; from analysis.cli import main; status = main(); "
        "sys.exit(status or ('pandas' in sys.modules))"
    )
    config = boat / "ebbwatt.toml"
    command = [sys.executable, "-c", code, "import", str(source), "--config", str(config)]
    done = subprocess.run(command, env=child_env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "3,000 readings added" in done.stdout


def test_overlapping_files_count_once_in_any_order_and_neighbours_join(boat, ebbwatt):
    recording(boat / "middle.csv.gz", 6_000, 16_000, iso=True)
    recording(boat / "early.csv", 0, 9_000)
    recording(boat / "late.csv", 12_000, 20_000)
    recording(boat / "next.csv", 20_000, 30_000)
    ebbwatt("import", "middle.csv.gz", cwd=boat)
    done = ebbwatt("import", "--json", "early.csv", "late.csv", "next.csv", cwd=boat)
    outcome = json.loads(done.stdout)["files"]
    assert [f["readings"] for f in outcome] == [6_000, 4_000, 10_000]
    assert [f["known"] for f in outcome] == [3_000, 4_000, 0]
    history = load_history(boat / "ebbwatt.db")
    assert charge(boat) == pytest.approx(expected_charge(0, 30_000), rel=1e-5)
    assert history.duration_s.sum() == pytest.approx(29_999.0)
    assert int(history.readings.sum()) == 30_000


def test_bad_rows_are_listed_with_line_and_reason_and_the_rest_goes_in(boat, ebbwatt):
    extra = [
        *("yesterday,12,1,running,1", f"{T0},12,1,running,1", "1,2", ",,,,"),
        f"{T0 + 499.5},640.0,{signal(499)[1]:.2f},running,0.07",
    ]
    recording(boat / "a.csv", 0, 1_000, extra=extra)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "a.csv, line 502: row refused: time 'yesterday' is neither ISO 8601" in done.stdout
    assert "a.csv, line 503: row refused: time does not lie after the row before" in done.stdout
    assert "a.csv, line 504: row refused: has 2 fields where the header has 5" in done.stdout
    assert "a.csv, line 505: row refused: time '' is neither" in done.stdout
    assert "values refused: voltage_v above 64 V: 1" in done.stdout
    assert "1,001 readings added" in done.stdout, "the other values of that reading still count"
    assert charge(boat) == pytest.approx(expected_charge(0, 1_000), rel=1e-4)
    (event,) = load_history(boat / "ebbwatt.db").events
    assert (event.kind, event.amount) == ("refused", 5.0)


def test_every_refused_row_is_listed_on_request_and_the_first_ones_otherwise(boat, ebbwatt):
    recording(boat / "a.csv", 0, 100, extra=["x,1,1,running,1"] * 50)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert done.stdout.count("row refused") == 20
    assert "and 30 more rows refused" in done.stdout
    done = ebbwatt("import", "--every-row", "a.csv", cwd=boat)
    assert done.stdout.count("row refused") == 50


def test_the_log_of_another_board_is_merged_and_covered_time_counts_once(tmp_path, ebbwatt):
    for name, span in (("ours", (0, 15_000)), ("theirs", (10_000, 30_000))):
        (tmp_path / name).mkdir()
        (tmp_path / name / "ebbwatt.toml").write_text(CONFIG)
        recording(tmp_path / name / "a.csv", *span)
        ebbwatt("import", "a.csv", cwd=tmp_path / name)
    ours = tmp_path / "ours"
    ebbwatt("import", "../theirs/ebbwatt.db", cwd=ours)
    # The interval across the seam is divided in proportion to time: at most a minute is estimated.
    assert charge(ours) == pytest.approx(expected_charge(0, 30_000), abs=20.0)
    assert load_history(ours / "ebbwatt.db").duration_s.sum() == pytest.approx(29_999.0)
    before = dump(ours / "ebbwatt.db")
    done = ebbwatt("import", "../theirs/ebbwatt.db", cwd=ours)
    assert "0 intervals merged" in done.stdout
    assert dump(ours / "ebbwatt.db") == before


def interval(start_s, duration_s, charge_c):
    return Interval(
        start_s,
        duration_s,
        OperatingState.RUNNING,
        readings=60,
        charge_c=charge_c,
        energy_j=charge_c * 13,
        voltage_min_v=13.0,
        voltage_max_v=13.0,
        voltage_mean_v=13.0,
        voltage_last_v=13.0,
        runtime_h=1.0,
        temperature_c=None,
        battery_charge_c=None,
        fuel_l=None,
    )


def test_a_backup_merges_to_nothing_even_after_the_clock_of_its_boot_was_corrected(boat, ebbwatt):
    config = load_config(boat / "ebbwatt.toml")
    start = SessionStart("test", 5.0, boot_id="b-1", offset_s=1.0, offset_quality=1)
    with Writer(config.store.path, config.charger, start) as writer:
        writer.add(interval(10.0, 60.0, 480.0))
        writer.add_event(20.0, "gap", 3.0)
        writer.commit()
        source = sqlite3.connect(config.store.path)
        copy = sqlite3.connect(boat / "backup.db")
        source.backup(copy)
        source.close()
        copy.close()
        writer.set_offset(1.7e9, 2)
    ebbwatt("import", "backup.db", cwd=boat)
    history = load_history(boat / "ebbwatt.db")
    assert history.start_s.tolist() == [1.7e9 + 10.0]
    assert len(history.events) == 1
    # The other way round the backup learns the true time of the boot that both hold.
    (boat / "other.toml").write_text(CONFIG + '[store]\npath = "backup.db"\n')
    ebbwatt("import", "--config", "other.toml", "ebbwatt.db", cwd=boat)
    history = load_history(boat / "backup.db")
    assert history.start_s.tolist() == [1.7e9 + 10.0]
    assert [event.time_s for event in history.events] == [1.7e9 + 20.0]


def test_a_replaced_charger_keeps_its_history_and_a_merge_keeps_both_fittings(tmp_path, ebbwatt):
    for name in ("ours", "theirs"):
        (tmp_path / name).mkdir()
    theirs = tmp_path / "theirs"
    (theirs / "ebbwatt.toml").write_text(CONFIG + "fitted = 2019-01-01\n")
    recording(theirs / "old.csv", 0, 5_000)
    ebbwatt("import", "old.csv", cwd=theirs)
    (theirs / "ebbwatt.toml").write_text(CONFIG + "fitted = 2025-07-01\n")
    recording(theirs / "new.csv", 100_000, 107_000)
    ebbwatt("import", "new.csv", cwd=theirs)
    ours = tmp_path / "ours"
    (ours / "ebbwatt.toml").write_text(CONFIG)
    ebbwatt("import", theirs / "ebbwatt.db", cwd=ours)
    for place in (theirs, ours):
        assert charge(place, 1) == pytest.approx(expected_charge(0, 5_000), rel=1e-5)
        assert charge(place) == pytest.approx(expected_charge(100_000, 107_000), rel=1e-5)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("none.csv", None, "none.csv: there is no such file"),
        ("a.csv", b"", "a.csv: is empty; a recording begins with a header"),
        ("a.csv", b"when,voltage_v\n1,2\n", "a.csv, line 1: the header has no column 'time'"),
        ("a.csv", b"time,time\n", "a.csv, line 1: column 'time' stands there twice"),
        ("a.csv.gz", b"not gzip", "a.csv.gz: cannot be read: Not a gzipped file"),
        ("a.db", b"SQLite format 3\0 and no more", "a.db: is not an Ebbwatt database"),
    ],
)
def test_a_file_that_cannot_be_read_at_all_is_one_line(boat, ebbwatt, name, content, message):
    if content is not None:
        (boat / name).write_bytes(content)
    # A file that is not there is wrong use, as with every other command.
    done = ebbwatt("import", name, cwd=boat, status=2 if content is None else 1)
    assert message in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("second", [(5_000, 9_000), (4_000, 9_000)])
def test_a_truncated_gzip_leaves_nothing_and_the_file_before_it_complete(boat, ebbwatt, second):
    recording(boat / "a.csv", 0, 5_000)
    recording(boat / "b.csv.gz", *second)
    (boat / "b.csv.gz").write_bytes((boat / "b.csv.gz").read_bytes()[:-300])
    done = ebbwatt("import", "a.csv", "b.csv.gz", cwd=boat, status=1)
    assert "b.csv.gz: cannot be read" in done.stderr
    assert charge(boat) == pytest.approx(expected_charge(0, 5_000), rel=1e-5)
    assert load_history(boat / "ebbwatt.db").duration_s.sum() == pytest.approx(4_999.0)


ODD_FIELDS = [
    *("nan", "NaN", "inf", "1e400", "True", "0x10", "1_0", " 12.5", "12.5 ", "", " ", "12,5"),
    *('"12.5"', '"1\n2"', "12.5\0", "\u00bd", "\uff11", "+3", "-0", ".5", "5.", "--", "1e1"),
    *("running", " running", "charging", "2026-05-03", "2026-05-03T01:02:03Z", "1" * 400),
    *("2026-05-03T01:02:03", "2026-05-03T01:02:03+02:00", "1e12", '"', "\r", "infinity", "FALSE"),
]


def rows_of(path, piece):
    bulk = BulkRecording(path, piece=piece)
    readings = []
    for block in bulk:
        for k in range(len(block)):
            values = (block.time_s[k], block.voltage_v[k], block.current_a[k], block.runtime_h[k])
            readings.append((*[round(float(v), 6) for v in values], int(block.state[k])))
    return readings, bulk.bad.kept


@pytest.mark.parametrize("seed", range(12))
def test_the_fast_reader_accepts_and_refuses_exactly_what_the_careful_one_does(tmp_path, seed):
    random_ = random.Random(seed)
    lines = recording(tmp_path / "plain.csv", 0, 400, iso=seed % 3 == 0).read_text().splitlines()
    for _ in range(seed * 2):
        place = random_.randrange(1, len(lines))
        fields = lines[place].split(",")
        fields[random_.randrange(len(fields))] = random_.choice(ODD_FIELDS)
        lines[place] = ",".join(fields)
    path = tmp_path / "odd.csv"
    path.write_bytes(random_.choice(["\n", "\r\n"]).join(lines).encode())
    states = list(OperatingState)
    wanted, bad = [], []
    for row in Recording(path):
        if isinstance(row, BadRow):
            bad.append(row)
            continue
        values = (row.time_s, row.voltage_v, row.current_a, row.runtime_h)
        wanted.append(
            (*[math.nan if v is None else round(v, 6) for v in values], states.index(row.state))
        )
    for piece in (500, 3_000, 1 << 20):
        readings, refused = rows_of(path, piece)
        assert repr(readings) == repr(wanted)
        assert refused == bad


def season(path, spacing_s=10, hours=48):
    """A source that speaks every so many seconds; two hours of 8 A in four."""
    lines = ["time,voltage_v,current_a,state"]
    for second in range(0, hours * 3600, spacing_s):
        amps = 8.0 if second % 14_400 < 7_200 else 0.0
        state = "running" if amps else "standby"
        lines.append(f"{T0 + second},{12.6 + 0.1 * amps:.2f},{amps},{state}")
    path.write_text("\n".join(lines) + "\n")
    return path


def running_hours(boat):
    history = load_history(boat / "ebbwatt.db")
    return float(history.duration_s[history.state == "running"].sum()) / 3600


@pytest.mark.parametrize("log", ["", "[log]\ninterval_s = 1\n"], ids=["left out", "wrong"])
def test_a_source_every_ten_seconds_loses_nothing_whatever_interval_says(boat, ebbwatt, log):
    (boat / "ebbwatt.toml").write_text(CONFIG + log)
    season(boat / "a.csv")
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert charge(boat) == pytest.approx(24 * 3600 * 8.0, rel=0.001)
    told = "readings come every 10 s, not every 1 s" in done.stdout.splitlines()[0]
    assert told is bool(log)


def test_a_gap_that_loses_the_season_is_told_and_importing_again_repairs_it(boat, ebbwatt):
    (boat / "ebbwatt.toml").write_text(CONFIG + "[log]\ngap_s = 5\n")
    season(boat / "a.csv")
    done = ebbwatt("import", "a.csv", cwd=boat, status=1)
    first, second = done.stdout.splitlines()[:2]
    assert first == "a.csv: NOTHING USABLE CAME IN"
    assert "readings come every 10 s, and with gap_s = 5 each step" in second
    done = ebbwatt("check", cwd=boat, status=1)
    assert "17,280 readings stand alone" in done.stdout
    (boat / "ebbwatt.toml").write_text(CONFIG)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "17,280 readings added" in done.stdout
    assert charge(boat) == pytest.approx(24 * 3600 * 8.0, rel=0.001)
    assert load_history(boat / "ebbwatt.db").readings.sum() == 17_280, "each counts once"
    assert "stand alone" not in ebbwatt("check", cwd=boat).stdout
    before = dump(boat / "ebbwatt.db")
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "0 readings added as 0 intervals, 17,280 already there" in done.stdout
    assert dump(boat / "ebbwatt.db") == before


def test_where_every_value_is_refused_that_is_said_first_with_what_to_set(boat, ebbwatt):
    rows = "".join(f"{T0 + k},13400,6800\n" for k in range(500))
    (boat / "a.csv").write_text("time,voltage_v,current_a\n" + rows)
    done = ebbwatt("import", "a.csv", cwd=boat, status=1)
    first, second, third = done.stdout.splitlines()[:3]
    assert first == "a.csv: NOTHING USABLE CAME IN"
    assert "500 of 500 values of" in second
    assert "they look like m" in second + third
    outcome = json.loads(ebbwatt("import", "--json", "a.csv", cwd=boat, status=1).stdout)
    assert outcome["files"][0]["usable"] is False


def test_where_a_third_of_the_rows_is_refused_the_reasons_stand_first(boat, ebbwatt):
    rows = "".join(f"{T0 + k},{'13,4' if k % 3 == 0 else '13.4'}\n" for k in range(600))
    (boat / "a.csv").write_text("time,voltage_v\n" + rows)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert done.stdout.splitlines()[0].startswith(
        "a.csv: 200 of 600 rows were refused: 200 x has 3 fields where the header has 2 (line 2)"
    )


def test_one_usable_file_among_several_is_enough(boat, ebbwatt):
    (boat / "a.csv").write_text("time,voltage_v\n")
    done = ebbwatt("import", "a.csv", cwd=boat, status=1)
    assert "a.csv: the file holds no row but its header" in done.stdout
    ebbwatt("import", "a.csv", season(boat / "b.csv", hours=1), cwd=boat)


def test_a_state_word_that_nobody_knows_is_kept_told_and_costs_no_reading(boat, ebbwatt):
    recording(boat / "a.csv", 0, 2_000)
    text = (boat / "a.csv").read_text().replace("running", "BULK\x1b[31m 3")
    (boat / "a.csv").write_text(text)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "2,000 readings added" in done.stdout
    assert r"'BULK\x1b[31m 3' (2,000 x)" in done.stdout
    assert charge(boat) == pytest.approx(expected_charge(0, 2_000), rel=1e-5)


def test_a_current_of_the_wrong_sign_is_no_question_of_its_unit(boat, ebbwatt):
    rows = "".join(f"{T0 + k},13.4,-{6 + k % 3}.8\n" for k in range(500))
    (boat / "a.csv").write_text("time,voltage_v,current_a\n" + rows)
    told = ebbwatt("import", "a.csv", cwd=boat).stdout
    assert "500 of 500 values of current_a were refused" in told
    assert "the wrong way round" in told
    assert "mA" not in told


def test_an_empty_log_is_called_empty_once(boat, ebbwatt):
    (boat / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n[fuel]\ncontainer_l = 10\n")
    (boat / "a.csv").write_text(f"time,voltage_v\n{T0},12.6\n")
    ebbwatt("import", "a.csv", cwd=boat)
    ebbwatt("import", "--undo", "1", cwd=boat)
    frame = " ".join(ebbwatt("watch", "--once", cwd=boat).stdout.split())
    assert frame.lower().count("the log is empty") == 1
    assert "0 whole days" not in frame
    checked = ebbwatt("check", "--log", cwd=boat).stdout
    assert "no run of the charger, so its inputs could not be checked" in checked
