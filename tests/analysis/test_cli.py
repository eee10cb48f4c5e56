"""The command line as a whole: help, wrong use, and what it does not load."""

import signal
import subprocess
import sys

import pytest

from analysis import parser
from tests.conftest import unmeasured


def test_every_command_has_help_a_description_and_an_example():
    for name in parser.COMMANDS:
        module = parser.command_module(name)
        assert module.HELP
        assert module.HELP[0].islower()
        assert module.DESCRIPTION.endswith(".")
        assert module.EXAMPLE.startswith(f"ebbwatt {name}")


@pytest.mark.parametrize("name", parser.COMMANDS)
def test_each_command_explains_itself_with_an_example(ebbwatt, name):
    text = ebbwatt(name, "--help").stdout
    assert "example:" in text
    assert f"ebbwatt {name}" in text
    assert "--config" in text


def test_no_command_shows_the_help_and_ends_with_status_2(ebbwatt):
    assert "COMMAND" in ebbwatt(status=2).stdout


def test_wrong_use_is_one_line_and_status_2(ebbwatt):
    done = ebbwatt("report", "--colour", "green", status=2)
    assert done.stderr.startswith("ebbwatt: ")
    assert done.stderr.count("\n") == 1
    done = ebbwatt("reprot", status=2)
    assert "COMMAND: got 'reprot' (did you mean report?); accepted: demo, log" in done.stderr


def test_a_missing_configuration_names_the_places_and_ends_with_status_2(ebbwatt, tmp_path):
    done = ebbwatt("report", cwd=tmp_path, status=2)
    assert "ebbwatt.toml" in done.stderr
    assert "--config" in done.stderr


def test_the_help_loads_nothing_heavy(child_env):
    code = (
        "import sys, contextlib, io\n"
        "from analysis.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):\n"
        "    main(['--help'])\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'rich', 'sqlite_utils', 'bleak', 'serial',"
        " 'sqlite3', 'subprocess', 'gzip'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    # Measuring coverage loads a database of its own.
    done = subprocess.run(
        [sys.executable, "-c", code], env=unmeasured(child_env), capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


#: Starts a command as ``python -m analysis`` does, and presses Ctrl-C where an import runs code
#: whose exceptions Python drops: here a finaliser; the import system has such callbacks too.
_PRESSED_IN_AN_IMPORT = """
import os, runpy, signal, sys

module, command = sys.argv[1:]

class Pressed:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(10000):
            pass

class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == module:
            print("loading", name, file=sys.stderr, flush=True)
            Pressed()

sys.meta_path.insert(0, Finder())
sys.argv = ["ebbwatt", command]
runpy.run_module("analysis", run_name="__main__", alter_sys=True)
"""


@pytest.mark.parametrize(
    ("command", "module", "status"),
    [
        ("probe", "analysis.cli", -signal.SIGINT),
        ("probe", "analysis.commands.probe", -signal.SIGINT),
        ("probe", "asyncio", -signal.SIGINT),
        # From here on the loop stands, and probe ends in order with its counts.
        ("probe", "logger.sources.simulated", 0),
        ("log", "analysis.commands.log", -signal.SIGINT),
        ("log", "logger.daemon", -signal.SIGINT),
        ("watch", "analysis.show.dashboard.watch", -signal.SIGINT),
        ("report", "analysis.parser", -signal.SIGINT),
    ],
)
def test_ctrl_c_inside_an_import_is_never_lost(tmp_path, child_env, command, module, status):
    (tmp_path / "ebbwatt.toml").write_text(
        "[charger]\nrated_w = 110\n[source]\nkind = 'simulated'\nseed = 7\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", _PRESSED_IN_AN_IMPORT, module, command],
        cwd=tmp_path, env=unmeasured(child_env), capture_output=True, text=True, timeout=200,
        check=False,
    )  # fmt: skip
    assert f"loading {module}" in done.stderr
    assert done.returncode == status, done.stderr
    assert "Traceback" not in done.stderr
