"""Export: exact, streaming, safe to open in a spreadsheet, and import takes it back."""

import csv
import gzip
import io
import json
import random
import sqlite3
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.history.history import load_history
from analysis.transfer.export import FIELDS, INTERVAL_COLUMNS, export, format_of, iso_time
from logger.config import ChargerConfig
from logger.errors import UsageError
from logger.store.events import add_event
from logger.store.reader import COLUMNS, Reader
from logger.store.records import SessionStart, write_import
from tests.support.configurations import AFT_LOCKER
from tests.support.empty import put_empty

CHARGER = ChargerConfig("aft locker", 110.0)
TOML = AFT_LOCKER + '[store]\npath = "{}"\n'
START_MS = 1_700_000_000_123


@pytest.fixture
def boat(tmp_path):
    """Return a boat's folder; the log holds known and placed intervals, some values absent."""
    (tmp_path / "ebbwatt.toml").write_text(TOML.format("ebbwatt.db"))
    (tmp_path / "other.toml").write_text(TOML.format("other.db"))
    rng = random.Random(5)
    rows = []
    for k in range(500):
        values = [rng.choice((None, rng.randint(-(10**7), 10**8))) for _ in range(10)]
        rows.append((START_MS + 60_000 * k, 60_000, rng.randrange(9), 60, *values))
    path = tmp_path / "ebbwatt.db"
    put_empty(path)
    write_import(path, CHARGER, SessionStart("test", START_MS / 1000.0), rows[:400])
    lost = SessionStart("test", 5.0, boot_id="b1", offset_quality=0)
    write_import(path, CHARGER, lost, [(r[0] - START_MS, *r[1:]) for r in rows[400:]])
    return tmp_path


def stored(path):
    """Return the rows of a log in UTC, and whether their time is known."""
    with sqlite3.connect(path) as db:
        names = ", ".join(COLUMNS[1:-1])
        return db.execute(
            f"SELECT start_ms + offset_ms, {names}, offset_quality > 0 FROM intervals "
            "JOIN sessions ON sessions.id = session ORDER BY intervals.id"
        ).fetchall()


@pytest.mark.parametrize("name", ["out.csv", "out.jsonl", "out.csv.gz", "out.jsonl.gz"])
def test_what_is_exported_comes_back_exactly_and_only_once(boat, ebbwatt, name):
    done = ebbwatt("export", name, cwd=boat)
    assert done.stderr == f"500 intervals written to {name}\n"
    done = ebbwatt("import", name, "--config", "other.toml", cwd=boat)
    assert "as 500 intervals, 0 already there" in done.stdout, done.stderr
    assert stored(boat / "other.db") == stored(boat / "ebbwatt.db")
    done = ebbwatt("import", name, "--config", "other.toml", cwd=boat)
    assert "0 readings added as 0 intervals, 500 already there" in done.stdout
    assert stored(boat / "other.db") == stored(boat / "ebbwatt.db")


def test_parquet_holds_the_same_values(boat, ebbwatt):
    from pyarrow import parquet

    ebbwatt("export", "out.parquet", cwd=boat)
    table = parquet.read_table(boat / "out.parquet")
    history = load_history(boat / "ebbwatt.db")
    assert table.column_names == list(INTERVAL_COLUMNS)
    assert table.num_rows == 500
    for name in ("charge_c", "energy_j", "voltage_mean_v"):
        seen = sorted(v for v in table[name].to_pylist() if v is not None)
        column = getattr(history, name)
        assert seen == sorted(column[np.isfinite(column)].tolist())


def test_standard_output_and_exact_decimals(boat, ebbwatt):
    done = ebbwatt("export", "-", cwd=boat)
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    first = stored(boat / "ebbwatt.db")[0]
    assert rows[0]["start"] == "2023-11-14T22:13:20.123Z"
    for field, value in zip(FIELDS, first[1:], strict=False):
        if field.places and field.name != "runtime_h":
            text = rows[0][field.name]
            assert (
                text == ""
                if value is None
                else text.replace(".", "").lstrip("-0") == str(abs(value)).lstrip("0")
            )
    lines = ebbwatt("export", "-", "--format", "jsonl", cwd=boat).stdout.splitlines()
    assert len(lines) == len(rows) == 500
    assert json.loads(lines[0])["duration_s"] == 60.0
    assert {row["clock"] for row in rows} == {"known", "estimated"}


@given(st.text())
def test_no_text_is_a_formula_and_each_can_be_read_back(text):
    """Cells that begin with = + - @ tab or CR: OWASP, CSV Injection (from memory)."""
    from analysis.transfer.export import write_rows

    file = io.StringIO(newline="")
    write_rows(file, "csv", ("text", "amount"), [(text, -1.5)])
    file.seek(0)
    _, (cell, amount) = csv.reader(file)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert cell.removeprefix("'") == text
    assert amount == "-1.5", "a number is no formula"
    file = io.StringIO()
    write_rows(file, "jsonl", ("text",), [(text,)])
    assert json.loads(file.getvalue())["text"] == text


