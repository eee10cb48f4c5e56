"""What the real daemon tells a service manager over a real datagram socket: sd_notify(3)."""

import itertools
import signal
import socket
import sqlite3
import time

import pytest

from logger.system.notify import Notifier
from tests.support.configurations import SERIAL, SIMULATED
from tests.support.rigs.devices.pty_line import PtyLine

pytestmark = pytest.mark.waits

#: Microseconds of the watchdog in these tests.
USEC = 2_000_000


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, address):
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.heard = []
        """(when, line) of every line."""

    def listen(self, until, limit_s=200.0):
        """Take datagrams until ``until()`` is true of what was heard."""
        end_s = time.monotonic() + limit_s
        while not until():
            self.socket.settimeout(max(end_s - time.monotonic(), 0.01))
            lines = self.socket.recv(4096).decode("ascii").split("\n")
            self.heard += [(time.monotonic(), line) for line in lines]

    def falls_silent(self, for_s):
        """Listen until nothing comes for so long; tell whether that happened."""
        end_s = time.monotonic() + 200.0
        self.socket.settimeout(for_s)
        while time.monotonic() < end_s:
            try:
                self.socket.recv(4096)
            except TimeoutError:
                return True
        return False

    def lines(self):
        return [line for _, line in self.heard]

    def beats(self):
        return [when for when, line in self.heard if line == "WATCHDOG=1"]


@pytest.fixture
def manager(request, tmp_path):
    """The address is a path; one in the abstract namespace where a test asks for it."""
    abstract = getattr(request, "param", "path") == "abstract"
    name = f"\0{tmp_path}" if abstract else str(tmp_path / "notify")
    there = Manager(name)
    there.name = name.replace("\0", "@")
    yield there
    there.socket.close()


def environment(manager):
    return {"NOTIFY_SOCKET": manager.name, "WATCHDOG_USEC": str(USEC)}


@pytest.mark.parametrize("manager", ["path", "abstract"], indirect=True)
def test_it_says_ready_beats_every_half_of_the_time_and_says_stopping(
    manager, tmp_path, start_daemon
):
    (tmp_path / "ebbwatt.toml").write_text(SIMULATED)
    daemon = start_daemon(tmp_path, **environment(manager))
    manager.listen(lambda: len(manager.beats()) >= 5)
    assert manager.lines()[0] == "READY=1"
    assert (tmp_path / "ebbwatt.db").exists(), "ready means that the database is open"
    beats = manager.beats()
    spacing = [b - a for a, b in itertools.pairwise(beats)]
    # sd_watchdog_enabled(3) recommends half of the time; the rest is for a busy machine.
    assert sorted(spacing)[len(spacing) // 2] <= USEC / 1e6 / 2.0 + 0.2
    assert any(line.startswith("STATUS=live; ") for line in manager.lines())
    daemon.send_signal(signal.SIGTERM)
    manager.listen(lambda: "STOPPING=1" in manager.lines())
    assert daemon.wait(200) == 0
    assert manager.lines().count("READY=1") == 1


def test_a_silent_charger_does_not_stop_the_beat(manager, tmp_path, start_daemon):
    PtyLine(tmp_path / "charger")
    (tmp_path / "ebbwatt.toml").write_text(SERIAL.format(timing=""))
    start_daemon(tmp_path, **environment(manager))
    manager.listen(lambda: len(manager.beats()) >= 6)
    assert "STATUS=opening; 0 readings; 0 intervals wait for the disk" in manager.lines()


def test_a_writer_that_hangs_stops_the_beat(manager, tmp_path, start_daemon):
    (tmp_path / "ebbwatt.toml").write_text(SIMULATED)
    stuck = tmp_path / "stuck"
    daemon = start_daemon(
        tmp_path, module=("tests.support.rigs.daemon_stuck_disk", stuck), **environment(manager)
    )
    manager.listen(lambda: len(manager.beats()) >= 2)
    stuck.touch()
    # Beats come twice in each time of the watchdog.
    assert manager.falls_silent(2.5 * USEC / 1e6), "a beat while the writer hangs"
    stuck.unlink()
    so_far = len(manager.beats())
    manager.listen(lambda: len(manager.beats()) > so_far)
    assert daemon.poll() is None, "it logs on"


def test_a_database_that_another_program_holds_does_not_stop_the_beat(
    manager, tmp_path, start_daemon
):
    # The writer is alive then: it keeps what it has in memory, and would lose it by a restart.
    (tmp_path / "ebbwatt.toml").write_text(SIMULATED)
    daemon = start_daemon(tmp_path, **environment(manager))
    manager.listen(lambda: len(manager.beats()) >= 2)
    other = sqlite3.connect(tmp_path / "ebbwatt.db", isolation_level=None, timeout=10.0)
    other.execute("BEGIN IMMEDIATE")
    held_s = time.monotonic()
    manager.listen(lambda: bool(manager.beats()) and manager.beats()[-1] > held_s + 5.0)
    assert daemon.poll() is None
    beats = [beat for beat in manager.beats() if beat > held_s]
    assert max(b - a for a, b in itertools.pairwise(beats)) < 60.0, "WatchdogSec of the unit"
    other.execute("COMMIT")
    other.close()


def test_without_a_manager_nothing_is_said_and_nothing_fails(tmp_path):
    Notifier({}).alive(1e9, lambda: "nobody listens")
    gone = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "5"})
    gone.ready()
    gone.alive(1e9, lambda: "nobody listens")
    gone.stopping()


@pytest.mark.parametrize("usec", ["", "0", "-5", "soon", "\u0665"])
def test_a_watchdog_that_is_off_or_another_process_s_is_not_fed(manager, usec):
    for more in ({"WATCHDOG_USEC": usec}, {"WATCHDOG_USEC": "4000000", "WATCHDOG_PID": "1"}):
        notifier = Notifier({"NOTIFY_SOCKET": manager.name} | more)
        notifier.alive(1e9, lambda: "a line\nWATCHDOG=1\x1b")
        manager.listen(lambda: bool(manager.heard))
        assert manager.lines() == [r"STATUS=a line\nWATCHDOG=1\x1b"]
        manager.heard.clear()


def test_a_manager_that_does_not_listen_does_not_hold_up_the_log(manager):
    notifier = Notifier({"NOTIFY_SOCKET": manager.name})
    began_s = time.monotonic()
    for beat in range(5000):
        notifier.alive(beat * 100.0, lambda: "x" * 60)
    assert time.monotonic() - began_s < 20.0
