"""What commands leave behind on a real terminal, however they end."""

import re
import signal

import pytest

from tests.conftest import unmeasured
from tests.support.configurations import AFT_LOCKER
from tests.support.empty import put_empty
from tests.support.screens.terminal import BACK, HIDE, Terminal


@pytest.fixture
def terminal(child_env):
    # Measuring of coverage off: the children are ended by signals.
    env = unmeasured(child_env)
    opened = []

    def start(*arguments, cwd):
        opened.append(Terminal(arguments, cwd, env))
        return opened[-1]

    yield start
    for one in opened:
        one.close()


@pytest.fixture
def boat(tmp_path, ebbwatt):
    """Return a folder with a configuration and a short log."""
    (tmp_path / "ebbwatt.toml").write_text(AFT_LOCKER + "[log]\ninterval_s = 30\n")
    rows = "".join(f"{1700000000 + 30 * k},13.1,8.0,running\n" for k in range(600))
    (tmp_path / "log.csv").write_text("time,voltage_v,current_a,state\n" + rows)
    put_empty(tmp_path / "ebbwatt.db")
    ebbwatt("import", "log.csv", cwd=tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    ("how", "status"),
    [("key", 0), (signal.SIGINT, 0), (signal.SIGTERM, 128 + 15), (signal.SIGHUP, 128 + 1)],
)
def test_the_dashboard_leaves_the_terminal_clean(terminal, boat, how, status):
    watch = terminal("-m", "analysis", "watch", cwd=boat)
    watch.until(b"NOT LOGGING")
    assert not watch.is_clean(), "it is on the other screen"
    if how == "key":
        watch.press(b"\x03")
    else:
        watch.process.send_signal(how)
    assert watch.ended() == status
    assert watch.is_clean()
    assert b"Traceback" not in watch.shown


def test_the_dashboard_ends_when_the_line_is_cut(terminal, boat):
    watch = terminal("-m", "analysis", "watch", cwd=boat)
    watch.until(b"NOT LOGGING")
    watch.hang_up()
    assert watch.process.wait(200) == 128 + signal.SIGHUP


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_the_dashboard_ends_at_once_in_the_middle_of_an_assessment(terminal, boat, number):
    code = (
        "import analysis.assessment.case as c, sys, time\n"
        "from analysis.cli import main\n"
        "c.assess = lambda *_: time.sleep(600)\n"
        "sys.exit(main(['watch']))\n"
    )
    watch = terminal("-c", code, cwd=boat)
    watch.until(b"being worked out")
    watch.process.send_signal(number)
    assert watch.process.wait(200) == 128 + number


def test_a_terminal_that_has_gone_before_its_signal_is_a_hang_up(terminal, boat):
    code = (
        "import analysis.show.dashboard.terminal as s, sys\n"
        "from analysis.cli import main\n"
        "def show(*_):\n"
        "    raise OSError(5, 'Input/output error')\n"
        "s.Screen.show = show\n"
        "sys.exit(main(['watch']))\n"
    )
    watch = terminal("-c", code, cwd=boat)
    assert watch.process.wait(200) == 128 + signal.SIGHUP


def test_the_dashboard_leaves_the_terminal_clean_when_it_fails(terminal, boat):
    code = (
        "import analysis.show.dashboard.frame as d, sys\n"
        "from analysis.cli import main\n"
        "real, shown = d.frame, []\n"
        "def frame(*a):\n"
        "    shown.append(1)\n"
        "    return real(*a) if len(shown) < 2 else 1 / 0\n"
        "d.frame = frame\n"
        "sys.exit(main(['watch']))\n"
    )
    watch = terminal("-c", code, cwd=boat)
    assert watch.ended() == 1
    assert watch.is_clean()
    assert watch.shown.rfind(b"ZeroDivisionError") > watch.shown.rfind(BACK)


_SLOW = (
    "import sys, time\n"
    "import {module} as m\n"
    "real = m.{name}\n"
    "def slow(*a, **k):\n"
    "    time.sleep(600.0)\n"
    "m.{name} = slow\n"
    "from analysis.cli import main\n"
    "sys.exit(main({arguments}))\n"
)
#: Long work: what is made slow in it, so that it can be interrupted, and what it shows.
_WORK = {
    "report": ("analysis.assessment.assess", "assess", ["report"], b"estimating"),
    "import": (
        "analysis.transfer.import_readings",
        "Importer.take",
        ["import", "log.csv"],
        b"log.csv",
    ),
    "demo": ("analysis.demo", "live", ["demo", "--out", "d"], b"Dabchick"),
}


@pytest.mark.parametrize("name", _WORK)
@pytest.mark.parametrize(("how", "status"), [("key", 130), (signal.SIGTERM, 143)])
def test_long_work_shows_progress_and_can_be_interrupted(terminal, boat, name, how, status):
    module, slowed, arguments, words = _WORK[name]
    code = _SLOW.format(module=module, name=slowed, arguments=arguments)
    work = terminal("-c", code, cwd=boat)
    work.until(words)
    work.until(HIDE)
    if how == "key":
        work.press(b"\x03")
    else:
        work.process.send_signal(how)
    assert work.ended() == status
    assert work.is_clean()
    assert b"Traceback" not in work.shown


@pytest.mark.parametrize("arguments", [["report"], ["import", "log.csv"]])
def test_long_work_is_quiet_where_nobody_watches(ebbwatt, boat, arguments):
    done = ebbwatt(*arguments, cwd=boat)
    assert done.stderr == ""
    assert not re.search(r"[\x1b\r]", done.stdout)