def test_events_are_exported_with_their_texts(boat, ebbwatt):
    db, now = boat / "ebbwatt.db", 1.8e9
    add_event(db, "note", time_s=1.7e9, now_s=now, text="=cmd|' /C calc'!A0")
    add_event(db, "fuel", time_s=1.7e9, now_s=now, amount=10.0)
    ebbwatt("export", "events.csv", "--events", cwd=boat)
    with (boat / "events.csv").open(newline="") as file:
        note, fuel = csv.DictReader(file)
    assert note["text"] == "'=cmd|' /C calc'!A0"
    assert (fuel["kind"], fuel["amount"], fuel["struck"]) == ("fuel", "10.0", "no")


def test_wrong_use_is_told_and_nothing_is_overwritten(boat, ebbwatt):
    (boat / "there.csv").write_text("mine")
    done = ebbwatt("export", "there.csv", cwd=boat, status=2)
    assert (boat / "there.csv").read_text() == "mine"
    assert "there.csv: exists already; name another file or add --replace" in done.stderr
    ebbwatt("export", "there.csv", "--replace", cwd=boat, status=2)
    assert (boat / "there.csv").read_text() == "mine"
    ebbwatt("export", "new.csv", cwd=boat)
    ebbwatt("export", "new.csv", cwd=boat, status=2)
    ebbwatt("export", "new.csv", "--replace", cwd=boat)
    done = ebbwatt("export", "log.xls", cwd=boat, status=2)
    assert "log.xls: its name does not say the format; end it with .csv, .jsonl" in done.stderr
    done = ebbwatt("export", "none/log.csv", cwd=boat, status=2)
    assert "none does not exist; create it first" in done.stderr
    for name, told in ((None, "parquet"), ("a.parquet.gz", None)):
        with pytest.raises(UsageError, match="Parquet compresses by itself"):
            format_of(None if name is None else boat / name, told)


def test_a_full_disk_leaves_no_half_file(boat):
    """RLIMIT_FSIZE stands in for the disk: the write fails in the middle of the file."""
    import resource

    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, usual[1]))
    try:
        with pytest.raises(Exception, match=r"out.csv: cannot be written: File too large"):
            export(
                boat / "out.csv",
                "csv",
                ("n",),
                ((k,) for k in range(10_000)),
                replace=False,
                keep={},
            )
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
    assert not [p.name for p in boat.iterdir() if "out.csv" in p.name]


def test_bad_rows_of_an_exported_file_are_refused_with_line_and_reason(boat, ebbwatt):
    ebbwatt("export", "out.csv", cwd=boat)
    lines = (boat / "out.csv").read_text().splitlines()
    cells = lines[2].split(",")
    lines[2] = ",".join([cells[0], "-3", *cells[2:]])
    lines[3] = lines[3].replace(lines[3].split(",")[2], "flying", 1)
    lines[4] = "soon," + lines[4].split(",", 1)[1]
    with gzip.open(boat / "bad.csv.gz", "wt") as file:
        file.write("\n".join(lines))
    done = ebbwatt("import", "bad.csv.gz", "--config", "other.toml", cwd=boat)
    assert "as 497 intervals" in done.stdout
    assert "line 3: row refused: duration_s is missing or not between" in done.stdout
    assert "line 4: row refused: state 'flying' is not one of off" in done.stdout
    assert "line 5: row refused: time 'soon' is neither" in done.stdout


def test_times_are_told_to_the_millisecond():
    assert iso_time(-1) == "1969-12-31T23:59:59.999Z"
    for time_ms in (0, 1_700_000_000_001, 4_102_444_800_999):
        moment = datetime.fromisoformat(iso_time(time_ms))
        assert round(moment.timestamp() * 1000.0) == time_ms
    assert iso_time(10**16) == "10000000000000.000"


def test_memory_does_not_grow_with_the_log(boat):
    """Rows pass one by one: the second is asked for after the first was written."""
    asked = []

    def rows():
        for k in range(3):
            asked.append(k)
            yield (k,)

    with Reader(boat / "ebbwatt.db") as reader:
        from analysis.transfer.export import interval_rows

        found = interval_rows(reader, 1)
        assert next(found)[0] == "2023-11-14T22:13:20.123Z"
        found.close()
    assert export(boat / "n.csv", "csv", ("n",), rows(), replace=False, keep={}) == 3
    assert asked == [0, 1, 2]
