"""The command line as a whole: help, wrong use, and what it does not load."""

import signal
import subprocess
import sys
import time

import pytest

from analysis import parser
from tests.conftest import ROOT, unmeasured


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
    assert "invalid choice: 'reprot'" in done.stderr


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
        " 'sqlite3', 'subprocess'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    # Measuring coverage loads a database of its own.
    done = subprocess.run(
        [sys.executable, "-c", code], env=unmeasured(child_env), capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("command", ["log", "probe"])
def test_ctrl_c_in_the_first_moments_is_no_page_of_errors(tmp_path, child_env, command):
    (tmp_path / "ebbwatt.toml").write_text(
        "[charger]\nrated_w = 110\n[source]\nkind = 'simulated'\nseed = 7\n"
    )
    # Not measured: the start of coverage takes an interrupt for its own absence, and goes on.
    for after_ms in (20, 35, 50, 65, 80, 100, 125, 150, 175, 200):
        process = subprocess.Popen(
            [sys.executable, "-m", "analysis", command],
            cwd=tmp_path, env=unmeasured(child_env), stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        time.sleep(after_ms / 1000)
        process.send_signal(signal.SIGINT)
        try:
            _, told = process.communicate(timeout=20)
        finally:
            process.kill()
        # Before the program's first line Python itself may be interrupted, and shows its own files.
        assert str(ROOT) not in told, after_ms
        # A shell shows -2 as 130. A finished start ends as documented: in order.
        assert process.returncode in {0, 130, -signal.SIGINT} or "Traceback" in told, after_ms
