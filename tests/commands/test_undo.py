"""``import --undo``: one import goes as a whole; a log with impossible dates can be read."""

import contextlib
import re
import sqlite3
import time

import pytest

from analysis.history.history import load_history
from logger.config import ChargerConfig
from logger.store.records import SessionStart, interval_row, write_import
from logger.store.repair.salvage import salvage
from logger.store.writer import Writer
from tests.support.bad_files import T0, table
from tests.support.boats.intervals import minute
from tests.support.configurations import AFT_LOCKER

CONFIG = AFT_LOCKER + "[fuel]\n"
CHARGER = ChargerConfig("aft locker", 110.0)
#: 9999-12-31T23:59:59-14:00 and 0001-01-01T00:00:00+14:00, as earlier versions took them.
BEYOND_S, BEFORE_S = 253402351199.0, -62135647200.0


@pytest.fixture
def boat(tmp_path, empty_store):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    (tmp_path / "ebbwatt.db").write_bytes(empty_store)
    return tmp_path


def rows(path, statement="SELECT * FROM intervals ORDER BY id"):
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(statement).fetchall()


def impossible(path, count=40):
    """Write what an earlier version made of rows with such dates."""
    made = [
        interval_row(minute(at_s + 60.0 * k))
        for at_s in (BEFORE_S, 1e11, BEYOND_S)
        for k in range(count)
    ]
    session = SessionStart("import odd.csv", BEFORE_S, digest="odd", version="0.1")
    notes = [(BEYOND_S, "refused", 99.0, "odd.csv: 99 rows or values")]
    write_import(path, CHARGER, session, made, notes)


def test_an_import_is_taken_back_as_a_whole_and_nothing_else(boat, ebbwatt):
    with Writer(boat / "ebbwatt.db", CHARGER, SessionStart("test", T0 - 9e5, "boot")) as writer:
        for k in range(30):
            writer.add(minute(60.0 * k))
    live = rows(boat / "ebbwatt.db")
    (boat / "a.csv").write_text(table(4_000) + "x\n")
    (boat / "b.csv").write_text(table(300, begin=9_000))
    ebbwatt("import", "a.csv", "b.csv", cwd=boat)
    both = load_history(boat / "ebbwatt.db").readings.sum()
    listed = ebbwatt("import", "--undo", cwd=boat).stdout.splitlines()
    assert [line.split()[:2] for line in listed[:-1]] == [["2", "a.csv"], ["3", "b.csv"]]
    assert "2025-06-15 15:06 UTC to 2025-06-15 16:13 UTC" in listed[0]
    for odd in ("1", "4", "99"):
        assert "there is no import" in ebbwatt("import", "--undo", odd, cwd=boat, status=2).stderr
    ebbwatt("import", "--undo", "2", cwd=boat)
    history = load_history(boat / "ebbwatt.db")
    assert history.readings.sum() == both - 4_000
    assert rows(boat / "ebbwatt.db")[: len(live)] == live
    assert rows(boat / "ebbwatt.db", "PRAGMA integrity_check") == [("ok",)]
    (event,) = history.events
    assert (event.kind, event.text) == ("import_undone", "a.csv")
    # Once more, and the file can come again, whole.
    ebbwatt("import", "--undo", "2", cwd=boat, status=2)
    assert "4,000 readings added" in ebbwatt("import", "a.csv", cwd=boat).stdout
    assert load_history(boat / "ebbwatt.db").readings.sum() == both


def test_what_was_taken_back_is_not_told_as_lost_when_the_file_is_mended(boat, ebbwatt):
    (boat / "a.csv").write_text(table(20_000))
    (boat / "b.csv").write_text(table(20_000, begin=50_000))
    ebbwatt("import", "a.csv", cwd=boat)
    ebbwatt("import", "b.csv", cwd=boat)
    ebbwatt("import", "--undo", "1", cwd=boat)
    left = rows(boat / "ebbwatt.db")
    assert left[0][0] > 100, "numbers before it are free"
    mended = salvage(boat / "ebbwatt.db", CHARGER)
    assert (mended.intervals, mended.lost) == (len(left), 0)
    assert rows(boat / "ebbwatt.db") == left


def test_a_merged_database_is_taken_back_with_its_fitting(boat, tmp_path, ebbwatt, empty_store):
    other = tmp_path / "other.db"
    other.write_bytes(empty_store)
    with Writer(other, ChargerConfig("bow", 50.0), SessionStart("test", T0, "boot")) as writer:
        writer.add(minute(60.0))
    (boat / "a.csv").write_text(table())
    ebbwatt("import", "a.csv", cwd=boat)
    before = rows(boat / "ebbwatt.db")
    ebbwatt("import", other, cwd=boat)
    assert len(rows(boat / "ebbwatt.db", "SELECT * FROM fittings")) == 2
    number = ebbwatt("import", "--undo", cwd=boat).stdout.splitlines()[1].split()[0]
    ebbwatt("import", "--undo", number, cwd=boat)
    assert rows(boat / "ebbwatt.db") == before
    assert rows(boat / "ebbwatt.db", "SELECT label FROM fittings") == [("aft locker",)]


@pytest.mark.parametrize("beside", [True, False], ids=["beside a log", "alone"])
def test_a_log_with_impossible_dates_can_be_read_and_cleaned(boat, ebbwatt, beside):
    if beside:
        (boat / "a.csv").write_text(table(900))
        ebbwatt("import", "a.csv", cwd=boat)
    sound = rows(boat / "ebbwatt.db")
    impossible(boat / "ebbwatt.db")
    days = int((time.time() - T0 - 899.0) / 86400.0)
    for command in (
        ["report", "--html", "page.html"], ["report", "--json", "a.json"], ["report"], ["load"],
        ["event", "list"], ["event", "list", "--json"], ["watch", "--once"], ["fitting"], ["fuel"],
        ["export", "a.jsonl"], ["export", "--format", "parquet", "a.parquet"], ["check"],
    ):  # fmt: skip
        said = ebbwatt(*command, cwd=boat).stdout
        # The log is as old as its sound part, if it has one: neither of today nor of another age.
        assert not re.search(r"\b\d+ (?:s|min|h) (?:ago|old)\b", said), said
        assert not re.search(r"\b(?:9999|5138|1138|0001)-", said), said
        if command[0] == "watch":
            assert (f"log ended {days} d ago" if beside else "NO LOG YET") in said
    # An export leaves nothing out.
    assert len((boat / "a.jsonl").read_text().splitlines()) == len(sound) + 120
    assert "(impossible date)" in ebbwatt("event", "list", cwd=boat).stdout
    told = ebbwatt("check", "--log", cwd=boat, status=1).stdout
    assert "120 intervals lie before the year 2000" in " ".join(told.split())
    listed = ebbwatt("import", "--undo", cwd=boat).stdout
    (line,) = [line for line in listed.splitlines() if "odd.csv" in line]
    assert "(impossible date)" in line
    ebbwatt("import", "--undo", line.split()[0], cwd=boat)
    assert rows(boat / "ebbwatt.db") == sound
    assert "(impossible date)" not in ebbwatt("event", "list", cwd=boat).stdout
    if beside:
        assert "lie before" not in ebbwatt("check", "--log", cwd=boat).stdout
