"""A signal, or a reader that goes away, ends every command quietly and leaves no half file."""

import array
import fcntl
import gzip
import os
import random
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from logger.config import ChargerConfig
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.conftest import LONG
from tests.support.boats.intervals import minute
from tests.support.rigs.devices.bluez import die_with_parent
from tests.support.rigs.live import QUICK, wait_for
from tests.support.screens.reading import READING

#: Every command that prints or writes, with nothing but a log at hand.
PRINT = {
    "help": ("--help",),
    "man": ("--man",),
    "completion": ("--completion", "bash"),
    "export": ("export", "-"),
    "export events": ("export", "--events", "--format", "jsonl", "-"),
    **{" ".join(command): command for command in READING},
    "size": ("size", "--json"),
    "event json": ("event", "list", "--json"),
    "event add": ("event", "add", "note", "--text", "seen"),
    "check": ("check",),
    "backup": ("backup", "out/copy.db"),
    "import": ("import", "old.csv"),
    "probe": ("probe", "--count", "5"),
}
WRITE = {
    "html": ("report", "--html", "out/made"),
    "document": ("report", "--json", "out/made"),
    "record": ("report", "--commissioning", "out/made"),
    "csv": ("export", "--format", "csv", "out/made"),
    "zipped": ("export", "--format", "csv", "out/made.gz"),
    "parquet": ("export", "--format", "parquet", "out/made"),
    "copy": ("backup", "out/made"),
    "import": ("import", "old.csv"),
    "check": ("check",),
    "load": ("load",),
}
ROWS = 40_000


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """Return a database that commands are busy with for a while."""
    path = tmp_path_factory.mktemp("log") / "ebbwatt.db"
    with Writer(path, ChargerConfig("aft locker", 110.0), SessionStart("test", 1.7e9)) as writer:
        writer.add_event(1.7e9, "gap", 1.0)
        for k in range(ROWS):
            writer.add(minute(1.7e9 + 60.0 * k, runtime_h=812.5 + k / 60.0))
            if k % 4000 == 0:
                writer.commit()
    return path.read_bytes()


@pytest.fixture
def boat(tmp_path, log):
    (tmp_path / "ebbwatt.toml").write_text(QUICK.format(charger="") + "[fuel]\n")
    (tmp_path / "ebbwatt.db").write_bytes(log)
    (tmp_path / "out").mkdir()
    rows = (f"2023-06-01T{k // 60:02}:{k % 60:02}:00Z,13.1,8\n" for k in range(1440))
    (tmp_path / "old.csv").write_text("time,voltage_v,current_a\n" + "".join(rows))
    return tmp_path


@pytest.fixture
def started(boat, child_env):
    """Return what starts a command in the boat's folder; what is left is killed."""
    running = []

    def start(*arguments, **keywords):
        running.append(
            subprocess.Popen(
                [sys.executable, "-m", "analysis", *arguments], cwd=boat, text=True,
                env=child_env | {"RUNTIME_DIRECTORY": str(boat / "run")},
                stderr=subprocess.PIPE, **({"stdout": subprocess.PIPE} | keywords),
                preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
            )
        )  # fmt: skip
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.communicate()


def quiet(process, statuses):
    said = process.communicate(timeout=200)[1]
    assert process.returncode in statuses, (process.returncode, said)
    for word in ("Traceback", "Exception ignored", "Error", "never retrieved"):
        assert word not in said, said


@pytest.mark.parametrize("name", PRINT)
def test_a_reader_that_has_gone_ends_it_as_the_shell_does(started, name):
    """The status is that of SIGPIPE, as of programs that the signal itself ends.

    A picture that somebody looked at long enough is done: ``watch`` ends well.
    """
    reader, writer = os.pipe()
    os.close(reader)
    process = started(*PRINT[name], stdout=writer)
    os.close(writer)
    quiet(process, {0} if PRINT[name][0] == "watch" else {128 + signal.SIGPIPE})


def test_the_head_of_an_export_is_all_that_head_wants(boat, child_env):
    shell = f"set -o pipefail; {sys.executable} -m analysis export - | head -2"
    done = subprocess.run(
        ["bash", "-c", shell], cwd=boat, env=child_env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 141
    assert done.stdout.startswith("start,duration_s,")
    assert done.stderr == ""


def catches(process, number=signal.SIGTERM):
    """Wait until the process has a handler of its own for a signal: proc(5), SigCgt."""

    def caught():
        status = Path(f"/proc/{process.pid}/status").read_text(encoding="ascii")
        mask = next(line for line in status.splitlines() if line.startswith("SigCgt"))
        return process.poll() is not None or int(mask.split()[1], 16) >> (number - 1) & 1

    wait_for(caught)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_an_export_that_waits_for_its_reader(started, number):
    process = started("export", "-")

    sizes = []

    def full():
        size = array.array("i", [0])
        fcntl.ioctl(process.stdout, termios.FIONREAD, size)
        sizes.append(size[0])
        return sizes[-1] and sizes[-10:] == sizes[-1:] * 10

    wait_for(full)
    process.send_signal(number)
    quiet(process, {128 + number})


ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
#: Each command with one of the signals, and each signal with some; in ``make soak`` all of them.
MET = [
    (name, number)
    for k, name in enumerate(WRITE)
    for number in (ENDING if LONG else [ENDING[k % len(ENDING)]])
]


@pytest.mark.parametrize(("name", "number"), MET)
def test_a_signal_at_any_time_leaves_no_half_file(boat, started, name, number):
    process = started(*WRITE[name], stdout=subprocess.DEVNULL)
    catches(process)
    time.sleep(random.Random(f"{name} {number}").uniform(0.0, 1.2))
    process.send_signal(number)
    # The signal itself ends it only when there is nothing more to clean up.
    quiet(process, {0, 128 + number, -number})
    for path in (boat / "out").iterdir():
        assert path.name in {"made", "made.gz"}
        assert whole(path.read_bytes())


def whole(data):
    """Tell whether a file of one of the kinds was written to its end."""
    if data.startswith(b"\x1f\x8b"):
        data = gzip.decompress(data)
    if data.startswith(b"start,"):
        return data.count(b"\n") == ROWS + 1
    ends = {b"<!DO": b"</html>\n", b"{\n": b"}\n", b"PAR1": b"PAR1", b"SQLi": b""}
    return any(data.startswith(head) and data.endswith(tail) for head, tail in ends.items())


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_probe_gives_up_its_source_on_a_signal(started, number):
    process = started("probe")
    process.stdout.readline()
    process.send_signal(number)
    quiet(process, {128 + number})


def test_a_long_check_of_the_database_hears_a_signal(boat, started, child_env):
    """SQLite works for seconds at a stretch; the check of a log of ten years took half a minute."""
    slow = (
        "import sys\nimport logger.store.repair.salvage as salvage\n"
        "def check(path):\n"
        "    with salvage.closing(salvage.open_reader(path)) as db, salvage.translated(path):\n"
        "        salvage.interruptible(db)\n"
        "        print('at work', flush=True)\n"
        "        db.execute('WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) '\n"
        "                   'SELECT count(*) FROM n').fetchone()\n"
        "salvage.whole_check = check\n"
        "from analysis.cli import main\nsys.exit(main(['check']))\n"
    )
    for number in (signal.SIGINT, signal.SIGTERM):
        process = subprocess.Popen(
            [sys.executable, "-c", slow], cwd=boat, env=child_env, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        while process.stdout.readline() not in ("at work\n", ""):
            pass
        process.send_signal(number)
        quiet(process, {128 + number})
