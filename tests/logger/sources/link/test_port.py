"""Faults of a serial port, with another process at its far end: survived under the supervisor."""

import asyncio
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial

import pytest

from logger.errors import SourceError
from logger.sources.link.port import LineSettings, PortLink
from logger.sources.link.supervision import MOST_TOLD
from tests.support.rigs.devices.pty_line import PtyLine, SpokenLine
from tests.support.rigs.devices.sources import source_from
from tests.support.rigs.live import wait_for
from tests.support.rigs.supervised import survives

pytestmark = pytest.mark.waits

TEXT = """
[source]
kind = "serial"
port = "{port}"
allow_network = true
[source.decoder]
kind = "{decoder}"
[source.fields]
voltage_v = "U"
current_a = "I"
[source.timing]
stale_s = 0.8
first_reading_s = 2
first_wait_s = 0.05
longest_wait_s = 0.2
"""
POLLED = """
[source.poll]
send = [{{ text = "V?\\r", columns = ["U"] }}, {{ text = "{second}\\r", columns = ["I"] }}]
every_s = 0.02
answer_s = 0.5
late_s = 0.5
"""
SPEAKS = """\
import os, sys, time
while True:
    os.write(int(sys.argv[1]), b"U=13.52 I=4.20\\r\\n")
    time.sleep(0.02)
"""
ANSWERS = """\
import os, sys, time
fd, waiting = int(sys.argv[1]), b""
while True:
    try:
        waiting += os.read(fd, 4096)
    except OSError:  # nobody has the line open
        time.sleep(0.01)
    while b"\\r" in waiting:
        question, _, waiting = waiting.partition(b"\\r")
        os.write(fd, {b"V": b"13.52\\r\\n", b"I": b"4.20\\r\\n"}[question[:1]])
"""
SERVES = """\
import socket, sys, time
with socket.create_server(("127.0.0.1", int(sys.argv[1]))) as server:
    print(server.getsockname()[1], flush=True)
    peer, _ = server.accept()
    while True:
        peer.sendall(b"U=13.52 I=4.20\\r\\n")
        time.sleep(0.02)
"""
HOLDS = """\
import serial, sys
port = serial.Serial(sys.argv[1], exclusive=True)
print("held", flush=True)
sys.stdin.read()
"""
STEALS = """\
import os, sys, time
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
for _ in range(100):
    time.sleep(0.005)
    try:
        os.read(fd, 7)
    except BlockingIOError:
        pass
"""


class Server:
    """A device behind a network port, in a process of its own; always the same number."""

    def __init__(self):
        self.number = 0
        self.plug()
        self.name = f"socket://127.0.0.1:{self.number}"

    def plug(self):
        command = [sys.executable, "-c", SERVES, str(self.number)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE)
        self.number = int(self.process.stdout.readline())

    def unplug(self):
        self.process.kill()
        self.process.communicate()


# --- what is done to the line --------------------------------------------------------------------


def pull(line):
    line.unplug()


def plug(line):
    line.plug()


def replug(line):
    line.unplug()
    line.plug()


def pull_in_the_middle_of_a_line(line):
    line.process.send_signal(signal.SIGSTOP)
    line.write(b"U=13.")
    line.unplug()


def put_a_file_in_its_place(line):
    line.unplug()
    line.name.write_text("")


def stop(line):
    line.process.send_signal(signal.SIGSTOP)


def go_on(line):
    line.process.send_signal(signal.SIGCONT)


def give_to_another_program(line):
    """Replug the line so that another program has it before it gets its name."""
    line.unplug()
    name, line.name = line.name, line.name.with_name("unknown")
    PtyLine.plug(line)
    command = [sys.executable, "-c", HOLDS, str(line.name)]
    line.holder = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert line.holder.stdout.readline() == b"held\n"
    line.name = line.name.rename(name)


def take_from_it(line):
    line.holder.communicate()
    line.speak()


def steal_from(line):
    subprocess.run([sys.executable, "-c", STEALS, str(line.name)], check=True)


GONE, NONE = "the port is gone", "there is no such port"


@dataclass
class Fault:
    """What is done, why a session ends then, how it is undone, and on which kind of line."""

    does: Callable
    says: str
    undo: Callable | None = None
    port: str = "{name}"
    polled: bool = False
    line: str = ""
    second: str = "I?"


