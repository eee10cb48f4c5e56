"""A disk without room, or write-protected: the logger goes on and loses nothing committed."""

import os
import resource
import signal
import sqlite3
import subprocess
from contextlib import closing, contextmanager

import pytest

from analysis.history.history import load_history
from logger.config import ChargerConfig, load_config
from logger.errors import StoreUnwritableError
from logger.reading import OperatingState, Reading
from logger.recorder import Recorder
from logger.refusals import Refusals
from logger.store import shortage
from logger.store.events import list_events
from logger.store.files import prepare
from logger.store.raw import COLUMNS, PackedHour
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.boats.intervals import minute
from tests.support.missing import unable
from tests.support.rigs.live import live, wait_for

CONFIG = """\
[charger]
rated_w = 110

[store]
path = "{path}"
commit_s = 1
commit_rest_s = 1

[log]
interval_s = 0.1
longest_running_s = 1
longest_rest_s = 1

[source]
kind = "simulated"
seed = 7
"""


def told(folder, words):
    """Wait until the daemon's snapshot carries a notice with these words; return the snapshot."""

    def look():
        snapshot = live(folder)
        return snapshot if any(words in notice for notice in snapshot.notices) else None

    return wait_for(look)


@contextmanager
def small_disk(tmp_path):
    """Mount a file system of one megabyte; needs root."""
    if os.geteuid() != 0:
        unable("mounting a small file system needs root")
    folder = tmp_path / "disk"
    folder.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], check=False, capture_output=True
    )
    if done.returncode != 0:
        unable(f"cannot mount: {done.stderr.decode()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def fill(folder):
    with (folder / "filler").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError:
            return


def check_nothing_was_lost(daemon, path, stored_before, kind="store_full"):
    """End the daemon; everything it read is stored, and the shortage was told and counted once."""
    daemon.send_signal(signal.SIGTERM)
    _, said = daemon.communicate(timeout=200)
    assert daemon.returncode == 0, said
    assert said.count("Logging goes on in memory") == 1
    assert said.count("can be written again") == 1
    history = load_history(path)
    assert history.readings.sum() >= stored_before
    read = int(said.split("ended: ")[1].split(" readings")[0])
    assert history.readings.sum() == read, "held in memory, then written"
    (event,) = list_events(path)
    assert (event.kind, event.amount) == (kind, 0.0)


def test_a_full_disk_stops_nothing_and_loses_nothing(tmp_path, start_daemon):
    with small_disk(tmp_path) as disk:
        path = disk / "ebbwatt.db"
        (tmp_path / "ebbwatt.toml").write_text(CONFIG.format(path=path), encoding="utf-8")
        daemon = start_daemon(tmp_path)
        wait_for(lambda: path.exists() and live(disk).readings > 15)
        stored = load_history(path).readings.sum()
        fill(disk)
        wait_for(lambda: any("the disk is full" in n for n in live(disk).notices))
        assert load_history(path).readings.sum() >= stored, "what was committed is there"
        held = wait_for(lambda: (s := live(disk)).waiting_intervals >= 3 and s)
        assert daemon.poll() is None
        (disk / "filler").unlink()
        wait_for(lambda: live(disk).waiting_intervals < held.waiting_intervals)
        wait_for(lambda: any("written again" in n for n in live(disk).notices))
        check_nothing_was_lost(daemon, path, stored)


def test_raw_readings_that_had_to_go_are_counted_and_shown(tmp_path, ebbwatt):
    with small_disk(tmp_path) as disk:
        path, lines = disk / "ebbwatt.db", []
        text = f'[charger]\nrated_w = 110\n[store]\npath = "{path}"\nraw_hours = 1000\n'
        (tmp_path / "ebbwatt.toml").write_text(text, encoding="utf-8")
        config = load_config(tmp_path / "ebbwatt.toml")
        boot = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=2)
        now_s = 0.0
        with Writer(path, config.charger, boot, lines.append) as writer:
            recorder = Recorder(config, writer, Refusals(), lambda: now_s)

            def log(hours):
                nonlocal now_s
                for now_s in (3600.0 * hour + 1800.0 * half for hour in hours for half in (0, 1)):
                    recorder.take(Reading(now_s, 12.6, 0.0, OperatingState.STANDBY))
                    recorder.tick()

            log(range(1, 3))
            fill(disk)
            log(range(3, 103))
            assert writer.stuck
            (disk / "filler").unlink()
            log(range(103, 105))
        # Hours 3 to 102 waited, the newest 64 in memory; the last one is not over.
        with closing(sqlite3.connect(path)) as db:
            hours = [hour for (hour,) in db.execute("SELECT hour FROM raw ORDER BY id")]
        lost = sorted(set(range(1, 104)) - set(hours))
        assert len(lost) >= 100 - shortage.MOST_HOURS - 1
        assert lost == list(range(lost[0], lost[-1] + 1)), "the oldest of those that waited"
        assert hours[-1] == 103
        amounts = {event.kind: event.amount for event in list_events(path)}
        assert amounts == {"store_full": 0.0, "raw_dropped": 2.0 * len(lost)}
        assert f"0 intervals and {2 * len(lost)} raw readings lost" in lines[1]
        for command in (("report",), ("watch", "--once")):
            shown = " ".join(ebbwatt(*command, cwd=tmp_path).stdout.split())
            assert f"1 time without room for raw readings ({2 * len(lost)} of them lost)" in shown


