"""The dashboard as a command: keys, window, pipes, and logs that cannot be read."""

import os
import re
import shutil
import subprocess
import sys
import time

import pytest

from tests.conftest import unmeasured
from tests.support.configurations import AFT_LOCKER
from tests.support.empty import put_empty
from tests.support.missing import program, unable
from tests.support.screens.terminal import Terminal

#: A user whose files the log is.
OTHER = 64124


@pytest.fixture
def boat(tmp_path, ebbwatt):
    """Return a folder with a configuration and a short log."""
    (tmp_path / "ebbwatt.toml").write_text(
        AFT_LOCKER + '[log]\ninterval_s = 30\n[fuel]\n[store]\npath = "store/ebbwatt.db"\n'
    )
    (tmp_path / "store").mkdir()
    put_empty(tmp_path / "store/ebbwatt.db")
    rows = "".join(f"{1700000000 + 30 * k},13.1,8.0,running\n" for k in range(600))
    (tmp_path / "log.csv").write_text("time,voltage_v,current_a,state\n" + rows)
    ebbwatt("import", "log.csv", cwd=tmp_path)
    return tmp_path


@pytest.fixture
def watching(boat, child_env):
    """Return a terminal of 80 x 24 on which the dashboard runs."""
    opened = []

    def start(*arguments, **terminal_settings):
        terminal = Terminal(
            ("-m", "analysis", "watch", *arguments),
            boat,
            unmeasured(child_env),
            **terminal_settings,
        )
        terminal.resize(80, 24)
        opened.append(terminal)
        return terminal

    yield start
    for one in opened:
        one.close()


def since(terminal, words, act):
    """Do something and return what is shown after it, up to these words."""
    before = len(terminal.shown)
    act()
    end_s = time.monotonic() + 200.0
    while words not in terminal.shown[before:]:
        assert time.monotonic() < end_s, terminal.shown[before:]
        terminal.listen()
    return terminal.shown[before:]


def test_keys_open_full_screens_and_q_ends(watching):
    watch = watching()
    watch.until(b"q quit")
    watch.until(b"Cannot say yet")
    for key, words in (
        (b"f", b"How long the fuel lasts"),
        (b"h", b"What to do:"),
        (b"l", b"What the boat draws a day"),
        (b"?", b"a lower bound"),
    ):
        shown = since(watch, words, lambda key=key: watch.press(key))
        assert b"NOT LOGGING" in shown, "the top line stays"
        since(watch, b"7 days", lambda: watch.press(b"\x1b"))
    watch.press(b"q")
    assert watch.ended() == 0
    assert watch.is_clean()


