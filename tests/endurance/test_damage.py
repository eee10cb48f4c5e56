"""Damaged databases are set aside, what can be read is recovered, and logging goes on."""

import shutil
import signal
import sqlite3
from contextlib import closing

import pytest

from analysis.history.history import load_history
from logger.errors import StoreDamagedError, StoreError
from logger.store.events import list_events
from logger.store.file_format.pages import rows
from logger.store.reader import Reader
from logger.store.records import SessionStart, keep_configuration
from logger.store.repair.salvage import salvage, whole_check
from logger.store.writer import Writer
from tests.support.configurations import AFT_LOCKER
from tests.support.rigs.damage import (
    CHARGER,
    COUNT,
    everything,
    first_difference,
    garble,
    interval,
    overwrite,
    truncate,
    zero_all,
    zero_first_pages,
    zero_header,
    zero_middle,
)
from tests.support.rigs.live import live, wait_for


@pytest.mark.parametrize(
    ("damage", "least"),
    [
        (garble, 0.85),
        (truncate, 0.5),
        (zero_header, 1.0),
        (zero_first_pages, 0.85),
        (zero_middle, 0.85),
        (zero_all, 0.0),
    ],
)
def test_the_logger_mends_a_damaged_file_and_logs_on(
    whole, place, start_daemon, ebbwatt, damage, least
):
    sound = place.read_bytes()
    damage(place)
    damaged = place.read_bytes()
    daemon = start_daemon(place.parent)
    snapshot = wait_for(
        lambda: (s := live(place.parent)) and any("recovered" in n for n in s.notices) and s
    )
    # What is read while it is mended, and afterwards, is stored.
    live(place.parent, snapshot.readings + 15)
    daemon.send_signal(signal.SIGTERM)
    _, said = daemon.communicate(timeout=200)
    assert daemon.returncode == 0, said
    assert said.count("will be set aside; logging") == 1
    (aside,) = place.parent.glob("*.damaged-*Z")
    # What was wrong with it is kept for whoever wants to look (other pages may be newer).
    at = first_difference(sound, damaged)
    assert aside.read_bytes()[at : at + 16] == damaged[at : at + 16]
    whole_check(place)
    stored = everything(place)
    kept = {k: row for k, row in stored.items() if row == whole[1].get(k)}
    assert len(kept) >= least * COUNT
    new = [row for k, row in stored.items() if k not in kept]
    read = int(said.split("ended: ")[1].split(" readings")[0])
    assert sum(row[4] for row in new) == read, "logging went on, in memory while it was mended"
    assert len(stored) == len(kept) + len(new), "nothing invented, nothing twice"
    (event,) = [e for e in list_events(place) if e.kind == "store_damaged"]
    # How many are missing at the end of a file cannot be known.
    if damage not in {truncate, zero_all}:
        assert event.amount == COUNT - len(kept)
    history = load_history(place)
    assert len(history) == len(stored), "both are analysed as one"
    told = " ".join(ebbwatt("report", cwd=place.parent).stdout.split())
    assert "A part of the log is lost" in told or "1 damage to the database" in told
    if event.amount > 0.001 * len(stored):
        assert told.index("A part of the log is lost") < told.index("output"), "it comes first"


def test_the_newest_rows_are_read_from_the_log_beside_a_damaged_file(place, whole, tmp_path):
    # The WAL holds what no checkpoint has brought into the file yet.
    with closing(sqlite3.connect(place)) as keeper:
        keeper.execute("SELECT count(*) FROM events").fetchone()
        start = SessionStart("port", 0.0, offset_quality=2)
        with Writer(place, CHARGER, start) as writer:
            for k in range(100):
                writer.add(interval(k, start_s=1.8e9 + 60.0 * k))
        copy = tmp_path / "copy" / "ebbwatt.db"
        copy.parent.mkdir()
        for end in ("", "-wal"):
            shutil.copy(f"{place}{end}", f"{copy}{end}")
    sqlite_says = everything(place)
    overwrite(copy, 0, bytes(40_000))
    read = {row: values for table, row, values in rows(copy) if table == "intervals"}
    newest = {k: row for k, row in sqlite_says.items() if row[0] == 3}
    assert len(newest) == 100
    assert {k: read[k] for k in newest} == newest
    assert all(row == sqlite_says[k] for k, row in read.items()), "as SQLite reads them"


