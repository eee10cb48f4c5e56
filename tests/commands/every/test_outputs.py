"""No output of any command destroys the log, the configuration, or anybody's file."""

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from analysis.cli import main
from logger.config import ChargerConfig
from logger.errors import UsageError
from logger.store.backup import backup
from logger.store.records import SessionStart
from logger.store.writer import Writer
from logger.system.output import Kind, new_file
from tests.support.boats.intervals import minute

CONFIG = """\
[charger]
label = "aft locker"
rated_w = 110

[source]
kind = "serial"
port = "charger"
description = "device.toml"
"""
DEVICE = """\
[decoder]
kind = "keyvalue"
[fields]
voltage_v = "U"
"""
#: Every option that writes a file, and a name that its kind of file would have.
OUTPUTS = {
    "html": ("report", "--html"),
    "json": ("report", "--json"),
    "record": ("report", "--commissioning"),
    "capture": ("probe", "--seconds", "1", "--capture"),
    "export": ("export", "--replace", "--format", "csv"),
    "events": ("export", "--replace", "--format", "jsonl", "--events"),
    "parquet": ("export", "--replace", "--format", "parquet"),
    "backup": ("backup",),
}


@pytest.fixture
def boat(tmp_path, empty_store):
    """Return a folder with a log, and a logger's files beside it."""
    folder = tmp_path / "boat"
    folder.mkdir()
    (folder / "ebbwatt.toml").write_text(CONFIG)
    (folder / "device.toml").write_text(DEVICE)
    (folder / "ebbwatt.db").write_bytes(empty_store)
    with Writer(
        folder / "ebbwatt.db", ChargerConfig("aft locker", 110.0), SessionStart("test", 1.7e9)
    ) as writer:
        for k in range(50):
            writer.add(minute(1.7e9 + 60.0 * k))
    (folder / "notes.txt").write_text("mine")
    (folder / "picture.html").write_text("<!DOCTYPE html><title>mine</title>")
    (folder / "mine.json").write_text('{"schema": "mine"}')
    (folder / "mine.csv").write_text("time,value\n1,2\n")
    return folder


def contents(folder):
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.is_file() and not path.is_symlink()
    }


@pytest.mark.parametrize("output", OUTPUTS)
def test_no_output_replaces_what_is_not_of_its_kind(boat, output, monkeypatch, capsys):
    monkeypatch.chdir(boat)
    with closing(sqlite3.connect(boat / "ebbwatt.db")) as db:  # holds -wal and -shm in place
        db.execute("SELECT count(*) FROM intervals").fetchone()
        (boat / "sub").mkdir()
        (boat / "soft").symlink_to("ebbwatt.db")
        os.link(boat / "ebbwatt.db", boat / "hard")
        (boat / "softer.toml").symlink_to(boat / "ebbwatt.toml")
        before = contents(boat)
        assert "ebbwatt.db-wal" in before
        targets = [
            "ebbwatt.db", "ebbwatt.db-wal", "ebbwatt.db-shm", "ebbwatt.db-journal", "ebbwatt.toml",
            "device.toml", "soft", "hard", "softer.toml", "sub/../ebbwatt.db", "EBBWATT.DB",
            str(boat / "ebbwatt.db"), "notes.txt", "picture.html", "mine.json", "mine.csv", "sub",
        ]  # fmt: skip
        for target in targets:
            if output == "backup" and target == "sub":
                continue  # a backup goes into a folder under its own name
            assert main([*OUTPUTS[output], target]) == 2, target
            said = capsys.readouterr().err
            assert said.splitlines()[-1].startswith(f"ebbwatt: {target}: is "), said
            assert contents(boat) == before, target