def test_a_new_window_size_is_drawn_at_once(watching):
    watch = watching()
    watch.until(b"Cannot say yet")
    begin_s = time.monotonic()
    took = []
    for columns, lines in ((40, 10), (120, 40), (60, 24)) * 3:
        begin_s = time.monotonic()
        since(watch, b"\x1b[2J", lambda c=columns, n=lines: watch.resize(c, n))
        took.append(time.monotonic() - begin_s)
    # Without the signal it would be drawn at the next whole second. That is almost a second each
    # time but the first, since each change follows a picture at once.
    assert sorted(took)[len(took) // 2] < 0.7, took


@pytest.mark.parametrize("size", [(40, 10), (60, 24), (81, 24), (120, 40)])
def test_the_top_line_stands_at_every_size(watching, size):
    watch = watching()
    watch.until(b"Cannot say yet")
    shown = since(watch, b"q quit", lambda: watch.resize(*size))
    text = re.sub(rb"\x1b\[[0-9;?]*[A-Za-z]", b"\n", shown)
    assert b"NOT LOGGING" in text
    assert b"[??] Cannot say yet" in text


def test_without_a_terminal_to_type_on_there_is_no_hint(boat, child_env):
    done = subprocess.run(
        [sys.executable, "-m", "analysis", "watch", "--once"],
        cwd=boat, env=child_env, capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert "q quit" not in done.stdout


def test_a_dumb_terminal_gets_one_plain_picture_line_by_line(watching):
    watch = watching(term="dumb")
    watch.until(b"Cannot say yet")
    watch.until(b"\r\n\r\n")
    watch.press(b"\x03")
    assert watch.ended() == 0
    assert b"\x1b" not in watch.shown
    assert watch.shown.replace(b"^C", b"").isascii()
    assert watch.shown.count(b"NOT LOGGING") == 1, "one a minute"


def test_a_pipe_gets_pictures_and_its_end_is_quiet(boat, child_env):
    began = subprocess.Popen(
        [sys.executable, "-m", "analysis", "watch"],
        cwd=boat, env=unmeasured(child_env), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert b"aft locker" in began.stdout.readline()
    began.stdout.close()
    assert began.wait(60.0) == 0, "it ends at once when nobody reads, not a minute later"
    assert began.stderr.read() == b""
    began.stderr.close()


def test_once_into_head_ends_quietly_and_well(boat, child_env):
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; '{sys.executable}' -m analysis watch --once | head -1"],
        cwd=boat, env=child_env, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("aft locker")


def damaged(path):
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xa5" * (path.stat().st_size - 4096))


def foreign(path):
    path.write_bytes(b"a letter to the harbour master\n" * 200)


def a_folder(path):
    path.unlink()
    path.mkdir()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (damaged, "is damaged"),
        (foreign, "is not an Ebbwatt database"),
        (a_folder, "is not a file"),
    ],
)
def test_the_headline_says_why_a_log_cannot_be_read(boat, ebbwatt, spoil, words):
    spoil(boat / "store/ebbwatt.db")
    for name in ("ebbwatt.db-wal", "ebbwatt.db-shm"):
        (boat / "store" / name).unlink(missing_ok=True)
    done = ebbwatt("watch", "--once", cwd=boat, status=1)
    lines = done.stdout.splitlines()
    assert lines[2].startswith("?? LOG NOT READABLE")
    assert words in " ".join(lines[3:7])
    assert "NO LOG YET" not in done.stdout
    assert "Traceback" not in done.stderr


def test_a_folder_without_a_log_is_no_failure(boat, ebbwatt):
    shutil.rmtree(boat / "store")
    done = ebbwatt("watch", "--once", cwd=boat)
    assert "NO LOG YET" in done.stdout


@pytest.fixture
def installed(boat):
    """Return the boat's folder as an installed board has it, and the group that may read it."""
    program("setpriv", "util-linux")
    if os.geteuid() != 0:
        unable("only root can give files away")
    group = 64123
    for file in (boat / "store").iterdir():
        os.chown(file, OTHER, group)
        file.chmod(0o640)
    os.chown(boat / "store", OTHER, group)
    (boat / "store").chmod(0o750)
    return boat, group


def as_other(boat, env, groups, *arguments):
    """Run as a user who owns nothing of the log and has no rights beyond the files' modes.

    Not as another user: the interpreter itself may lie where that one may not go.
    """
    caps = "-dac_override,-dac_read_search"
    groups = ["--groups", ",".join(map(str, groups))] if groups else ["--clear-groups"]
    return subprocess.run(
        ["setpriv", "--bounding-set", caps, "--inh-caps", caps, *groups,
         sys.executable, "-m", "analysis", *arguments],
        cwd=boat, env=env, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip


@pytest.mark.parametrize(
    "arguments", [("watch", "--once"), ("report",), ("check",), ("check", "--log"), ("fuel",),
                  ("load",), ("export", "-"), ("event", "list"), ("size",)],
)  # fmt: skip
def test_a_folder_that_may_not_be_read_is_one_clear_line(installed, child_env, arguments):
    boat, _ = installed
    done = as_other(boat, child_env, [], *arguments)
    assert "Traceback" not in done.stderr
    assert done.returncode == 1
    said = " ".join((done.stdout if arguments[0] == "watch" else done.stderr).split())
    assert "this user may not read it; join its group: 'sudo usermod -aG ebbwatt $USER'" in said
    if arguments[0] != "watch":
        assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("arguments", [("watch", "--once"), ("report",), ("load",)])
def test_the_group_may_read_the_log(installed, child_env, arguments):
    boat, group = installed
    done = as_other(boat, child_env, [group], *arguments)
    assert (done.returncode, done.stderr) == (0, "")
    assert "this user may not" not in done.stdout