def test_own_reading_agrees_with_sqlite(place):
    read = {row: values for table, row, values in rows(place) if table == "intervals"}
    assert read == everything(place)
    tables = [table for table, _, _ in rows(place)]
    assert tables.count("sessions") == 2
    assert tables.count("fittings") == 1
    assert tables.count("events") == 1
    assert tables.count("about") == 1


def test_reading_a_damaged_log_says_what_to_do(place, ebbwatt):
    zero_first_pages(place)
    done = ebbwatt("report", cwd=place.parent, status=1)
    assert "is damaged; start 'ebbwatt log', or run 'ebbwatt check --mend'" in done.stderr


def test_the_whole_check_finds_damage_in_the_middle(place):
    zero_middle(place)
    with pytest.raises(StoreDamagedError, match="is damaged"):
        whole_check(place)


def test_an_emptied_file_is_told_by_the_import_that_fills_it(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    (tmp_path / "ebbwatt.db").touch()
    (tmp_path / "log.csv").write_text(
        "time,voltage_v,current_a\n1600000000,13.2,8\n1600000001,13.2,8\n", encoding="utf-8"
    )
    assert "has no content" in ebbwatt("import", "log.csv", cwd=tmp_path).stderr
    (event,) = list_events(tmp_path / "ebbwatt.db")
    assert event.kind == "store_damaged"


def test_a_file_without_a_byte_begins_anew_aloud(tmp_path):
    path = tmp_path / "ebbwatt.db"
    path.touch()
    lines = []
    with Writer(path, CHARGER, SessionStart("port", 0.0, boot_id="a"), lines.append):
        pass
    (line,) = lines
    assert "has no content" in line
    assert [e.text for e in list_events(path)] == [line]


def test_rows_that_stand_in_a_block_as_well_are_not_lost(place, whole):
    # The pages of the first rows, which the first block (4096 rows) holds a second time.
    with closing(sqlite3.connect(place)) as db:
        (packed,) = db.execute("SELECT last_id FROM blocks").fetchone()
    data = place.read_bytes()
    leaves = [
        at
        for at in range(40_960, len(data), 4096)
        if data[at] == 0x0D and int.from_bytes(data[at + 3 : at + 5], "big") > 40
    ]
    for at in leaves[2:6]:
        overwrite(place, at, bytes(4096))
    from_pages = {row for table, row, _ in rows(place) if table == "intervals"}
    gone = set(range(1, COUNT + 1)) - from_pages
    assert len(gone) > 100
    assert max(gone) <= packed
    salvaged = salvage(place, CHARGER)
    assert (salvaged.intervals, salvaged.lost) == (COUNT, 0)
    assert everything(place) == whole[1]


def test_the_configuration_of_each_fitting_is_mended_with_the_log(place):
    keep_configuration(place, CHARGER, '{"charger": {"serial": "OLD-1"}}')
    zero_middle(place)
    salvage(place, CHARGER)
    with Reader(place) as reader:
        told = {fitting.id: reader.configuration(fitting.id) for fitting in reader.fittings()}
    assert '{"charger": {"serial": "OLD-1"}}' in told.values()


def test_without_a_logger_the_check_mends_it(place, whole, ebbwatt):
    (place.parent / "ebbwatt.toml").write_text(AFT_LOCKER, encoding="utf-8")
    assert "log       no damage found" in ebbwatt("check", cwd=place.parent).stdout
    zero_middle(place)
    assert "is damaged" in ebbwatt("check", cwd=place.parent, status=1).stderr
    done = ebbwatt("check", "--mend", cwd=place.parent)
    assert "intervals were recovered" in done.stdout
    assert "log       no damage found" in ebbwatt("check", "--mend", cwd=place.parent).stdout
    assert everything(place).items() <= whole[1].items()


def test_a_running_logger_is_never_mended_from_outside(place, start_daemon, ebbwatt):
    daemon = start_daemon(place.parent)
    live(place.parent)
    zero_middle(place)
    done = ebbwatt("check", "--mend", cwd=place.parent, status=1)
    assert "the logger is running: restart it" in done.stderr
    daemon.kill()


def test_a_foreign_file_is_never_mended(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_bytes(b"not a database at all " * 1000)
    with pytest.raises(StoreError, match="not an Ebbwatt database"):
        Writer(path, CHARGER, SessionStart("port", 0.0, boot_id="a"))
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]
