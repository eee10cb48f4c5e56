"""A CAN interface of Linux, listened to through a raw socket of the kernel.

Only frames with the wanted identifiers come through: the kernel filters the rest. Nothing is ever
sent; a socket that only receives acknowledges nothing either, since that is done by the controller:
set the interface to listen-only where not even that is wanted.
"""

from __future__ import annotations

import errno
import math
import socket
import struct
import time
from typing import TYPE_CHECKING

from logger.errors import SourceError
from logger.sources.can.signals import EXTENDED, EXTENDED_BITS, STANDARD_BITS, TOO_SHORT
from logger.sources.link.sockets import SocketLink, explained

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.refusals import Refusals
    from logger.sources.can.signals import CanDecoder

#: struct can_frame of linux/can.h: identifier with flags, number of bytes, padding, data.
FRAME = struct.Struct("=IB3x8s")
#: A filter takes what equals its identifier in the bits of its mask (CAN_RAW_FILTER).
_FILTER = struct.Struct("=II")
#: Flags of frames that ask for data, and that tell of errors: neither holds a value.
_REQUEST, _ERROR = 0x40000000, 0x20000000
#: Frames taken in one go, so that a bus that is full leaves the rest of the program its turn.
MOST_AT_ONCE = 64

REASONS = {
    errno.ENODEV: "there is no such interface; is the adapter in, and its driver loaded?",
    errno.ENXIO: "there is no such interface; is the adapter in, and its driver loaded?",
    errno.ENETDOWN: "the interface is down; ip link set it up with the bit rate of the bus",
    errno.EAFNOSUPPORT: "no CAN here: the kernel has none, or the service may not use it",
    errno.EPROTONOSUPPORT: "no CAN here: load the module can_raw",
    errno.EPERM: "no permission to use CAN",
    errno.EACCES: "no permission to use CAN",
}


def open_socket(interface: str, identifiers: tuple[int, ...] | None) -> socket.socket:
    """Return a socket that receives the frames of these identifiers, None for all, and sends none.

    Raises
    ------
    OSError
        If the kernel has no CAN, or no such interface.
    """
    made = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    try:
        made.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, filters(identifiers))
        made.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_LOOPBACK, 0)
        made.bind((interface,))
    except BaseException:
        made.close()
        raise
    return made


def filters(identifiers: tuple[int, ...] | None) -> bytes:
    """Return the filters that let these identifiers through, and no request for data."""
    if identifiers is None:
        return _FILTER.pack(0, _REQUEST)
    packed = b""
    for identifier in identifiers:
        bits = EXTENDED_BITS if identifier & EXTENDED else STANDARD_BITS
        packed += _FILTER.pack(identifier, EXTENDED | _REQUEST | bits)
    return packed


class BusLink(SocketLink):
    """A session on a CAN interface.

    Parameters
    ----------
    interface
        Its name, such as can0.
    decoder
        Knows the identifiers that are wanted.
    every_s
        From each identifier (and page of it) one frame is taken per so long: some devices send a
        hundred a second.
    refusals
        Where frames that hold nothing are counted.
    """

    make: Callable[[str, tuple[int, ...] | None], socket.socket] = staticmethod(open_socket)

    def __init__(
        self, interface: str, decoder: CanDecoder, every_s: float, refusals: Refusals
    ) -> None:
        super().__init__()
        self._interface = interface
        self._decoder = decoder
        self._every_s = every_s
        self._refusals = refusals
        self._taken_s: dict[tuple[int, int | float | None], float] = {}

    async def open(self) -> None:
        """Open the interface.

        Raises
        ------
        SourceError
            If there is none.
        """
        try:
            made = self.make(self._interface, self._decoder.identifiers)
        except OSError as error:
            raise SourceError(explain(error)) from None
        made.setblocking(False)
        self._socket = made
        self._loop.add_reader(made.fileno(), self._readable, made)

    async def send(self, payload: bytes) -> None:
        """Refuse: nothing is ever sent to the bus."""
        raise SourceError(f"a CAN bus is only listened to: {len(payload)} bytes cannot be sent")

    def _readable(self, made: socket.socket) -> None:
        now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        for _ in range(MOST_AT_ONCE):
            try:
                data = made.recv(FRAME.size)
            except (BlockingIOError, InterruptedError):
                return
            except OSError as error:
                self._lose(explain(error))
                return
            if not data:
                self._lose("the interface is gone")
                return
            self._take(now_s, data)

    def _take(self, now_s: float, data: bytes) -> None:
        if len(data) != FRAME.size:
            self._refusals.count("no classic CAN frame", data)
            return
        identifier, length, payload = FRAME.unpack(data)
        if identifier & (_REQUEST | _ERROR) or length > len(payload):
            self._refusals.count("no data in a CAN frame", data)
            return
        frame = identifier.to_bytes(4, "big") + payload[:length]
        if not self._decoder.is_whole(frame):
            self._refusals.count(TOO_SHORT, frame)
            return
        page = self._decoder.page(frame)
        # every_s is a little shorter here: a device that sends once per every_s by a clock that is
        # faster than ours would else lose every second frame.
        if page is None or now_s - self._taken_s.get(page, -math.inf) < 0.9 * self._every_s:
            return
        self._taken_s[page] = now_s
        self.inbox.put((now_s, frame, ""))


def explain(error: OSError) -> str:
    """Say in one line what is wrong with an interface."""
    return explained(error, REASONS)