def test_a_backup_into_a_folder_with_another_log_of_that_name_is_refused(boat, ebbwatt, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    (other / "ebbwatt.db").write_bytes((boat / "ebbwatt.db").read_bytes())
    before = contents(other)
    ebbwatt("backup", other, cwd=boat, status=2)
    assert contents(other) == before, "a log, not a backup"


@pytest.mark.parametrize("output", [o for o in OUTPUTS if o != "capture"])
def test_an_output_replaces_its_own_kind_and_nothing_stays_beside(boat, ebbwatt, tmp_path, output):
    out = tmp_path / "out"
    out.mkdir()
    target = out / "made"
    (out / "made.new").write_text("mine")
    ebbwatt(*OUTPUTS[output], target, cwd=boat)
    first = target.stat()
    assert first.st_mode & 0o777 == 0o640
    (out / "link").symlink_to("made")
    ebbwatt(*OUTPUTS[output], out / "link", cwd=boat)
    assert target.stat().st_ino != first.st_ino, "by the link the file itself is renewed"
    assert (out / "link").is_symlink()
    assert sorted(p.name for p in out.iterdir()) == ["link", "made", "made.new"]
    assert (out / "made.new").read_text() == "mine"


@pytest.mark.parametrize("output", [o for o in OUTPUTS if o != "capture"])
@pytest.mark.parametrize("mask", [0o000, 0o077])
def test_the_umask_does_not_matter(boat, tmp_path, ebbwatt, output, mask):
    target = tmp_path / "made"
    ebbwatt(*OUTPUTS[output], target, cwd=boat, umask=mask)
    assert target.stat().st_mode & 0o777 == 0o640


def test_both_outputs_of_a_report_in_one_file_are_refused(boat, ebbwatt):
    done = ebbwatt("report", "--html", "out", "--json", "out", cwd=boat, status=2)
    assert "one file" in done.stderr
    assert not (boat / "out").exists()


def test_the_document_that_is_compared_with_is_not_replaced(boat, ebbwatt):
    ebbwatt("report", "--json", "last.json", cwd=boat)
    before = contents(boat)
    done = ebbwatt("report", "--compare", "last.json", "--json", "last.json", cwd=boat, status=2)
    assert "last.json: is what this command reads" in done.stderr
    assert contents(boat) == before


def test_a_demonstration_does_not_empty_the_folder_of_a_boat(boat, ebbwatt):
    for name in ("notes.txt", "picture.html", "mine.json", "mine.csv", "device.toml"):
        (boat / name).unlink()
    before = contents(boat)
    ebbwatt("demo", "--days", "1", "--out", ".", cwd=boat, status=2)
    assert contents(boat) == before


ANY = Kind("note", lambda head, _: head.startswith(b"note"))


def test_what_a_killed_write_left_is_removed_by_the_next(tmp_path):
    writes = (
        "import os, signal, sys\nfrom pathlib import Path\n"
        "from logger.system.output import Kind, new_file\n"
        "with new_file(Path(sys.argv[1]), Kind('x', lambda h, t: True), {}) as part:\n"
        "    part.write_text('half')\n    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    target = tmp_path / "made"
    done = subprocess.run([sys.executable, "-c", writes, target], check=False)
    assert done.returncode == -signal.SIGKILL
    assert not target.exists()
    assert len(list(tmp_path.iterdir())) == 1
    with new_file(target, ANY, {}) as part:
        part.write_text("note 1")
        # Another write at the same time has its own name, and takes nothing away.
        with new_file(target, ANY, {}) as other:
            assert other != part
            other.write_text("note 2")
        assert target.read_text() == "note 2"
    assert target.read_text() == "note 1"
    assert [p.name for p in tmp_path.iterdir()] == ["made"]


@pytest.mark.parametrize("call", ["open", "fchmod"])
def test_a_signal_right_after_a_file_was_made_leaves_none_behind(tmp_path, monkeypatch, call):
    """A handler raises between any two instructions; here at the end of a call to the system."""
    made = getattr(os, call)

    def interrupted(*arguments):
        done = made(*arguments)
        if call == "open":
            os.close(done)
        assert [path.suffix for path in tmp_path.iterdir()] == [".part"]
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, call, interrupted)
        with pytest.raises(KeyboardInterrupt), new_file(tmp_path / "made", ANY, {}):
            raise AssertionError("the file was given")
    assert list(tmp_path.iterdir()) == []


def test_what_came_there_meanwhile_stays(tmp_path):
    target = tmp_path / "made"

    def write():
        with new_file(target, ANY, {}) as part:
            part.write_text("note")
            target.write_text("somebody's")

    with pytest.raises(UsageError, match="no note"):
        write()
    assert target.read_text() == "somebody's"
    assert [p.name for p in tmp_path.iterdir()] == ["made"]


def test_a_backup_is_known_by_its_header(boat, tmp_path):
    """A file in WAL mode is a log (sqlite.org/fileformat2.html, section 1.3)."""
    copy = tmp_path / "copy.db"
    assert backup(boat / "ebbwatt.db", copy) == 50
    assert backup(boat / "ebbwatt.db", copy) == 50
    with closing(sqlite3.connect(copy)) as db:
        db.execute("PRAGMA journal_mode = WAL")
    with pytest.raises(UsageError, match="no backup"):
        backup(boat / "ebbwatt.db", copy)


def test_an_assessment_document_is_told_from_others(boat, ebbwatt):
    ebbwatt("report", "--json", "a.json", cwd=boat)
    assert json.loads((boat / "a.json").read_text())["schema"].startswith("ebbwatt/assessment/")
    done = ebbwatt("export", "--replace", "--format", "jsonl", "a.json", cwd=boat, status=2)
    assert "no table" in done.stderr
