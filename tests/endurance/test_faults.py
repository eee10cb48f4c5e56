"""Any call to the system may fail once: nothing committed is lost, and nothing wrong is told.

``EBBWATT_FAULTS=500`` tries the first 500 calls of each kind; without it a sample of them is tried.
"""

import contextlib
import errno
import itertools
import os
import random
import sqlite3
from functools import partial

import pytest

from logger.config import ChargerConfig
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.conftest import ROOT
from tests.support.bad_files import T0, table
from tests.support.boats.intervals import minute
from tests.support.forked import Forked, build_shim
from tests.support.missing import program

pytestmark = pytest.mark.slow

MOST = int(os.environ.get("EBBWATT_FAULTS", "0"))
SEED = int(os.environ.get("EBBWATT_SEED", "0")) or random.SystemRandom().randrange(1, 10**9)
CONFIG = """\
[charger]
label = "aft locker"
rated_w = 110
[store]
path = "log/ebbwatt.db"
commit_s = 1
commit_rest_s = 1
[source]
kind = "replay"
path = "b.csv"
"""
#: Error of a failed call, and whether a write takes half of its bytes instead.
FAULTS = {
    "EIO": (errno.EIO, 0), "ENOSPC": (errno.ENOSPC, 0), "short write": (0, 1),
}  # fmt: skip


@pytest.fixture
def boat(tmp_path, empty_store):
    folder = tmp_path / "boat"
    (folder / "log").mkdir(parents=True)
    (folder / "ebbwatt.toml").write_text(CONFIG)
    (folder / "a.csv").write_text(table(300))
    (folder / "b.csv").write_text(table(300, begin=4_000))
    store = folder / "log" / "ebbwatt.db"
    store.write_bytes(empty_store)
    begin_s = T0 - 9e5
    charger = ChargerConfig("aft locker", 110.0)
    with Writer(store, charger, SessionStart("test", begin_s)) as writer:
        for k in range(20):
            writer.add(minute(begin_s + 60.0 * k))
    with contextlib.closing(sqlite3.connect(store)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return folder


@pytest.fixture(scope="module")
def process(tmp_path_factory):
    folder = tmp_path_factory.mktemp("process")
    shim = build_shim(program("gcc", "gcc libc6-dev"), folder)
    with Forked(folder, os.environ | {"PYTHONPATH": str(ROOT)}, shim) as process:
        yield process


@pytest.fixture
def forked(boat, process, tmp_path):
    return partial(process.run, cwd=boat, env={"RUNTIME_DIRECTORY": str(tmp_path)})


def rows(path):
    """Return the intervals of a database that SQLite finds sound."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        return db.execute(
            "SELECT start_ms, duration_ms, readings, charge_mc FROM intervals ORDER BY id"
        ).fetchall()


def restore(boat, whole):
    """Put the database back as it was, with nothing beside it; take the outputs away."""
    for folder in (boat / "log", boat / "out"):
        for path in folder.iterdir() if folder.is_dir() else ():
            path.unlink()
    (boat / "log" / "ebbwatt.db").write_bytes(whole)
    (boat / "out").mkdir(exist_ok=True)


def numbers():
    """Return which calls to fail: each of the first ones, or a sample that reaches as far."""
    if MOST:
        return range(1, MOST + 1)
    generator = random.Random(SEED)
    return sorted({1, 2, 3, *generator.sample(range(4, 40), 3), generator.randrange(40, 90)})


COMMANDS = {
    "import": ("import", "{}/a.csv"),
    "log": ("log",),
    "backup": ("backup", "{}/out/copy.db"),
    "export": ("export", "--replace", "{}/out/rows.csv"),
}


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("command", COMMANDS)
def test_a_failed_call_loses_nothing_and_nothing_false_is_told(boat, forked, command, fault):
    whole = (boat / "log" / "ebbwatt.db").read_bytes()
    before = rows(boat / "log" / "ebbwatt.db")
    arguments = [part.format(boat) for part in COMMANDS[command]]
    arguments += ["--config", f"{boat}/ebbwatt.toml"]
    restore(boat, whole)
    assert forked(*arguments)["status"] == 0
    wanted = rows(boat / "log" / "ebbwatt.db")
    assert (len(wanted) > len(before)) == (command in ("import", "log"))
    outputs = {p.name: p.read_bytes() for p in (boat / "out").iterdir()}
    hits = 0
    refused = set()
    calls = 10**6
    sample = numbers()
    # The configuration is the first that is read, so its failure is no news: after the sample each
    # call is failed in turn until one of another file is told.
    for number in itertools.chain(sample, range(4, 1000)):
        if number not in sample and (fault == "short write" or "another file" in refused):
            break
        if number >= calls:
            continue
        restore(boat, whole)
        done = forked(*arguments, fault=[number, *FAULTS[fault], 0])
        told = f"seed {SEED}, call {number}: {done['status']}\n{done['stderr'][-1500:]}"
        assert "Traceback" not in done["stderr"], told
        # A configuration that cannot be read is a wrong use of the command.
        assert done["status"] in (
            (0, 1, 2) if "ebbwatt.toml: cannot be read" in told else (0, 1)
        ), told
        # The reason is the last line; the logger tells first what it logs.
        reason = done["stderr"].splitlines()[-1:]
        assert done["status"] == 0 or reason[0].startswith(("ebbwatt: ", "<")), told
        hits += done["hits"]
        if done["status"] != 0:
            refused.add("configuration" if "ebbwatt.toml: " in done["stderr"] else "another file")
        held = rows(boat / "log" / "ebbwatt.db")
        assert held[: len(before)] == before, told
        if done["status"] == 0:
            assert held == wanted, told
            assert whole_outputs(boat, outputs), told
        elif command == "import":
            # All of the file or nothing of it, but for its last interval, which may be open still
            # for the file that follows; importing the file again adds it.
            assert held in (before, wanted, wanted[:-1]), told
        if not done["hits"]:
            calls = min(calls, number)
            continue
        # What is there under the final name is complete, or is not there.
        for path in (boat / "out").iterdir():
            assert path.name in outputs, told
        assert not list((boat / "out").iterdir()) or whole_outputs(boat, outputs), told
        again = forked(*arguments)
        assert again["status"] == 0, told + again["stderr"]
        if command == "import":
            assert sorted(rows(boat / "log" / "ebbwatt.db")) == sorted(wanted), told
    assert hits >= 3, "calls were failed"
    # Half of the bytes written is no error: the rest follows.
    assert refused == (set() if fault == "short write" else {"configuration", "another file"})


def whole_outputs(boat, outputs):
    """Tell whether the outputs are as without a fault; a database by its rows."""
    for name, content in outputs.items():
        path = boat / "out" / name
        if name.endswith(".db"):
            if rows(path) != rows(boat / "log" / "ebbwatt.db"):
                return False
        elif path.read_bytes() != content:
            return False
    return True