#: What pyserial 3.5 shows under each fault (tried out beforehand on Linux pseudo-terminals).
FAULTS = {
    "device missing": Fault(pull, NONE, plug),
    "path is no tty": Fault(put_a_file_in_its_place, "is not a serial port", plug),
    "unplugged while reading": Fault(pull, GONE, plug),
    "unplugged in the middle of a line": Fault(pull_in_the_middle_of_a_line, GONE, plug),
    # Asking how much waits then fails with a plain OSError.
    "unplugged, read through the library": Fault(pull, GONE, plug, port="alt://{name}"),
    "unplugged in the middle of a line, read through the library": Fault(
        pull_in_the_middle_of_a_line, GONE, plug, port="alt://{name}"
    ),
    "unplugged, then written to": Fault(pull, GONE, plug, polled=True),
    # is_open stays true, and nothing tells.
    "silent": Fault(stop, "no reading for 0.8 s", go_on),
    "silent, read through the library": Fault(
        stop, "no reading for 0.8 s", go_on, port="alt://{name}"
    ),
    "silent when asked": Fault(stop, "no reading for 0.8 s", go_on, polled=True),
    "does not take what is written": Fault(
        stop, "no reading for 0.8 s", go_on, polled=True, second="I" * 9000
    ),
    # Switching these fails on a pseudo-terminal (ENOTTY), as on adapters without the lines.
    "no modem lines": Fault(
        pull, NONE, plug,
        line="[source.line]\ndtr = false\nrts = false\n",
    ),
    # A pseudo-terminal has no parity bit, and says so from the second time on.
    "driver refuses a setting": Fault(
        stop, "the driver refuses the settings of [line] (Invalid argument)", replug,
        line="[source.line]\nparity = 'even'\n",
    ),
    "exclusive twice": Fault(
        give_to_another_program, "another program has the port open", take_from_it
    ),
    # The lock is advisory: bytes are lost, and perhaps a session.
    "two programs on one port": Fault(steal_from, ""),
    "socket:// closed by its peer": Fault(pull, "nobody listens there", plug, port="socket://"),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_is_survived_three_times(tmp_path, name):
    fault = FAULTS[name]
    if fault.port == "socket://":
        line = Server()
    else:
        line = SpokenLine(tmp_path / "charger", ANSWERS if fault.polled else SPEAKS)
    port = str(line.name) if fault.port == "socket://" else fault.port.format(name=line.name)
    decoder = 'csv"\ncolumns = ["U"]\ndelimiter = ";' if fault.polled else "keyvalue"
    text = TEXT.format(port=port, decoder=decoder)
    text += fault.line + (POLLED.format(second=fault.second) if fault.polled else "")
    threads = threading.active_count()
    try:
        link = survives(
            source_from(tmp_path, text), partial(fault.does, line), fault.says,
            fault.undo and partial(fault.undo, line), many=3,
        )  # fmt: skip
    finally:
        line.unplug()
    last = link.readings[-1]
    assert (last.voltage_v, last.current_a) == (13.52, 4.2)
    if link.reasons:
        first, *others = dict.fromkeys(link.reasons)
        told = [f"{first}; trying again until it is back"]
        told += [f"{other}; still trying" for other in others]
        assert link.notices == told[:MOST_TOLD], "each reason is told once"
    if fault.does is give_to_another_program:
        # proc_pid_comm(5): the name of a program of the same user.
        assert any(f"process {line.holder.pid})" in reason for reason in link.reasons)
        assert any("has the port open (python" in reason for reason in link.reasons)
    assert link.changes[-1].losses == len(link.reasons), "and counted"
    wait_for(lambda: threading.active_count() <= threads + 1)


def test_a_write_that_fails_ends_the_session_by_itself(tmp_path):
    line = SpokenLine(tmp_path / "charger", SPEAKS)

    async def main():
        link = PortLink(str(line.name), LineSettings())
        await link.open()
        line.unplug()
        await link.send(b"V?\r")
        told = []
        for _ in range(20):
            await asyncio.sleep(0.05)
            with suppress(SourceError):
                while link.inbox.taken() is not None:
                    pass
                continue
            told.append(GONE)
        await link.close()
        return told

    assert asyncio.run(main()) == [GONE, GONE], "the reader tells, and the writer"