def test_a_file_that_may_not_grow_is_the_same(tmp_path, start_daemon):
    # Without root: the kernel refuses to let any file of the daemon grow (RLIMIT_FSIZE).
    path = tmp_path / "ebbwatt.db"
    (tmp_path / "ebbwatt.toml").write_text(CONFIG.format(path=path), encoding="utf-8")
    daemon = start_daemon(tmp_path, measured=False)
    live(tmp_path, 15)
    stored = load_history(path).readings.sum()
    resource.prlimit(daemon.pid, resource.RLIMIT_FSIZE, (4096, resource.RLIM_INFINITY))
    told(tmp_path, "cannot be written")
    assert daemon.poll() is None
    resource.prlimit(
        daemon.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    )
    told(tmp_path, "written again")
    check_nothing_was_lost(daemon, path, stored, kind="store_unwritable")


@contextmanager
def protected(path, lines):
    """Give a live session's writer whose every write fails until the end; what it says is kept."""
    prepare(path)
    session = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=1)
    with Writer(path, ChargerConfig("x", 110.0), session, lines.append) as writer:
        writer._connection.execute("PRAGMA query_only = 1")
        yield writer
        writer._connection.execute("PRAGMA query_only = 0")
        writer.commit()
        assert writer.waiting == 0


def test_memory_is_bounded_and_what_had_to_go_is_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(shortage, "MOST_HELD", 10)
    path, lines = tmp_path / "ebbwatt.db", []
    with protected(path, lines) as writer:
        for k in range(25):
            writer.add(minute(60.0 * k))
            writer.commit()
            writer.add_event(60.0 * k, "gap", 1.0)
        assert writer.waiting == 10
    history = load_history(path)
    assert (history.start_s - 1.7e9).tolist() == [60.0 * k for k in range(15, 25)], "the newest"
    events = list_events(path)
    assert [e.amount for e in events if e.kind == "store_unwritable"] == [15.0]
    assert sum(e.kind == "gap" for e in events) == 25
    assert len(lines) == 2, lines
    assert "15 intervals lost" in lines[1]


def test_raw_readings_that_had_to_go_are_counted(tmp_path, monkeypatch):
    monkeypatch.setattr(shortage, "MOST_HOURS", 3)
    path, lines = tmp_path / "ebbwatt.db", []
    with protected(path, lines) as writer:
        for hour in range(5):
            writer.add_hour(PackedHour(10, hour, 100 + hour, (b"",) * len(COLUMNS)))
            writer.commit()
    with closing(sqlite3.connect(path)) as db:
        kept = db.execute("SELECT readings FROM raw ORDER BY hour").fetchall()
    assert kept == [(102,), (103,), (104,)], "the newest"
    assert "0 intervals and 201 raw readings lost" in lines[1]
    words = "after 0 min, 0 intervals and 201 raw readings lost"
    assert [(event.kind, event.amount, event.text) for event in list_events(path)] == [
        ("store_unwritable", 0.0, words),
        ("raw_dropped", 201.0, words),
    ]


def test_a_session_begins_later_if_there_is_no_room_at_the_start(tmp_path):
    path = tmp_path / "ebbwatt.db"
    prepare(path)
    with Writer(path, ChargerConfig("x", 110.0), SessionStart("port", 0.0, boot_id="a")):
        pass
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    session = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("logger.store.files.BUSY_TIMEOUT_S", 0.05)
        writer = Writer(path, ChargerConfig("x", 110.0), session)
        assert writer.session == 0
        writer.add(minute(0.0))
        writer.commit()
        assert writer.waiting == 1
        blocker.close()
        writer.commit()
        assert (writer.session, writer.waiting, writer.cut_before) == (2, 0, "power_cut")
        writer.close(60.0)
    assert len(load_history(path)) == 1


def test_a_broken_log_on_a_write_protected_disk_is_told_and_counted_later(tmp_path):
    boot = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=1)
    with small_disk(tmp_path) as disk:
        path, lines = disk / "ebbwatt.db", []
        prepare(path)
        path.with_name(path.name + "-wal").write_bytes(bytes(8000))
        subprocess.run(["mount", "-o", "remount,ro", disk], check=True)
        with Writer(path, ChargerConfig("x", 110.0), boot, lines.append) as writer:
            assert writer.stuck
            subprocess.run(["mount", "-o", "remount,rw", disk], check=True)
            writer.commit()
        assert "is damaged and cannot be set aside (Read-only file system)" in lines[0]
        assert [e.text for e in list_events(path) if e.kind == "store_damaged"] == lines[:1]


def test_a_recording_stops_with_an_error_instead(tmp_path):
    path = tmp_path / "ebbwatt.db"
    prepare(path)
    writer = Writer(path, ChargerConfig("x", 110.0), SessionStart("recording", 1.7e9))
    writer._connection.execute("PRAGMA query_only = 1")
    writer.add(minute(1.7e9))
    with pytest.raises(StoreUnwritableError, match="write-protected"):
        writer.commit()
    writer._connection.execute("PRAGMA query_only = 0")
    writer.close()
    assert len(load_history(path)) == 1, "it was kept, and goes in when it can"
