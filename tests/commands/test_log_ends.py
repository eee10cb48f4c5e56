"""The logger loses nothing by a signal, a second logger, or a database taken from under it."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing, contextmanager

import pytest

from analysis.history.history import load_history
from logger.config import ChargerConfig
from logger.errors import StoreError
from logger.store.backup import backup
from logger.store.events import list_events
from logger.store.lock import StoreLock
from logger.store.records import SessionStart
from logger.store.writer import Writer
from logger.system.snapshot import read_snapshot, snapshot_path
from tests.support.rigs.devices.pty_line import SpokenLine
from tests.support.rigs.live import live, wait_for

pytestmark = pytest.mark.waits

#: A charger at rest: nothing is committed for twenty minutes, the setting that ships.
CONFIG = """\
[charger]
label = "aft locker"
rated_w = 110
[store]
commit_s = {commit_s}
commit_rest_s = {rest_s}
[log]
interval_s = 0.1
longest_rest_s = 1
[source]
kind = "serial"
port = "charger"
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
state = "MODE"
[source.states]
OFF = "off"
"""
SPEAKS = """\
import os, sys, time
while True:
    os.write(int(sys.argv[1]), b"U=12.7 I=0.0 MODE=OFF\\r\\n")
    time.sleep(0.05)
"""


@pytest.fixture
def rest(tmp_path):
    """Return a folder with a charger at rest on its line."""
    (tmp_path / "ebbwatt.toml").write_text(CONFIG.format(commit_s=60, rest_s=1200))
    line = SpokenLine(tmp_path / "charger", SPEAKS)
    yield tmp_path
    line.unplug()


def stored(folder, name="ebbwatt.db"):
    with closing(sqlite3.connect(folder / name)) as db:
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'intervals'").fetchone():
            return 0  # it is only just being made
        return db.execute("SELECT coalesce(sum(readings), 0) FROM intervals").fetchone()[0]


def hurry(folder):
    """Have the charger's rest committed each second."""
    (folder / "ebbwatt.toml").write_text(CONFIG.format(commit_s=1, rest_s=1))


def ended(daemon, status=0):
    said = daemon.communicate(timeout=200)[1]
    assert daemon.returncode == status, said
    assert "Traceback" not in said
    return said


@pytest.mark.parametrize("name", ["TERM", "INT", "HUP", "QUIT", "PWR", "XCPU"])
def test_an_ending_signal_writes_the_log_to_its_end(rest, start_daemon, name):
    daemon = start_daemon(rest)
    snapshot = live(rest, 60)
    assert stored(rest) < snapshot.readings, "not committed"
    daemon.send_signal(getattr(signal, f"SIG{name}"))
    ended(daemon)
    assert stored(rest) >= snapshot.readings
    with closing(sqlite3.connect(rest / "ebbwatt.db")) as db:
        assert db.execute("SELECT ended_ms IS NOT NULL FROM sessions").fetchall() == [(1,)]
    assert not (rest / "ebbwatt.db.lock").exists()


def test_other_signals_do_nothing(rest, start_daemon):
    daemon = start_daemon(rest)
    readings = live(rest, 20).readings
    for number in (
        "USR1", "USR2", "ALRM", "VTALRM", "PROF", "IO", "STKFLT", "RTMIN", "RTMAX", "PIPE", "WINCH",
    ):  # fmt: skip
        daemon.send_signal(getattr(signal, f"SIG{number}"))
        readings = live(rest, readings).readings
    daemon.send_signal(signal.SIGTERM)
    ended(daemon)
    assert stored(rest) >= readings


