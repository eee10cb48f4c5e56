"""No command runs what stands in the current folder, which may be a stick from somebody else.

Python looks for modules in the current folder where a program is started by ``python -m``: see
"-P" in the Python documentation, "Command line and environment".
"""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.parser import COMMANDS
from tests.conftest import ROOT, unmeasured
from tests.support.missing import missing
from tests.support.rigs.live import live, wait_for

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]
SCRIPT = Path(sys.executable).with_name("ebbwatt")
OURS = {"analysis", "logger"}
OTHERS = {
    "bleak", "dbus_fast", "numpy", "pandas", "pyarrow", "rich", "scipy", "serial",
    "sitecustomize", "sqlite_utils", "tests", "usercustomize",
}  # fmt: skip
#: Leaves its name and ends the program.
POISON = """\
with open({mark!r}, "a") as mark:
    mark.write(__name__ + "\\n")
raise ImportError("poisoned")
"""
CONFIG = """\
[charger]
rated_w = 110
[store]
commit_s = 1
commit_rest_s = 1
[log]
interval_s = 0.1
[source]
kind = "simulated"
seed = 7
"""
RECORDING = """\
time,voltage_v,current_a,state
2026-03-01T00:00:00Z,13.2,7.5,running
2026-03-01T00:00:01Z,13.2,7.5,running
2026-03-01T00:00:02Z,13.2,7.5,running
"""


@pytest.fixture(scope="module")
def mark(tmp_path_factory):
    return tmp_path_factory.mktemp("mark") / "loaded"


@pytest.fixture(scope="module")
def poison(mark):
    """Return what puts a poisoned module of each name into a folder."""

    def put(folder, names=None):
        names = OURS | OTHERS | sys.stdlib_module_names if names is None else names
        for name in names:
            (folder / f"{name}.py").write_text(POISON.format(mark=str(mark)))
            if name in OURS:  # a package is found before a module
                (folder / name).mkdir()
                (folder / name / "__init__.py").write_text(POISON.format(mark=str(mark)))
        return folder

    return put


@pytest.fixture(scope="module")
def ebbwatt_script(mark):
    """Return what runs the installed script, or ``python -m analysis``, in a folder."""
    if not SCRIPT.exists():
        missing("the script ebbwatt is not installed beside this Python: pip install -e .")

    def run(*arguments, cwd, program=(SCRIPT,)):
        mark.unlink(missing_ok=True)
        done = subprocess.run(
            [*program, *map(str, arguments)],
            cwd=cwd, env=unmeasured(os.environ) | {"PYTHONPATH": str(ROOT)},
            capture_output=True, text=True, check=False, timeout=500,
        )  # fmt: skip
        assert not mark.exists(), mark.read_text()
        assert done.returncode == 0, (arguments, done.stdout, done.stderr)
        return done.stdout

    return run


@pytest.fixture(scope="module")
def boat(tmp_path_factory, poison, short_demonstration):
    """Return a poisoned copy of a demonstration's folder."""
    folder = shutil.copytree(short_demonstration, tmp_path_factory.mktemp("strange") / "boat")
    (folder / "recording.csv").write_text(RECORDING)
    return poison(folder)


