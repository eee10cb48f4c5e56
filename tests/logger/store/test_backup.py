"""A backup is consistent while the daemon writes, is checked, and opens write-protected."""

import os
import shutil
import signal
import sqlite3
import subprocess
from contextlib import closing, contextmanager

import pytest

from analysis.history.history import load_history
from logger.config import ChargerConfig
from logger.errors import EbbwattError, StoreDamagedError, UsageError
from logger.store.backup import backup
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.boats.intervals import minute
from tests.support.configurations import AFT_LOCKER
from tests.support.missing import unable
from tests.support.rigs.live import QUICK, live

CONFIG = QUICK.format(charger="")
CHARGER = ChargerConfig("aft locker", 110.0)


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "ebbwatt.db"
    with Writer(path, CHARGER, SessionStart("test", 1.7e9)) as writer:
        for k in range(500):
            writer.add(minute(1.7e9 + 60.0 * k))
    return path


def test_a_backup_of_a_running_logger_is_whole_and_loses_nothing_committed(
    tmp_path, start_daemon, ebbwatt
):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG, encoding="utf-8")
    daemon = start_daemon(tmp_path)
    snapshot = live(tmp_path, 15)
    stick = tmp_path / "stick"
    stick.mkdir()
    for _ in range(3):
        committed = load_history(tmp_path / "ebbwatt.db").readings.sum()
        assert "checked" in ebbwatt("backup", stick, cwd=tmp_path).stdout
        copied = load_history(stick / "ebbwatt.db").readings.sum()
        assert copied >= committed
        snapshot = live(tmp_path, snapshot.readings + 10)
    assert [p.name for p in stick.iterdir()] == ["ebbwatt.db"], "one file and nothing beside it"
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(200) == 0
    assert load_history(tmp_path / "ebbwatt.db").readings.sum() > copied


def test_a_copy_is_what_one_commit_left_while_another_is_under_way(store, tmp_path):
    with closing(sqlite3.connect(store, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        other.execute("DELETE FROM intervals WHERE id > 100")
        assert backup(store, tmp_path / "copy.db") == 500
        other.execute("ROLLBACK")
    assert len(load_history(tmp_path / "copy.db")) == 500


@contextmanager
def write_protected(folder):
    """Make a folder that cannot be written: mounted read-only for root, by its mode for others."""
    if os.geteuid() == 0:
        bound = subprocess.run(["mount", "--bind", folder, folder], check=False)
        if bound.returncode != 0:
            unable("root, but not allowed to mount")
        subprocess.run(["mount", "-o", "remount,ro,bind", folder], check=True)
    else:
        for file in folder.iterdir():
            file.chmod(0o444)
        folder.chmod(0o555)
    try:
        with pytest.raises(OSError, match=r"Read-only|denied"):
            (folder / "x").write_text("x")
        yield
    finally:
        if os.geteuid() == 0:
            subprocess.run(["umount", "-l", folder], check=True)
        else:
            folder.chmod(0o755)


@pytest.mark.parametrize("how", [backup, shutil.copy])
def test_report_works_on_a_write_protected_copy(store, tmp_path, ebbwatt, how):
    stick = tmp_path / "stick"
    stick.mkdir()
    how(store, stick / "log.db")
    laptop = tmp_path / "laptop"
    laptop.mkdir()
    (laptop / "ebbwatt.toml").write_text(
        AFT_LOCKER + f'[store]\npath = "{stick / "log.db"}"\n',
        encoding="utf-8",
    )
    with write_protected(stick):
        assert "aft locker" in ebbwatt("report", cwd=laptop).stdout
        assert "aft locker" in ebbwatt("watch", "--once", cwd=laptop).stdout
        assert [p.name for p in stick.iterdir()] == ["log.db"]
        done = ebbwatt("backup", stick / "again.db", cwd=laptop, status=1)
        assert "again.db" in done.stderr


def test_a_backup_can_be_logged_into_again(store, tmp_path):
    copy = tmp_path / "copy.db"
    backup(store, copy)
    with Writer(copy, CHARGER, SessionStart("test", 1.7e9)) as writer:
        writer.add(minute(1.7e9 + 60.0 * 500))
        assert writer._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert len(load_history(copy)) == 501


def test_what_cannot_be_copied_leaves_the_copy_before_alone(store, tmp_path):
    copy = tmp_path / "copy.db"
    backup(store, copy)
    before = copy.read_bytes()
    with store.open("r+b") as file:
        file.seek(store.stat().st_size // 2)
        file.write(bytes(8192))
    with pytest.raises(StoreDamagedError, match="no copy was made"):
        backup(store, copy)
    assert copy.read_bytes() == before
    assert not list(tmp_path.glob(".*"))
    with pytest.raises(UsageError, match="the log itself"):
        backup(copy, copy)
    with pytest.raises(EbbwattError, match="create it first"):
        backup(copy, tmp_path / "nowhere" / "copy.db")