def test_a_hangup_that_nohup_ignores_stays_ignored(rest, child_env):
    daemon = subprocess.Popen(
        ["nohup", sys.executable, "-m", "analysis", "log"], cwd=rest, text=True,
        env=child_env | {"RUNTIME_DIRECTORY": str(rest / "run")}, stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    path = rest / "run" / snapshot_path(rest / "ebbwatt.db").name

    def readings():
        snapshot = read_snapshot(path)
        return 0 if snapshot is None else snapshot.readings

    try:
        wait_for(lambda: readings() > 10)
        daemon.send_signal(signal.SIGHUP)
        before = readings()
        wait_for(lambda: readings() > before + 10)
    finally:
        daemon.send_signal(signal.SIGTERM)
    ended(daemon)


def test_what_cannot_be_written_at_the_end_makes_the_status_1(rest, start_daemon):
    daemon = start_daemon(rest)
    live(rest, 20)
    with closing(sqlite3.connect(rest / "ebbwatt.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        daemon.send_signal(signal.SIGTERM)
        said = ended(daemon, status=1)
    assert "intervals could not be written" in said
    assert "locked by another program" in said


def test_a_lock_of_seconds_at_the_end_is_waited_for(rest, start_daemon):
    daemon = start_daemon(rest)
    readings = live(rest, 20).readings
    with closing(sqlite3.connect(rest / "ebbwatt.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        daemon.send_signal(signal.SIGTERM)
        with pytest.raises(subprocess.TimeoutExpired):
            daemon.wait(3.0)
    ended(daemon)
    assert stored(rest) >= readings


def test_a_locked_log_is_not_called_a_full_disk(tmp_path, store):
    lines = []
    start = SessionStart("port", 0.0, boot_id="b", offset_s=1.7e9, offset_quality=1)
    with Writer(store, ChargerConfig("x", 110.0), start, lines.append) as writer:
        with closing(sqlite3.connect(store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            writer.add_event(1.0, "gap", 1.0)
            writer.commit()
        writer.commit()
    kinds = [event.kind for event in list_events(store)]
    assert kinds.count("store_locked") == 1
    assert "store_full" not in kinds
    assert "locked" in lines[0]
    assert "room" not in lines[0]


def test_a_second_logger_ends_and_names_the_first(rest, start_daemon, ebbwatt):
    first = start_daemon(rest)
    readings = live(rest, 10).readings
    (rest / "link.db").symlink_to("ebbwatt.db")
    other = CONFIG.format(commit_s=60, rest_s=1200).replace("[store]", '[store]\npath = "link.db"')
    (rest / "other.toml").write_text(other)
    for config in ("ebbwatt.toml", "other.toml"):
        told = ebbwatt("log", "--config", config, cwd=rest, status=1).stderr
        assert f"process {first.pid} logs into it already" in told
        assert told.count("\n") == 1
    # What writes now and then, or reads, is not held up.
    (rest / "old.csv").write_text(
        "time,voltage_v,current_a\n2024-01-01T00:00:00Z,13,1\n2024-01-01T00:00:01Z,13,1\n"
    )
    ebbwatt("import", "old.csv", cwd=rest)
    ebbwatt("event", "add", "note", "--text", "seen", cwd=rest)
    ebbwatt("backup", "copy.db", cwd=rest)
    ebbwatt("watch", "--once", cwd=rest)
    ebbwatt("check", cwd=rest)
    live(rest, readings)
    first.send_signal(signal.SIGTERM)
    assert "ended without notice" not in ended(first)
    assert [e.kind for e in list_events(rest / "ebbwatt.db")] == ["note"]


def test_the_lock_of_a_killed_logger_holds_nobody_up(rest, start_daemon):
    first = start_daemon(rest)
    session = live(rest, 10).session
    first.kill()
    first.wait()
    assert (rest / "ebbwatt.db.lock").exists()
    second = start_daemon(rest)
    live(rest, 10, session=session + 1)
    assert (rest / "ebbwatt.db.lock").read_text() == str(second.pid)
    assert (rest / "ebbwatt.db.lock").stat().st_mode & 0o777 == 0o640
    second.send_signal(signal.SIGTERM)
    assert "damaged" not in ended(second)


def test_a_lock_that_was_taken_away_is_taken_anew(tmp_path):
    store = tmp_path / "x.db"
    first, second = StoreLock(store), StoreLock(store)
    first.hold()
    (tmp_path / "x.db.lock").unlink()
    first.hold()
    with pytest.raises(StoreError, match=f"process {os.getpid()} logs"):
        second.hold()
    first.release()
    second.hold()
    second.release()
    assert list(tmp_path.iterdir()) == []


WITHOUT_LOCKS = """\
import errno, fcntl, os, sys
lock = fcntl.flock
def flock(handle, how):
    # The port of the charger is locked as well: it lies on another file system.
    if os.readlink(f"/proc/self/fd/{handle}").endswith("ebbwatt.db.lock"):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))
    lock(handle, how)
fcntl.flock = flock
from analysis.cli import main
sys.exit(main(["log"]))
"""


def test_a_file_system_without_locks_is_told_once(rest, start_daemon):
    (rest / "unlocked.py").write_text(WITHOUT_LOCKS)
    daemon = start_daemon(rest, module=("unlocked",))
    live(rest, 60)
    daemon.send_signal(signal.SIGTERM)
    said = ended(daemon)
    assert said.count("no second 'ebbwatt log'") == 1
    assert stored(rest) > 60


@contextmanager
def running(folder, start_daemon):
    """Run a logger that commits each second; give what it has committed when it begins."""
    hurry(folder)
    daemon = start_daemon(folder)
    wait_for(lambda: live(folder, 20) and stored(folder) > 20)
    yield daemon
    daemon.send_signal(signal.SIGTERM)
    folder.joinpath("said").write_text(ended(daemon))


def told_and_counted(folder, words):
    said = (folder / "said").read_text()
    assert said.count("while it was logged into") == 1, said
    assert words in said
    events = [e for e in list_events(folder / "ebbwatt.db") if e.kind == "store_replaced"]
    assert [words in event.text for event in events] == [True]


def whole(folder, name="ebbwatt.db"):
    with closing(sqlite3.connect(folder / name)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    return stored(folder, name)


@pytest.mark.parametrize("pattern", ["ebbwatt.db", "ebbwatt.db*"])
def test_a_deleted_database_is_written_anew_with_all_it_held(rest, start_daemon, pattern):
    with running(rest, start_daemon):
        for path in list(rest.glob(pattern)):
            path.unlink()
        wait_for((rest / "ebbwatt.db").exists)
        readings = live(rest, live(rest).readings + 10).readings
    told_and_counted(rest, "was deleted")
    assert whole(rest) >= readings, "nothing is missing, before or after"
    assert (rest / "ebbwatt.db").stat().st_mode & 0o777 == 0o640
    assert len(load_history(rest / "ebbwatt.db").start_s) > 0


def test_a_moved_database_is_whole_and_a_new_one_begins(rest, start_daemon):
    with running(rest, start_daemon):
        before = stored(rest)
        (rest / "ebbwatt.db").rename(rest / "old.db")
        wait_for((rest / "ebbwatt.db").exists)
        wait_for(lambda: (rest / "ebbwatt.db").stat().st_size and stored(rest) > 10)
        readings = live(rest).readings
    told_and_counted(rest, "was moved away")
    old, new = whole(rest, "old.db"), whole(rest)
    assert old >= before
    assert old + new >= readings


def test_a_replaced_database_is_kept_and_the_log_goes_on_in_the_new_one(rest, start_daemon):
    with running(rest, start_daemon):
        backup(rest / "ebbwatt.db", rest / "copy.db")
        copied = stored(rest, "copy.db")
        wait_for(lambda: stored(rest) > copied + 10)
        (rest / "copy.db").rename(rest / "ebbwatt.db")
        (aside,) = wait_for(lambda: list(rest.glob("ebbwatt.db.replaced-*")))
        wait_for(lambda: stored(rest) > copied + 10)
        readings = live(rest).readings
    told_and_counted(rest, "was replaced")
    # What the copy held is in both.
    assert whole(rest, aside.name) + whole(rest) - copied >= readings


def test_the_log_waits_in_memory_while_a_foreign_file_has_its_name(rest, start_daemon):
    with running(rest, start_daemon):
        (rest / "foreign").write_text("mine")
        (rest / "foreign").rename(rest / "ebbwatt.db")
        (aside,) = wait_for(lambda: list(rest.glob("ebbwatt.db.replaced-*")))
        live(rest, live(rest).readings + 20)
        assert (rest / "ebbwatt.db").read_text() == "mine"
        (rest / "ebbwatt.db").unlink()
        wait_for(lambda: (rest / "ebbwatt.db").exists() and stored(rest) > 10)
        readings = live(rest).readings
    assert whole(rest, aside.name) + whole(rest) >= readings


def test_a_deleted_write_ahead_log_costs_nothing(rest, start_daemon):
    with running(rest, start_daemon):
        (rest / "ebbwatt.db-wal").unlink()
        wait_for((rest / "ebbwatt.db-wal").exists)
        readings = live(rest, live(rest).readings + 10).readings
    told_and_counted(rest, "lost its write-ahead log")
    assert whole(rest) >= readings


def test_a_database_deleted_before_the_end_is_there_after_it(rest, start_daemon):
    daemon = start_daemon(rest)
    readings = live(rest, 60).readings
    for path in list(rest.glob("ebbwatt.db*")):
        path.unlink()
    daemon.send_signal(signal.SIGTERM)
    assert "was deleted" in ended(daemon)
    assert whole(rest) >= readings


def test_a_folder_that_was_deleted_is_no_silent_loss(tmp_path, rest, start_daemon):
    (tmp_path / "logs").mkdir()
    config = CONFIG.format(commit_s=1, rest_s=1)
    (rest / "ebbwatt.toml").write_text(
        config.replace("[store]", '[store]\npath = "logs/ebbwatt.db"')
    )
    daemon = start_daemon(rest)
    path = snapshot_path(tmp_path / "logs" / "ebbwatt.db")
    wait_for(lambda: (s := read_snapshot(path)) is not None and s.readings > 20)
    shutil.rmtree(tmp_path / "logs")
    wait_for(lambda: (s := read_snapshot(path)) is not None and s.notices)
    (tmp_path / "logs").mkdir()
    wait_for((tmp_path / "logs" / "ebbwatt.db").exists)
    readings = read_snapshot(path).readings
    daemon.send_signal(signal.SIGTERM)
    ended(daemon)
    assert whole(tmp_path / "logs") >= readings
