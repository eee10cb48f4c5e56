"""A CAN bus where the kernel has none: frames come through a socket of the same kind of size.

``python -m tests.support.rigs.devices.can_bus COMMAND ...`` runs the program on it: the interface
``can0`` is a datagram socket of that name in the folder at hand, and any attempt to send ends the
program.
"""

import errno
import os
import socket
import struct
import sys
import threading
from pathlib import Path

from logger.sources.can.bus import FRAME, BusLink

#: What stands in a folder whose interface is gone.
DOWN = "can0.down"


class Deaf(socket.socket):
    """A socket from which nothing can be sent."""

    def _refuse(self, *_arguments, **_keywords):
        os._exit(99)  # whoever catches an error must not hide it

    send = sendall = sendto = sendmsg = _refuse


def open_stand_in(interface, identifiers):
    """Stand in for ``logger.sources.can.bus.open_socket``."""
    if Path(DOWN).exists():
        raise OSError(errno.ENODEV, "No such device")
    assert identifiers is None or identifiers
    Path(interface).unlink(missing_ok=True)
    made = Deaf(socket.AF_UNIX, socket.SOCK_DGRAM)
    made.bind(interface)
    return made


def can_frame(identifier, data):
    """Return a frame as the kernel hands it over."""
    return FRAME.pack(identifier, len(data), data.ljust(8, b"\0"))


def frames(volts=13.2, amps=8.0, mode=2, seconds=2_169_000, warmth=31.5):
    """Return the three frames of the invented charger of fixtures/devices/can-frames.dbc."""
    output = struct.pack("<HhB3x", round(100 * volts), round(100 * amps), mode)
    page1 = struct.pack(">BI3x", 1, seconds)
    page2 = struct.pack(">Bh5x", 2, round(10 * warmth))
    return [
        can_frame(0x98FF5111, output),
        can_frame(0x123, page1),
        can_frame(0x123, page2),
        can_frame(0x7FF, b"\x01"),  # somebody else's
    ]


class Bus:
    """Sends the charger's frames twenty times a second to whoever listens in a folder."""

    def __init__(self, folder):
        self.folder = folder
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            out.setblocking(False)
            while not self.stop.wait(0.05):
                for frame in frames() if not (self.folder / DOWN).exists() else [b""]:
                    try:
                        out.sendto(frame, str(self.folder / "can0"))
                    except OSError:
                        break  # nobody listens, or has not kept up

    def vanish(self):
        (self.folder / DOWN).touch()

    def appear(self):
        (self.folder / DOWN).unlink()

    def end(self):
        self.stop.set()
        self.thread.join()


if __name__ == "__main__":
    from analysis.__main__ import main

    BusLink.make = staticmethod(open_stand_in)
    sys.exit(main(sys.argv[1:]))
