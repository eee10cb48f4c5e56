"""Power cuts at random instants: what was committed is there, and the file always opens clean.

A few dozen cuts here; ``EBBWATT_CUTS=300`` (make soak) makes it hundreds.
"""

import os
import random
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager

import pytest

from logger.store.events import list_events
from logger.store.file_format.wal import PAGE_SIZE
from logger.store.files import prepare
from logger.store.repair.leftovers import find_leftovers
from logger.system.snapshot import read_snapshot, snapshot_path
from tests.support.rigs.committer import BATCH, BEGIN_S
from tests.support.rigs.devices.bluez import die_with_parent
from tests.support.rigs.live import live

CUTS = int(os.environ.get("EBBWATT_CUTS", "0"))
FRAME = PAGE_SIZE + 24
HEADER = 32


@pytest.fixture
def store(tmp_path):
    path = tmp_path / "ebbwatt.db"
    prepare(path)
    return path


@contextmanager
def committing(path, first, env):
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.rigs.committer", str(path), str(first)],
        stdout=subprocess.PIPE,
        env=env,
        preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def last_told(process, before):
    """Return the newest count that the process has told without waiting for more."""
    os.set_blocking(process.stdout.fileno(), False)
    told = b""
    while select.select([process.stdout], [], [], 0)[0]:
        if not (piece := process.stdout.read()):
            break
        told += piece
    lines = told[: told.rfind(b"\n") + 1].split()
    return int(lines[-1]) if lines else before


def stored(path):
    """Check the file and return how many intervals it holds; they are the first ones, unharmed."""
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        rows = db.execute(
            "SELECT (start_ms - ?) / 60000, charge_mc FROM intervals ORDER BY id", (BEGIN_S * 1000,)
        ).fetchall()
    assert [row[0] for row in rows] == list(range(len(rows)))
    assert all(charge == 480_000 + 1000 * number for number, charge in rows)
    return len(rows)


def test_killed_at_random_instants_it_keeps_every_commit(store, child_env):
    rng = random.Random(4)
    there = 0
    for _ in range(CUTS or 12):
        with committing(store, there, child_env) as process:
            process.stdout.readline()
            time.sleep(rng.uniform(0.0, 0.15))
            process.send_signal(signal.SIGKILL)
            process.wait()
            told = last_told(process, there)
        there = stored(store)
        assert there >= told, "a commit is gone"
        assert there <= told + 2 * BATCH, "at most the commit under way, told or not"
    assert there > 100


def frames(log):
    """Return the ends of the commits in a write-ahead log, by the frames' own salts and sizes."""
    ends, salts = [], log[16:24]
    for at in range(HEADER, len(log) - FRAME + 1, FRAME):
        if log[at + 8 : at + 16] != salts:
            break
        if log[at + 4 : at + 8] != bytes(4):
            ends.append(at + FRAME)
    return ends


def test_copies_at_random_instants_with_a_torn_log_open_clean(store, tmp_path, child_env):
    # The writer is stopped for the moment of the copy: what a power cut leaves is what was written
    # so far, with the last writes in any state.
    rng = random.Random(5)
    copy = tmp_path / "copy" / "ebbwatt.db"
    copy.parent.mkdir()
    log, copied_log = (p.with_name(p.name + "-wal") for p in (store, copy))
    told, torn = 0, {"beyond": 0, "inside": 0}
    with committing(store, 0, child_env) as process:
        process.stdout.readline()
        for _ in range(CUTS or 40):
            time.sleep(rng.uniform(0.0, 0.02))
            process.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, process.pid, os.WSTOPPED | os.WNOWAIT)
            told = last_told(process, told)
            shutil.copy(store, copy)
            shutil.copy(log, copied_log)
            process.send_signal(signal.SIGCONT)
            data = bytearray(copied_log.read_bytes())
            ends = frames(data)
            inside = bool(ends) and rng.random() < 0.5
            if inside:
                # The last commit itself is torn: as if it had never been synchronised.
                at = rng.randrange(ends[-2] if len(ends) > 1 else HEADER, ends[-1])
            else:
                at = ends[-1] if ends else HEADER
            if rng.random() < 0.5:
                del data[at:]
            else:
                data[at : at + rng.randrange(1, 3 * FRAME)] = rng.randbytes(rng.randrange(1, FRAME))
            torn["inside" if inside else "beyond"] += 1
            copied_log.write_bytes(data)
            assert find_leftovers(copy) == [], "what a cut leaves is no damage"
            assert stored(copy) >= told - (BATCH if inside else 0)
            for file in copy.parent.iterdir():
                file.unlink()
    assert told > 100
    assert min(torn.values()) > 5


CONFIG = """\
[charger]
rated_w = 110

[store]
commit_s = 1
commit_rest_s = 1

[log]
interval_s = 0.05

[source]
kind = "simulated"
seed = 7
"""


def test_the_daemon_killed_at_random_instants_loses_the_last_moment_only(tmp_path, start_daemon):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG, encoding="utf-8")
    path = tmp_path / "ebbwatt.db"
    rng = random.Random(6)
    cuts = max(4, CUTS // 10)
    before = 0
    for number in range(1, cuts + 1):
        daemon = start_daemon(tmp_path)
        live(tmp_path, 5, session=number)
        time.sleep(rng.uniform(0.0, 2.5))
        daemon.send_signal(signal.SIGKILL)
        daemon.wait(200)
        read = read_snapshot(snapshot_path(path)).readings
        with closing(sqlite3.connect(path)) as db:
            assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            (kept,) = db.execute(
                "SELECT coalesce(sum(readings), 0) FROM intervals WHERE session = ?", (number,)
            ).fetchone()
            (others,) = db.execute(
                "SELECT coalesce(sum(readings), 0) FROM intervals WHERE session < ?", (number,)
            ).fetchone()
        assert others == before, "earlier sessions are untouched"
        # A commit each second, looked at once a second: two seconds of readings, and the one
        # second by which the snapshot may be older than the newest commit.
        assert read - kept <= 3.0 / 0.05
        before += kept
    assert before > 0
    assert len(list_events(path)) == cuts - 1, "each start notes the end without notice before it"
