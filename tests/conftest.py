"""Fixtures that every test may use."""

import contextlib
import fcntl
import hashlib
import os
import pickle
import signal
import subprocess
import sys
from collections import Counter
from functools import partial
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from analysis.units import Owner, read_by
from tests.support import missing
from tests.support.empty import empty_database, put_empty
from tests.support.pause import coverage_paused
from tests.support.prepared import Prepared
from tests.support.rigs.devices.bluez import (
    ADDRESS,
    PERIPHERAL,
    RADIO_CONFIG,
    BlueZ,
    Bus,
    die_with_parent,
    quick_description,
)

ROOT = Path(__file__).resolve().parent.parent
#: The demonstration of the tests ended a year and more ago by whoever reads this: it never ages.
DEMO_UNTIL = "2025-09-08"
#: ``make soak`` also runs the cases of which a room's own tests hold the like.
LONG = "EBBWATT_LONG" in os.environ


def examples(usual):
    """Return how many examples hypothesis tries: here half of the usual, in soak ten times that."""
    return 10 * usual if LONG else (usual + 1) // 2


# How long an example takes says how busy the machine is; whether a test hangs, its time limit.
settings.register_profile(
    "patient", deadline=None, max_examples=examples(100),
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
settings.load_profile("patient")

#: To start a command costs the processor more than its work, and coverage doubles that. So each
#: command is started once in a run as a person does, and where coverage is measured it is started
#: and measured once with each choice of options; otherwise it is a fork of a process that has
#: loaded the same code (:mod:`tests.support.prepared`). Of the other children of each file of tests
#: the first is measured. This folder has a file for each.
_STARTED: list[Path] = []
_PREPARED: list[Prepared] = []
#: What in the environment makes a child measure itself.
_MEASURING: dict[str, str] = {}
#: It takes half a minute alone; beside much other work several minutes were seen.
DEMO_TAKES_S = 900

# One thread: small arrays are slower on two, and the tests run beside each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
# Without bytecode each of many hundred children would compile the program again, which costs it as
# much as to load numpy, pandas and scipy.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


# A shell's background and nohup(1) ignore these, here and in every child that is started. A handler
# of our own is not inherited, so that the children of the tests can be interrupted and hung up.
signal.signal(signal.SIGINT, signal.default_int_handler)
for _number in (signal.SIGHUP, signal.SIGQUIT):
    if signal.getsignal(_number) is signal.SIG_IGN:
        signal.signal(_number, lambda *_: None)


def pytest_make_parametrize_id(val, argname):
    """Name a parameter of bytes, or of long text, by its place: its content may differ by process.

    gzip.compress writes the time into its bytes, for instance.
    """
    return argname if isinstance(val, bytes) or (isinstance(val, str) and len(val) > 60) else None


def pytest_collection_modifyitems(items):
    """Begin with the files of slow tests, and spread those that wait for a device among all.

    Whoever gets a slow file last would keep the other workers waiting, and where files that wait
    come one after another nobody uses the cores. The demonstration is waited for as long as it may
    take.
    """
    files = Counter(item.path for item in items)
    slow = Counter(item.path for item in items if item.get_closest_marker("slow"))
    waiting = {item.path for item in items if item.get_closest_marker("waits")}
    computing = sorted((path for path in files if path not in waiting), key=lambda p: -slow[p])
    place = {path: k for k, path in enumerate(computing)}
    # None of them comes last.
    apart = 0.85 * len(computing) / max(len(waiting), 1)
    place |= {path: k * apart for k, path in enumerate(path for path in files if path in waiting)}
    items.sort(key=lambda item: place[item.path])
    for item in items:
        if {"demonstration", "short_demonstration"} & {*item.fixturenames}:
            item.add_marker(pytest.mark.timeout(2 * DEMO_TAKES_S))


def _shared(tmp_path_factory):
    """Return the folder that the processes of a run share."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@pytest.fixture(autouse=True, scope="session")
def _only_chosen_children_are_measured(tmp_path_factory):
    """Take out of the environment what makes each child measure itself, which triples its cost."""
    _STARTED[:] = [_shared(tmp_path_factory) / "started"]
    _STARTED[0].mkdir(exist_ok=True)
    for key in [key for key in os.environ if key.startswith("COV")]:
        _MEASURING[key] = os.environ.pop(key)
    yield
    os.environ.update(_MEASURING)


def _environment():
    """Return the environment of a child that is measured, if coverage is measured at all."""
    return os.environ | _MEASURING | {"PYTHONPATH": str(ROOT), "NO_COLOR": "1", "COLUMNS": "80"}


def _is_new(arguments):
    """Tell whether a command is the first of its kind; options count where it is measured."""
    options = [a for a in arguments[1:] if a.startswith("--")] if _MEASURING else []
    return _is_early(*sorted([*arguments[:1], *options]))


def _is_early(*kind):
    """Tell whether nothing of this kind was started before by any process of this run."""
    try:
        (_STARTED[0] / hashlib.sha256(repr(kind).encode()).hexdigest()).touch(exist_ok=False)
    except FileExistsError:
        return False
    return True


def _run(
    *arguments, cwd=None, status=0, env=None, timeout=250, measured=True, stdin=None, bound=False,
    whole=False, **keywords,
):  # fmt: skip
    arguments = [str(argument) for argument in arguments]
    new = measured and _is_new(arguments)
    environment = _environment() if new else unmeasured(_environment())
    environment |= env or {}
    how = {"cwd": cwd, "env": environment, "timeout": timeout, "text": True} | keywords
    prepared = _prepared()
    if bound or not (new or whole or stdin or not prepared.serves(environment)):
        done = prepared.run(arguments, bound=bound, **how)
    else:
        how |= {"stdin": stdin, "capture_output": True}
        done = subprocess.run([sys.executable, "-m", "analysis", *arguments], check=False, **how)
    assert status in (None, done.returncode), (done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in str(done.stderr)
    return done


def _prepared():
    """Return the process that forks for the commands of this worker."""
    if not _PREPARED:
        _PREPARED.append(Prepared(unmeasured(_environment()), ROOT))
    return _PREPARED[0]


def pytest_unconfigure():
    """End what served the tests of this process."""
    while _PREPARED:
        _PREPARED.pop().end()


def _children():
    """Return the processes that tests have started and that are still there, proc_pid_task(5)."""
    found = set()
    for path in Path("/proc/self/task").glob("*/children"):
        with contextlib.suppress(OSError):  # a thread that has just ended
            found |= {int(pid) for pid in path.read_text().split()}
    return found - {prepared.pid for prepared in _PREPARED}


@pytest.fixture(autouse=True)
def _nothing_outlives_its_test():
    """End every process that a test started and left behind, so that none disturbs the next."""
    before = _children()
    yield
    for pid in _children() - before:
        with contextlib.suppress(OSError):
            # The helpers of multiprocessing serve the whole of this process.
            started = Path(f"/proc/{pid}/cmdline").read_bytes()
            if not (b"resource_tracker" in started or b"forkserver" in started):
                os.kill(pid, signal.SIGKILL)
                os.waitpid(pid, 0)


@pytest.fixture
def child_env(request):
    """Environment for child processes, in which the tree under test is importable.

    Measured for the first tests of a file.
    """
    early = _is_early("child_env", request.path)
    return _environment() if early else unmeasured(_environment())


def unmeasured(env):
    """Return an environment in which a child process is not measured for coverage."""
    return {key: value for key, value in env.items() if not key.startswith("COV")}


@pytest.fixture
def start_daemon(request, monkeypatch, tmp_path):
    """Return a function that starts ``ebbwatt log`` in a folder; what is left at the end is killed.

    The live snapshot is then found by this process as well. ``measured=False`` switches the
    measuring of coverage off, which costs the daemon memory of its own. Unless it is ``new``, it
    finds an empty database, because to prepare one takes a child process; in
    ``tests/logger/test_daemon.py`` it makes its own.
    """
    runtime, here = str(tmp_path / "run"), request.path
    monkeypatch.setenv("RUNTIME_DIRECTORY", runtime)
    daemons = []

    def start(folder, *, measured=True, module=("analysis", "log"), new=False, **environment):
        if not new:
            put_empty(folder / "ebbwatt.db")
        env = _environment() if measured and _is_early("log", here) else unmeasured(_environment())
        daemon = subprocess.Popen(
            [sys.executable, "-m", *map(str, module)],
            cwd=folder,
            env=env | {"RUNTIME_DIRECTORY": runtime} | environment,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
        )
        daemons.append(daemon)
        return daemon

    yield start
    for daemon in daemons:
        daemon.kill()
        # A test that waited in vain has not read it; pytest shows it with the failure.
        print(daemon.communicate()[1])


@pytest.fixture
def ebbwatt():
    """Run the command in a child process, as a person would; return the completed process."""
    return _run


@pytest.fixture(scope="session")
def run_ebbwatt():
    """Run the command like ``ebbwatt``, for fixtures that outlive a test."""
    return _run


@pytest.fixture(scope="session")
def demonstration(tmp_path_factory):
    """Return the folder of a demonstration, to be read and not changed, and how it was made.

    The processes of a run share one. It is not measured for coverage, with which it takes four
    times as long.
    """
    return _demonstration(_shared(tmp_path_factory) / "demo")


@pytest.fixture(scope="session")
def asked(demonstration, tmp_path_factory):
    """Return a function from a command to what it prints in the demonstration's folder.

    Each is asked once in a run, whichever process asks.
    """
    folder, _ = demonstration
    shared = _shared(tmp_path_factory)

    def ask(*command, width="80"):
        name = hashlib.sha256(repr((command, width)).encode()).hexdigest()
        with (shared / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            said = shared / f"{name}.txt"
            if not said.exists():
                how = {"cwd": folder, "env": {"COLUMNS": width}, "timeout": DEMO_TAKES_S}
                said.write_text(_run(*command, measured=False, **how).stdout, encoding="utf-8")
            return said.read_text(encoding="utf-8")

    return ask


@pytest.fixture(scope="session")
def short_demonstration(tmp_path_factory):
    """Return the folder of a demonstration of 400 days; each command takes a quarter there.

    That is long enough for a rise of the fuel use, which is held against the loss of output.
    """
    return _demonstration(_shared(tmp_path_factory) / "short", "--days", "400")[0]


def _demonstration(place, *options):
    """Return the folder of the demonstration that is made at a place, and how it was made."""
    folder, made = place / "dabchick", place.with_suffix(".pickle")
    with place.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            options = ("--out", folder, "--until", DEMO_UNTIL, *options)
            done = _run("demo", *options, timeout=DEMO_TAKES_S, measured=False)
            made.write_bytes(pickle.dumps(done))
        return folder, pickle.loads(made.read_bytes())


@pytest.fixture
def without_coverage():
    """Measure no coverage in this process: many repetitions of what other tests measure."""
    with coverage_paused():
        yield


@pytest.fixture(autouse=True)
def _no_reader_from_before():
    """Let no command that ran inside this process decide in which days and units a test reads."""
    read_by(Owner())


@pytest.fixture
def program():
    """Return what finds a program that a test needs; never silently skipped in CI."""
    return missing.program


@pytest.fixture(scope="session")
def empty_store():
    """Return the bytes of a prepared, empty database."""
    return empty_database()


@pytest.fixture
def store(tmp_path, empty_store):
    """Return a prepared, empty database."""
    path = tmp_path / "ebbwatt.db"
    path.write_bytes(empty_store)
    return path


@pytest.fixture
def bluez(tmp_path, program):
    """Run our own org.bluez on a private bus, with an invented charger in reach."""
    program("dbus-daemon", "dbus")
    bus = Bus(tmp_path)
    rig = BlueZ(bus.address, {ADDRESS: PERIPHERAL})
    rig.bus = bus
    rig.address = bus.address
    yield rig
    rig.kill()
    bus.kill()


@pytest.fixture
def radio_boat(tmp_path, bluez, start_daemon):
    """Return a folder whose configuration listens to the radio, and what starts its daemon."""
    folder = tmp_path / "boat"
    folder.mkdir()
    (folder / "ebbwatt.toml").write_text(RADIO_CONFIG.format(address=ADDRESS))
    (folder / "device.toml").write_text(quick_description())
    # Unmeasured: its memory is looked at.
    return folder, partial(
        start_daemon, folder, measured=False, DBUS_SYSTEM_BUS_ADDRESS=bluez.address
    )