def test_the_poison_works(tmp_path, poison, mark):
    """Without safe-path mode the current folder's module is run."""
    mark.unlink(missing_ok=True)
    poison(tmp_path, {"logger"})
    done = subprocess.run(
        [sys.executable, "-m", "logger.store.schema"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "poisoned" in done.stderr
    assert mark.read_text() == "logger\n"


USES = {
    "fleet": [("fleet", "--help")],
    "publish": [("publish", "--help")],
    "backup": [("backup", "copy.db")],
    "check": [("check",)],
    "event": [("event", "add", "note", "--text", "a stick"), ("event", "list")],
    "export": [("export", "--events", "-")],
    "fitting": [("fitting",)],
    "fuel": [("fuel",)],
    "import": [("import", "recording.csv")],
    "load": [("load",)],
    "report": [("report", "--html", "page.html", "--json", "document.json")],
    "size": [("size",)],
    "watch": [("watch", "--once")],
    # Last: what comes after it is the new charger's, of which the log holds nothing yet.
    "exchange": [
        (
            "exchange",
            "--old-counter",
            "700",
            "--new-serial",
            "B-1",
            "--new-rated",
            "110",
            "--new-counter",
            "0",
            "--by",
            "A. Fitter",
            "--sheet",
            "sheet.html",
        ),
    ],
}


@pytest.mark.parametrize("command", USES)
def test_a_command_loads_nothing_from_the_current_folder(boat, tmp_path, ebbwatt_script, command):
    # A folder of its own: after an exchange there is no log of the new unit yet to ask about.
    mine = shutil.copytree(boat, tmp_path / "boat")
    for arguments in USES[command]:
        ebbwatt_script(*arguments, cwd=mine)


def test_a_demonstration_loads_nothing_from_the_current_folder(tmp_path, poison, ebbwatt_script):
    folder = poison(tmp_path)
    assert "Dabchick" in ebbwatt_script("demo", "--out", "boat", "--days", "40", cwd=folder)


def test_probe_loads_nothing_from_the_current_folder(tmp_path, poison, ebbwatt_script):
    poison(tmp_path)
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    assert "V" in ebbwatt_script("probe", "--seconds", "1", cwd=tmp_path)


@pytest.mark.parametrize("damaged", [False, True])
def test_the_logger_and_its_children_load_nothing_from_the_current_folder(
    tmp_path, poison, mark, ebbwatt_script, monkeypatch, child_env, damaged
):
    """A new database is prepared by a child, a damaged one checked and mended by others."""
    folder = poison(tmp_path)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    (folder / "ebbwatt.toml").write_text(CONFIG)
    store = folder / "ebbwatt.db"
    if damaged:
        (folder / "recording.csv").write_text(RECORDING)
        ebbwatt_script("import", "recording.csv", cwd=folder)
        data = bytearray(store.read_bytes())
        data[4096 : 2 * 4096] = bytes(4096)
        store.write_bytes(data)
    mark.unlink(missing_ok=True)
    daemon = subprocess.Popen(
        [SCRIPT, "log"], cwd=folder, text=True, stderr=subprocess.PIPE,
        env=child_env | {"RUNTIME_DIRECTORY": str(tmp_path / "run")},
    )  # fmt: skip
    try:
        live(folder, 20)
        if damaged:
            wait_for(lambda: list(folder.glob("ebbwatt.db.damaged*")))
        daemon.send_signal(signal.SIGTERM)
        told = daemon.communicate(timeout=200)[1]
    finally:
        daemon.kill()
        daemon.communicate()
    assert not mark.exists(), mark.read_text()
    assert daemon.returncode == 0, told
    assert ("is set aside" in told) == damaged, told


def test_the_package_run_as_a_module_takes_the_current_folder_off_the_path(
    tmp_path, poison, ebbwatt_script
):
    """What Python loads before the program's first line is out of its reach."""
    before = subprocess.run(
        [sys.executable, "-c", "import runpy, sys; print(*sys.modules)"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    early = {name.partition(".")[0] for name in before.stdout.split()}
    others = (OTHERS | {"logger"} | sys.stdlib_module_names) - early - {"__future__"}
    poison(tmp_path, others - {"sitecustomize", "usercustomize"})
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    (tmp_path / "recording.csv").write_text(RECORDING)
    module = (sys.executable, "-m", "analysis")
    ebbwatt_script("import", "recording.csv", cwd=tmp_path, program=module)
    ebbwatt_script("export", "copy.csv", cwd=tmp_path, program=module)
    ebbwatt_script("report", cwd=tmp_path, program=module)


def test_every_command_was_tried():
    assert {*USES, "demo", "log", "probe"} == set(COMMANDS)


def test_a_source_tree_needs_no_installation(tmp_path, child_env):
    """In the folder of the source itself the program is found, by its children as well."""
    tree = tmp_path / "tree"
    for package in OURS:
        shutil.copytree(ROOT / package, tree / package)
    (tree / "ebbwatt.toml").write_text(CONFIG)
    (tree / "recording.csv").write_text(RECORDING)
    env = {key: value for key, value in child_env.items() if key != "PYTHONPATH"}
    done = subprocess.run(
        [sys.executable, "-m", "analysis", "import", "recording.csv"],
        cwd=tree, env=env, capture_output=True, text=True, check=False, timeout=200,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tree / "ebbwatt.db").exists()
