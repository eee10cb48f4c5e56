"""The write-ahead log beside a database: garbage, a broken header or frame, and what a cut tore."""

import random
import shutil
import signal

import pytest

from logger.store.events import list_events
from logger.store.file_format.wal import commits_behind_a_broken_frame, log_header_is_sound
from logger.store.records import SessionStart
from logger.store.repair.salvage import whole_check
from logger.store.writer import Writer
from logger.system.snapshot import snapshot_path
from tests.support.rigs.damage import CHARGER, COUNT, everything, interval, overwrite
from tests.support.rigs.live import live


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
    _, said = again.communicate(timeout=200)
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


def test_a_log_that_the_logger_still_writes_is_never_set_aside(place, start_daemon, ebbwatt):
    daemon = start_daemon(place.parent)
    first = live(place.parent, 15)
    overwrite(place.with_name(place.name + "-wal"), 4, b"broken")
    ebbwatt("event", "add", "note", "--text", "hose", cwd=place.parent)
    live(place.parent, first.readings + 15)
    daemon.send_signal(signal.SIGTERM)
    _, said = daemon.communicate(timeout=200)
    assert list(place.parent.glob("*damaged*")) == []
    read = int(said.split("ended: ")[1].split(" readings")[0])
    assert sum(row[4] for k, row in everything(place).items() if k > COUNT) == read
    assert [e.text for e in list_events(place) if e.kind == "note"] == ["hose renewed", "hose"]


#: Bytes of a frame of the log: header and page (SQLite file format, section 4.1).
FRAME = 24 + 4096


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
