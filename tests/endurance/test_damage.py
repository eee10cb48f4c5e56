"""Damaged databases are set aside, what can be read is recovered, and logging goes on."""

import os
import random
import shutil
import signal
import sqlite3
from contextlib import closing
from datetime import date

import pytest

from analysis.history.history import load_history
from logger.config import ChargerConfig
from logger.errors import StoreDamagedError, StoreError
from logger.store.events import add_event, list_events
from logger.store.file_format.pages import looks_like_ours, rows
from logger.store.file_format.wal import commits_behind_a_broken_frame, log_header_is_sound
from logger.store.reader import Reader
from logger.store.records import SessionStart, keep_configuration
from logger.store.repair.salvage import salvage, whole_check
from logger.store.writer import Writer
from logger.system.snapshot import snapshot_path
from tests.support.configurations import AFT_LOCKER
from tests.support.intervals import minute
from tests.support.rigs.live import QUICK, live, wait_for

CHARGER = ChargerConfig("aft locker", 110.0, date(2021, 4, 18))
COUNT = 6000
CONFIG = QUICK.format(charger="fitted = 2021-04-18\n")


def interval(k, start_s=None):
    return minute(
        60.0 * k if start_s is None else start_s,
        charge_c=480.0 + k / 100,
        energy_j=6300.0 + k / 10,
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return a database of two ended sessions and an event, and its intervals by number."""
    path = tmp_path_factory.mktemp("whole") / "ebbwatt.db"
    for boot, first in (("a", 0), ("b", COUNT // 2)):
        start = SessionStart("port", 60.0 * first, boot_id=boot, offset_s=1.7e9, offset_quality=2)
        with Writer(path, CHARGER, start) as writer:
            for k in range(first, first + COUNT // 2):
                writer.add(interval(k))
                if k % 1500 == 0:
                    writer.commit()
            writer.commit()
            writer.close(60.0 * (first + COUNT // 2))
    add_event(path, "note", time_s=1.7e9, now_s=1.8e9, text="hose renewed")
    whole_check(path)
    return path, everything(path)


def everything(path):
    with closing(sqlite3.connect(path)) as db:
        return {row[0]: row[1:] for row in db.execute("SELECT * FROM intervals ORDER BY id")}


@pytest.fixture
def place(whole, tmp_path):
    path = tmp_path / "ebbwatt.db"
    shutil.copy(whole[0], path)
    (tmp_path / "ebbwatt.toml").write_text(CONFIG, encoding="utf-8")
    return path


def overwrite(path, at, data):
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def first_difference(sound, damaged):
    """Return the first byte that was damaged; in the middle of what is left of a shorter file."""
    pairs = enumerate(zip(sound, damaged, strict=False))
    return next((k for k, (a, b) in pairs if a != b), len(damaged) // 2)


def garble(path):
    size = path.stat().st_size
    overwrite(path, size // 2, random.Random(5).randbytes(40_000))


def truncate(path):
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size * 2 // 3 + 1000)


def zero_header(path):
    overwrite(path, 0, bytes(100))


def zero_first_pages(path):
    overwrite(path, 0, bytes(40_000))


def zero_middle(path):
    overwrite(path, path.stat().st_size // 2, bytes(40_000))


def zero_all(path):
    path.write_bytes(bytes(path.stat().st_size))


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
    _, said = daemon.communicate(timeout=60)
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


@pytest.mark.parametrize("garbage", [bytes(200_000), random.Random(3).randbytes(200_000)])
def test_a_log_full_of_garbage_is_set_aside_told_and_counted(place, whole, garbage):
    log = place.with_name(place.name + "-wal")
    log.write_bytes(garbage)
    lines = []
    with Writer(place, CHARGER, SessionStart("port", 0.0), lines.append) as writer:
        writer.add(interval(0, start_s=1.8e9))
    whole_check(place)
    stored = everything(place)
    assert {k: row for k, row in stored.items() if row[0] < 3} == whole[1]
    assert len(stored) == COUNT + 1
    (aside,) = place.parent.glob("*-wal.damaged-*")
    assert aside.read_bytes() == garbage
    (line,) = lines
    assert f"set aside as {aside.name}" in line
    assert [e.text for e in list_events(place) if e.kind == "store_damaged"] == [line]


def test_commits_behind_a_broken_header_are_missed_aloud(place, start_daemon, ebbwatt):
    daemon = start_daemon(place.parent)
    live(place.parent, 15)
    daemon.kill()
    daemon.wait()
    snapshot_path(place).unlink()
    overwrite(place.with_name(place.name + "-wal"), 4, b"broken")
    again = start_daemon(place.parent)
    live(place.parent, 15)
    again.send_signal(signal.SIGTERM)
    _, said = again.communicate(timeout=60)
    assert said.count("is damaged and set aside") == 1
    assert "1 damage to the database" in " ".join(
        ebbwatt("report", cwd=place.parent).stdout.split()
    )


@pytest.mark.parametrize("command", ["event", "import"])
def test_a_command_that_writes_first_tells_it_too(place, start_daemon, ebbwatt, command):
    daemon = start_daemon(place.parent)
    live(place.parent, 15)
    daemon.kill()
    daemon.wait()
    overwrite(place.with_name(place.name + "-wal"), 4, b"broken")
    (place.parent / "other.csv").write_text(
        "time,voltage_v,current_a\n1600000000,13.2,8\n1600000001,13.2,8\n", encoding="utf-8"
    )
    words = {"event": ("event", "add", "note", "--text", "hose"), "import": ("import", "other.csv")}
    done = ebbwatt(*words[command], cwd=place.parent)
    (aside,) = place.parent.glob("*-wal.damaged-*")
    assert f"set aside as {aside.name}" in done.stderr
    assert sum(e.kind == "store_damaged" for e in list_events(place)) == 1


def test_an_emptied_file_is_told_by_the_import_that_fills_it(tmp_path, ebbwatt):
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n", encoding="utf-8")
    (tmp_path / "ebbwatt.db").touch()
    (tmp_path / "log.csv").write_text(
        "time,voltage_v,current_a\n1600000000,13.2,8\n1600000001,13.2,8\n", encoding="utf-8"
    )
    assert "has no content" in ebbwatt("import", "log.csv", cwd=tmp_path).stderr
    (event,) = list_events(tmp_path / "ebbwatt.db")
    assert event.kind == "store_damaged"


def test_a_log_that_the_logger_still_writes_is_never_set_aside(place, start_daemon, ebbwatt):
    daemon = start_daemon(place.parent)
    first = live(place.parent, 15)
    overwrite(place.with_name(place.name + "-wal"), 4, b"broken")
    ebbwatt("event", "add", "note", "--text", "hose", cwd=place.parent)
    live(place.parent, first.readings + 15)
    daemon.send_signal(signal.SIGTERM)
    _, said = daemon.communicate(timeout=60)
    assert list(place.parent.glob("*damaged*")) == []
    read = int(said.split("ended: ")[1].split(" readings")[0])
    assert sum(row[4] for k, row in everything(place).items() if k > COUNT) == read
    assert [e.text for e in list_events(place) if e.kind == "note"] == ["hose renewed", "hose"]


FRAME = 24 + 4096
"""A frame of the log: header and page (SQLite file format, section 4.1)."""


@pytest.fixture
def cut_off(tmp_path):
    """Return a database as a power cut leaves it, and in the log beside it where commits end."""
    whole, path = tmp_path / "whole" / "ebbwatt.db", tmp_path / "ebbwatt.db"
    whole.parent.mkdir()
    log, ends = whole.with_name(whole.name + "-wal"), []
    with Writer(whole, CHARGER, SessionStart("port", 0.0, boot_id="a")) as writer:
        for k in range(20):
            writer.add(interval(k))
            writer.commit()
            ends.append(log.stat().st_size)
        shutil.copy(whole, path)
        shutil.copy(log, path.with_name(path.name + "-wal"))
    return path, ends


def test_commits_behind_a_broken_frame_are_missed_aloud(cut_off):
    path, ends = cut_off
    log = path.with_name(path.name + "-wal")
    overwrite(log, ends[5] + 1000, b"broken")
    damaged = log.read_bytes()
    assert commits_behind_a_broken_frame(log) == 14
    lines = []
    with Writer(path, CHARGER, SessionStart("port", 0.0, boot_id="b"), lines.append):
        pass
    assert len(everything(path)) == 6, "what SQLite still finds"
    (aside,) = path.parent.glob("*-wal.damaged-*")
    assert aside.read_bytes() == damaged
    (line,) = lines
    assert f"is damaged and set aside as {aside.name}" in line
    assert [e.text for e in list_events(path) if e.kind == "store_damaged"] == [line]


@pytest.mark.parametrize("commits", [19, 20])
def test_a_write_that_a_cut_tore_is_no_damage(cut_off, commits):
    # Its last commit alone was never acknowledged, whatever of it arrived on the disk.
    path, ends = cut_off
    log = path.with_name(path.name + "-wal")
    if commits == 20:
        with log.open("r+b") as file:
            file.truncate(ends[-1] - 1)
    else:
        overwrite(log, ends[-1] - FRAME + 24, b"torn")
        assert commits_behind_a_broken_frame(log) == 1
    lines = []
    with Writer(path, CHARGER, SessionStart("port", 0.0, boot_id="b"), lines.append):
        pass
    assert lines == []
    assert len(everything(path)) == 19
    assert list(path.parent.glob("*damaged*")) == []


def test_a_sound_log_is_not_touched(place):
    with Writer(place, CHARGER, SessionStart("port", 0.0)) as writer:
        writer.add(interval(0, start_s=1.8e9))
        writer.commit()
        log = place.with_name(place.name + "-wal")
        assert log.stat().st_size > 4096
        assert log_header_is_sound(log)
        lines = []
        with Writer(place, CHARGER, SessionStart("other", 0.0), lines.append):
            pass
        assert lines == []
    assert list(place.parent.glob("*damaged*")) == []


def test_a_file_without_a_byte_begins_anew_aloud(tmp_path):
    path = tmp_path / "ebbwatt.db"
    path.touch()
    lines = []
    with Writer(path, CHARGER, SessionStart("port", 0.0, boot_id="a"), lines.append):
        pass
    (line,) = lines
    assert "has no content" in line
    assert [e.text for e in list_events(path)] == [line]


def test_random_damage_never_invents_a_row(place, whole):
    rng = random.Random(11)
    data = place.read_bytes()
    for _ in range(15):
        at, length = rng.randrange(len(data) - 5000), rng.randrange(1, 5000)
        place.write_bytes(data[:at] + rng.randbytes(length) + data[at + length :])
        wrong = [
            row
            for table, row, values in rows(place)
            if table == "intervals" and values != whole[1].get(row)
        ]
        # A row whose bytes were hit may still look like one; no more than the one at each edge.
        assert len(wrong) <= 2


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
    assert "log       whole" in ebbwatt("check", cwd=place.parent).stdout
    zero_middle(place)
    assert "is damaged" in ebbwatt("check", cwd=place.parent, status=1).stderr
    done = ebbwatt("check", "--mend", cwd=place.parent)
    assert "intervals were recovered" in done.stdout
    assert "log       whole" in ebbwatt("check", "--mend", cwd=place.parent).stdout
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


# --- whatever happens to the bytes ---------------------------------------------------------------

#: Damages tried in the suite; EBBWATT_DAMAGES=10000 for a longer run by hand.
DAMAGES = int(os.environ.get("EBBWATT_DAMAGES", "60"))


def hurt(data, rng):  # noqa: C901 - one branch a way
    """Damage a database in one of the ways in which files are damaged; return the way."""
    way = rng.choice(("bytes", "bits", "pages", "cut", "swapped", "header", "left out"))
    page = range(0, len(data) - 4095, 4096)
    if way == "bytes":
        for _ in range(rng.randint(1, 30)):
            at, count = rng.randrange(len(data)), rng.choice((1, 2, 8, 100, 5000))
            data[at : at + count] = rng.randbytes(len(data[at : at + count]))
    elif way == "bits":
        for _ in range(rng.randint(1, 200)):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif way == "pages":
        for _ in range(rng.randint(1, 20)):
            at = rng.choice(page)
            kind = rng.choice((b"\x00", b"\x05", b"\x0d"))
            data[at : at + 4096] = rng.choice((bytes(4096), kind + rng.randbytes(4095)))
    elif way == "cut":
        del data[rng.randrange(1, len(data)) :]
    elif way == "swapped":
        for _ in range(rng.randint(1, 10)):
            a, b = rng.choice(page), rng.choice(page)
            data[a : a + 4096], data[b : b + 4096] = data[b : b + 4096], data[a : a + 4096]
    elif way == "header":
        data[:100] = rng.choice((bytes(100), rng.randbytes(100)))
    else:
        at = rng.randrange(len(data))
        del data[at : at + rng.randrange(1, 40_000)]
    return way


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_no_damage_ends_in_an_exception_an_invented_row_or_a_loss_untold(
    whole, tmp_path, empty_store, monkeypatch
):
    # Preparing takes a child process, and synchronising a disk: neither is what is tried here.
    module = "logger.store.repair.salvage"
    monkeypatch.setattr(f"{module}.prepare", lambda path: path.write_bytes(empty_store))
    monkeypatch.setattr(f"{module}.synchronise", lambda _: None)
    with closing(sqlite3.connect(whole[0])) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    sound, truth = whole[0].read_bytes(), whole[1]
    for seed in range(DAMAGES):
        data = bytearray(sound)
        way = hurt(data, random.Random(seed))
        for old in tmp_path.iterdir():
            old.unlink()
        path = tmp_path / "ebbwatt.db"
        path.write_bytes(data)
        if not looks_like_ours(path):
            with pytest.raises(StoreError, match="is not an Ebbwatt database"):
                salvage(path, CHARGER)
            assert path.read_bytes() == data, "a file that is not ours is left alone"
            continue
        done = salvage(path, CHARGER)
        kept = everything(path)
        assert kept.keys() <= truth.keys(), (seed, way, "a number that was never written")
        assert done.intervals == len(kept)
        # Which rows stood on the last page only that page tells: at most some hundred.
        assert done.lost >= len(truth) - len(kept) - 200, (seed, way)
        # Rows carry no checksum, so one whose own bytes were overwritten or moved may come back
        # changed; where whole pages were lost, none may.
        if way in {"pages", "cut", "swapped", "header"}:
            assert all(truth[number] == row for number, row in kept.items()), (seed, way)


def test_of_a_file_cut_to_a_quarter_the_loss_is_told_with_its_dates(whole, tmp_path):
    with closing(sqlite3.connect(whole[0])) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = whole[0].read_bytes()
    path = tmp_path / "ebbwatt.db"
    path.write_bytes(data[: len(data) // 4])
    done = salvage(path, CHARGER)
    kept = len(everything(path))
    assert kept + done.lost == pytest.approx(COUNT, rel=0.05)
    assert done.lost_from_s == pytest.approx(1.7e9 + 60.0 * kept, abs=120.0)
    assert done.lost_to_s is None
    assert f"about {done.lost} are lost from 2023-11-1" in str(done)
