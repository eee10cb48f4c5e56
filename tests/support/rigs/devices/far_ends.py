"""Devices at the far end of a line, each a process of its own; the wire between is listened to."""

import json
import os
import select
import subprocess
import sys
import threading
import time

from tests.support.rigs.devices.bluez import die_with_parent
from tests.support.rigs.devices.pty_line import PtyLine

TALKS = """\
import os, struct, sys, time
from logger.sources.decoders.checksums import crc
fd = int(sys.argv[1])
while True:
    body = b"\\xaa\\x55" + struct.pack("<HhI", 13200, 800, 6025)
    os.write(fd, body + crc("CRC-16/MODBUS", body).to_bytes(2, "little"))
    time.sleep(0.1)
"""
TELLS = """\
import os, sys, time
fd = int(sys.argv[1])
while True:
    os.write(fd, b"U=13.20 I=8.00 MODE=RUN RT=36150 T=31.5\\r\\n")
    time.sleep(0.1)
"""
ANSWERS = """\
import os, sys
fd = int(sys.argv[1])
waiting = b""
while True:
    waiting += os.read(fd, 100)
    while b"\\r\\n" in waiting:
        line, _, waiting = waiting.partition(b"\\r\\n")
        known = {b"MEAS?": b"13.20,8.00,2", b"HOURS?": b"602.5"}
        os.write(fd, known.get(line, b"?") + b"\\r\\n")
"""
WORDS = """\
import os, sys
fd = int(sys.argv[1])
os.write(fd, b"** GROUPE 2.1 **\\r\\nPR\\xcaT 13,0\\r\\n")
known = {
    b"MES": b"Tens. 13,20V Cour. 8,00A en marche",
    b"CPT": b"Compteur 36150 min / Temp. 88,7 F",
}
waiting = b""
while True:
    data = os.read(fd, 100)
    os.write(fd, data)
    waiting += data
    while b"\\r" in waiting:
        line, _, waiting = waiting.partition(b"\\r")
        os.write(fd, b"\\n" + known.get(line, b"?") + b"\\r\\n")
"""
#: What stands at the far end of each kind of line.
FAR_ENDS = {
    "text-lines": TELLS, "binary-frame": TALKS, "polled-text": ANSWERS, "polled-words": WORDS,
}  # fmt: skip
# A server written by others: pymodbus, on a terminal of its own.
SERVES = """\
import asyncio, json, sys
from pymodbus.server import StartAsyncSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice
there = [
    SimData(address=int(at), values=value, datatype=DataType.REGISTERS)
    for at, value in json.loads(sys.argv[2]).items()
]
device = SimDevice(id=1, simdata=there)
asyncio.run(StartAsyncSerialServer(device, port=sys.argv[1], baudrate=19200))
"""


#: The registers of the invented charger, by their numbers.
REGISTERS = dict(enumerate([1320, 800, 2169000 >> 16, 2169000 & 0xFFFF, 2, 315, 0]))


class Device:
    """A device on a line: a process of its own; the wire between is listened to.

    ``values`` are the registers of a Modbus server; it refuses what is not among them. ``code``
    speaks for a device that is not among :data:`FAR_ENDS`, given the number of its descriptor.
    """

    def __init__(self, kind, folder, env, values=REGISTERS, code=None):
        self.kind, self.env = kind, env
        self.heard = b""
        self.line = PtyLine(folder / "charger")
        self.server = PtyLine(folder / "server")
        end = os.open(self.server.name, os.O_RDWR | os.O_NOCTTY)
        if code or kind in FAR_ENDS:
            self.spawn(code or FAR_ENDS[kind], str(end), fds=[end])
        else:
            self.spawn(SERVES, str(self.server.name), json.dumps(values))
            self.server.opened_by(self.process)
        os.close(end)
        self.stop = threading.Event()
        self.relay = threading.Thread(target=self.pump, daemon=True)
        self.relay.start()

    def spawn(self, code, *arguments, fds=()):
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *arguments], pass_fds=fds, env=self.env,
            stderr=subprocess.DEVNULL,
            preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
        )  # fmt: skip

    def pump(self):
        """Carry bytes between the program's line and the device's, and remember the program's."""
        while not self.stop.is_set():
            masters = [self.line.master, self.server.master]
            try:
                ready = select.select(masters, [], [], 0.05)[0]
                for fd in ready:
                    data = os.read(fd, 4096)
                    if fd == self.line.master:
                        self.heard += data
                    os.write(masters[1] if fd == masters[0] else masters[0], data)
            except (OSError, ValueError):
                time.sleep(0.02)  # nobody at the other end just now

    def pull_cable(self):
        self.line.unplug()

    def put_back(self):
        self.line.plug()

    def end(self):
        self.stop.set()
        self.process.kill()
        self.process.wait()
        self.relay.join()
        self.line.unplug()
        self.server.unplug()
