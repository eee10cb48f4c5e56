"""Readings wait for one another while nobody watches, and none is lost by it."""

import asyncio
import fcntl
import os
import signal
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

import pytest

from analysis.history.history import load_history
from logger.errors import SourceError
from logger.sources.link.inbox import MOST_WAITING, Inbox
from logger.system.onlookers import Onlooker, Onlookers
from logger.system.snapshot import read_snapshot, snapshot_path
from tests.support.rigs.devices.pty_line import PtyLine
from tests.support.rigs.live import wait_for

pytestmark = pytest.mark.waits

CONFIG = """\
[charger]
rated_w = 110
[store]
commit_s = 2
[source]
kind = "serial"
port = "charger"
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
runtime_h = { from = "RT", unit = "s" }
"""


def chunk(number):
    return (float(number), b"x", "")


def test_what_waits_is_given_in_one_go_and_in_its_order():
    async def session():
        inbox, loop = Inbox(), asyncio.get_running_loop()
        inbox.hold_s = 0.4
        arrivals = [loop.call_later(0.05 * k, inbox.put, chunk(k)) for k in range(1, 20)]
        got = []
        while len(got) < len(arrivals):
            got.append((await inbox.receive(), loop.time()))
        return got

    got = asyncio.run(session())
    assert [c for c, _ in got] == [chunk(k) for k in range(1, 20)]
    wakes = sorted({round(at_s, 2) for _, at_s in got})
    assert len(wakes) <= 4, (
        "a second is three wakes at most, and one more where they are told apart"
    )


@pytest.mark.parametrize(
    "items",
    [[SourceError("the cable is out")], [chunk(k) for k in range(MOST_WAITING // 2 + 1)]],
    ids=["loss", "flood"],
)
def test_a_loss_and_a_flood_do_not_wait(items):
    async def session():
        inbox = Inbox()
        inbox.hold_s = 1e6
        asyncio.get_running_loop().call_later(0.05, lambda: [inbox.put(item) for item in items])
        async with asyncio.timeout(200.0):
            return await inbox.receive()

    if len(items) == 1:
        with pytest.raises(SourceError, match="out"):
            asyncio.run(session())
    else:
        assert asyncio.run(session()) == chunk(0)


def test_nothing_that_a_thread_puts_is_forgotten_while_the_waiting_is_switched():
    count = 5000

    async def session():
        inbox = Inbox()

        def talk():
            for k in range(count):
                inbox.put(chunk(k))
                if k % 50 == 0:
                    time.sleep(0.0005)

        threading.Thread(target=talk, daemon=True).start()
        async with asyncio.timeout(200.0):
            for k in range(count):
                inbox.hold_s = 0.001 if k // 7 % 2 else 0.0
                assert await inbox.receive() == chunk(k)
        return inbox.overflowed

    assert asyncio.run(session()) == 0


def test_who_looks_on_is_known_until_the_kernel_says_they_have_gone(tmp_path):
    snapshot = tmp_path / "live.json"
    daemon, person = Onlookers(snapshot), Onlooker(snapshot)
    person.look()  # no daemon yet: nothing to look at
    assert not daemon.present()
    person.look()
    assert daemon.present()
    person.close()
    assert not daemon.present()
    code = (
        "import sys, time, pathlib; from logger.system.onlookers import Onlooker\n"
        "o = Onlooker(pathlib.Path(sys.argv[1])); o.look(); print(flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code, snapshot], stdout=subprocess.PIPE) as other:
        other.stdout.readline()
        assert daemon.present()
        other.kill()
    assert not daemon.present()
    # A daemon that was started again has a file of its own.
    person.look()
    daemon.close()
    again = Onlookers(snapshot)
    assert not again.present()
    person.look()
    assert again.present()


def test_where_it_cannot_be_known_somebody_may_be_watching(tmp_path):
    # A file where the folder should be: no lock can be looked at there.
    (tmp_path / "file").touch()
    assert Onlookers(tmp_path / "file" / "live.json").present()


def unread(port):
    """Return how many bytes the kernel holds that nobody has read from a port, ioctl_tty(2)."""
    fd = os.open(port, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        return int.from_bytes(fcntl.ioctl(fd, termios.FIONREAD, bytes(4)), sys.byteorder)
    finally:
        os.close(fd)


def test_unwatched_the_daemon_takes_its_time_and_loses_nothing(tmp_path, start_daemon):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    path = snapshot_path(tmp_path / "ebbwatt.db")
    line = PtyLine(tmp_path / "charger")
    daemon = start_daemon(tmp_path)
    stop = threading.Event()
    spoken = []

    def talk():
        while not stop.wait(0.1):
            spoken.append(len(spoken))
            line.write(b"U=13.20 I=8.00 RT=%d\n" % spoken[-1])

    def batch():
        """Return how many readings the next renewal adds."""
        before = read_snapshot(path).readings
        return wait_for(lambda: read_snapshot(path).readings - before)

    talker = threading.Thread(target=talk)
    talker.start()
    try:
        wait_for(lambda: (shown := read_snapshot(path)) and shown.reading)
        batch()
        assert batch() >= 15, "two seconds of readings in one go"
        person = Onlooker(path)

        def current():
            person.look()
            return batch() <= 12 and read_snapshot(path).reading_age_s < 0.5

        wait_for(current)
        person.close()
        wait_for(lambda: batch() >= 15)
        time.sleep(1.0)
        stop.set()
        talker.join()
        wait_for(lambda: not unread(line.name))
        time.sleep(0.2)  # what was said last is in the inbox
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(200) == 0
        told_h = load_history(tmp_path / "ebbwatt.db").runtime_h[-1]
        assert 3600.0 * told_h == pytest.approx(spoken[-1])
        assert not Path(f"{path}.watched").exists()
    finally:
        stop.set()
        line.unplug()
