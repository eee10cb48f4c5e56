"""What this user may not read or write is one true line in every command; modes of new files."""

import contextlib
import shutil
import sqlite3
import stat
import subprocess
import sys

import pytest

from logger.config import ChargerConfig
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.bad_files import T0, table
from tests.support.boats.intervals import minute
from tests.support.missing import unable
from tests.support.screens.reading import READING

CONFIG = """\
[charger]
label = "aft locker"
rated_w = 110
[fuel]
[store]
path = "log/ebbwatt.db"
[source]
kind = "replay"
path = "a.csv"
"""
#: Every command that reads or writes a log or a file, and what its name is told by.
COMMANDS = (
    ("log",), ("probe", "--seconds", "1"), ("import", "a.csv"), ("import", "--undo"),
    ("backup", "out/copy.db"), *READING, ("report", "--html", "out/a.html"),
    ("event", "add", "note", "--text", "x"), ("export", "out/a.csv"), ("check",),
)  # fmt: skip


@pytest.fixture
def boat(tmp_path, empty_store):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    (tmp_path / "a.csv").write_text(table(900))
    (tmp_path / "log").mkdir()
    (tmp_path / "out").mkdir()
    store = tmp_path / "log" / "ebbwatt.db"
    store.write_bytes(empty_store)
    charger, begin_s = ChargerConfig("aft locker", 110.0), T0 - 9e5
    with Writer(store, charger, SessionStart("test", begin_s)) as writer:
        for k in range(20):
            writer.add(minute(begin_s + 60.0 * k))
    yield tmp_path
    for path in (tmp_path / "log", tmp_path / "out", tmp_path):
        path.chmod(0o700)


@pytest.fixture
def bound(boat, ebbwatt):
    """Return what runs commands as a user whom modes bind; root gives up what makes them void."""
    (boat / "refused").write_text("x")
    (boat / "refused").chmod(0)

    def run(*command):
        env = {"XDG_RUNTIME_DIR": str(boat / "out")}
        return ebbwatt(*command, cwd=boat, status=None, env=env, bound=True)

    probe = run("check", "--config", "refused")
    if "ermission" not in probe.stderr and "may not" not in probe.stderr:
        unable("modes of files do not bind this user, and capset(2) does not help here")
    return run


def contents(boat):
    for path in (boat / "log", boat / "log" / "ebbwatt.db"):
        path.chmod(0o700)
    with contextlib.closing(sqlite3.connect(boat / "log" / "ebbwatt.db")) as db:
        return db.execute("SELECT * FROM intervals ORDER BY id").fetchall()


NEED_NO_LOG = {("probe", "--seconds", "1")}
#: What is refused: modes by path, words of which one is in each complaint, what works still.
REFUSED = {
    "the folder": ({"log": 0o000}, ("may not",), NEED_NO_LOG),
    "the database": ({"log/ebbwatt.db": 0o000}, ("may not",), NEED_NO_LOG),
    "writing the database": (
        {"log/ebbwatt.db": 0o440, "log": 0o550}, ("may not", "write-protected"), None,
    ),
    "writing beside it": ({"log": 0o550}, ("may not", "write-protected"), None),
    "the configuration": ({"ebbwatt.toml": 0o000}, ("ebbwatt.toml",), set()),
    "the recording": ({"a.csv": 0o000}, ("a.csv",), None),
    "the outputs": ({"out": 0o550}, ("out",), None),
}  # fmt: skip


@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", REFUSED)
def test_what_may_not_be_used_is_one_true_line(boat, bound, name):
    before = contents(boat)
    modes, words, working = REFUSED[name]
    for path, mode in modes.items():
        (boat / path).chmod(mode)
    failed = set()
    for command in COMMANDS:
        done = bound(*command)
        told = f"{command}: {done.returncode}\n{done.stdout[-500:]}\n{done.stderr[-2000:]}"
        said = done.stderr + done.stdout
        assert not any(false in said for false in ("Traceback", "no room", "damaged")), told
        if done.returncode == 0:
            assert working is None or command in working, told
            continue
        failed.add(command)
        lines = [line for line in done.stderr.splitlines() if line.startswith("ebbwatt: ")]
        # A check of an installation tells what it finds on its own output.
        assert len(lines) <= 1, told
        assert any(word in (lines[-1] if lines else done.stdout) for word in words), told
    assert failed, "something was refused"
    for path in modes:
        (boat / path).chmod(0o700)
    if name not in ("the recording", "the outputs"):
        assert contents(boat) == before


def test_a_locked_database_is_called_locked(boat, bound):
    with contextlib.closing(sqlite3.connect(boat / "log" / "ebbwatt.db", timeout=1)) as db:
        db.execute("BEGIN IMMEDIATE")
        done = bound("event", "add", "note", "--text", "x")
    assert done.returncode == 1
    assert done.stderr.endswith("is locked by another program; try again when it is done\n")


@pytest.mark.parametrize("mask", [0o000, 0o022, 0o077])
def test_modes_of_what_is_made_whatever_the_umask(boat, ebbwatt, mask):
    shutil.rmtree(boat / "log")
    (boat / "log").mkdir()
    runtime = boat / "state"
    env = {"XDG_STATE_HOME": str(runtime), "XDG_RUNTIME_DIR": "", "HOME": str(boat)}
    for command in (
        ("import", "a.csv"), ("log",), ("report", "--html", "out/a.html", "--json", "out/a.json"),
        ("backup", "out/copy.db"), ("export", "out/a.csv"), ("watch", "--once"),
        ("fleet", "take", "out/fleet", "out/copy.db"),
        ("fleet", "report", "out/fleet", "--workers", "0"),
    ):  # fmt: skip
        ebbwatt(*command, cwd=boat, env=env, umask=mask)
    with contextlib.closing(sqlite3.connect(boat / "log" / "ebbwatt.db")) as db:
        db.execute("SELECT count(*) FROM intervals").fetchone()
        made = [*(boat / "log").iterdir(), *(boat / "out").rglob("*"), *runtime.rglob("*")]
        assert {path.name for path in made} > {
            "ebbwatt.db", "ebbwatt.db-wal", "a.html", "a.json", "copy.db", "a.csv",
        }  # fmt: skip
        for path in made:
            mode = stat.S_IMODE(path.lstat().st_mode)
            accepted = (0o750,) if path.is_dir() else (0o640, 0o600)
            if not path.is_symlink() and path != runtime:
                assert mode in accepted, (path, oct(mode))


def test_a_new_database_is_private_before_anything_is_in_it(tmp_path, child_env):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG.replace("log/", ""))
    (tmp_path / "a.csv").write_text(table())
    subprocess.run(
        [sys.executable, "-m", "analysis", "import", "a.csv"], cwd=tmp_path, env=child_env,
        umask=0, capture_output=True, check=True, timeout=200,
    )  # fmt: skip
    assert stat.S_IMODE((tmp_path / "ebbwatt.db").stat().st_mode) == 0o640
