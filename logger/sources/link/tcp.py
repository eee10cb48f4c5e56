"""Modbus over TCP: puts the questions of the register decoder into MBAP frames, and back.

The decoder speaks Modbus RTU: unit, function, data, CRC. Over TCP a header stands in front instead
of the CRC behind (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3)::

    00 07  00 00  00 06  01  03 9c 40 00 02
    |      |      |      |   '- function and data, as on a serial line
    |      |      |      '- unit
    |      |      '- number of bytes that follow
    |      '- protocol, always 0
    '- transaction: the answer repeats it

An answer is handed on only if it repeats the transaction of the last question, so that a late one
never passes for another. A stream in which anything else stands is given up: nothing marks where
the next frame begins.
"""

from __future__ import annotations

import asyncio
import errno
import socket
import struct
import time
from typing import TYPE_CHECKING

from logger.errors import SourceError
from logger.sources.decoders.checksums import crc
from logger.sources.link.sockets import SocketLink, explained

if TYPE_CHECKING:
    from logger.refusals import Refusals

_HEADER = struct.Struct(">HHH")
#: Bytes behind the header: unit and function at least, and a Modbus message of 253 at most.
_SHORTEST, _LONGEST = 2, 254
#: Answers that nobody asked for, since the last that somebody did, after which the link is given
#: up: a device that goes on like this would keep the processor busy for ever.
MOST_STRAYS = 64
#: How long the device may take to accept a connection, s.
CONNECT_S = 5.0

REASONS = {
    errno.ECONNREFUSED: "nobody listens there",
    errno.ECONNRESET: "the device broke the connection",
    errno.EPIPE: "the device broke the connection",
    errno.ETIMEDOUT: "the device does not answer any more",
    errno.EHOSTUNREACH: "there is no way to this address",
    errno.ENETUNREACH: "there is no network",
    errno.EACCES: "no permission to use the network",
    errno.EAFNOSUPPORT: "no permission to use the network, or no such network here",
    errno.EPERM: "no permission to use the network",
}


class TcpLink(SocketLink):
    """A session with a Modbus TCP device.

    Parameters
    ----------
    host, port
        Where it listens.
    refusals
        Where answers to other transactions are counted.
    """

    def __init__(self, host: str, port: int, refusals: Refusals) -> None:
        super().__init__()
        self._where = (host, port)
        self._refusals = refusals
        self._transaction = 0
        self._awaited = False
        self._strays = 0
        self._waiting = b""
        self._begun_s = 0.0

    async def open(self) -> None:
        """Connect.

        Raises
        ------
        SourceError
            If it cannot be reached.
        """
        lost = SourceError("the name leads to no address")
        try:
            async with asyncio.timeout(CONNECT_S):
                for family, kind, protocol, _, address in await self._loop.getaddrinfo(
                    *self._where, type=socket.SOCK_STREAM
                ):
                    made = socket.socket(family, kind, protocol)
                    made.setblocking(False)
                    try:
                        await self._loop.sock_connect(made, address)
                    except OSError as error:
                        made.close()
                        lost = SourceError(explained(error, REASONS))
                        continue
                    except BaseException:
                        made.close()
                        raise
                    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._socket = made
                    self._loop.add_reader(made.fileno(), self._readable, made)
                    return
        except socket.gaierror as error:
            lost = SourceError(f"the name leads to no address ({error.strerror})")
        except TimeoutError:
            lost = SourceError(f"no connection within {CONNECT_S:g} s")
        except OSError as error:
            lost = SourceError(explained(error, REASONS))
        raise lost

    async def send(self, payload: bytes) -> None:
        """Send a question, given as on a serial line: with its CRC.

        Raises
        ------
        SourceError
            If the device does not take it, or half an answer still stands in the stream.
        """
        if self._socket is None:
            raise SourceError("not connected")
        if self._waiting:
            raise SourceError("half an answer came, and nothing more")
        body = payload[:-2]
        self._transaction = (self._transaction + 1) & 0xFFFF
        self._awaited = True
        frame = _HEADER.pack(self._transaction, 0, len(body)) + body
        try:
            taken = self._socket.send(frame)
        except BlockingIOError:
            taken = 0
        except OSError as error:
            raise SourceError(explained(error, REASONS)) from None
        if taken != len(frame):
            raise SourceError("the device takes no more questions")

    def _readable(self, made: socket.socket) -> None:
        try:
            data = made.recv(4096)
        except (BlockingIOError, InterruptedError):
            return
        except OSError as error:
            self._lose(explained(error, REASONS))
            return
        if not data:
            self._lose("the device closed the connection")
            return
        if not self._waiting:
            self._begun_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        self._waiting += data
        try:
            while self._take_frame():
                pass
        except SourceError as error:
            self._lose(str(error))

    def _take_frame(self) -> bool:
        """Take a whole frame out of the stream; return whether there was one.

        Raises
        ------
        SourceError
            If the link must be given up.
        """
        if len(self._waiting) < _HEADER.size:
            return False
        transaction, protocol, length = _HEADER.unpack_from(self._waiting)
        if protocol != 0 or not _SHORTEST <= length <= _LONGEST:
            self._refusals.count("no Modbus TCP", self._waiting[:16])
            raise SourceError("what came is no Modbus TCP")
        end = _HEADER.size + length
        if len(self._waiting) < end:
            return False
        body, self._waiting = self._waiting[_HEADER.size : end], self._waiting[end:]
        if not self._awaited or transaction != self._transaction:
            self._refusals.count("answer to another transaction", body)
            self._strays += 1
            if self._strays > MOST_STRAYS:
                raise SourceError(f"{self._strays} answers in a row that nobody asked for")
            return True
        self._awaited, self._strays = False, 0
        sealed = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
        self.inbox.put((self._begun_s, sealed, ""))
        return True
