"""A device on an invented link that answers late, twice, damaged or not at all, in fast motion."""

import asyncio
import struct

from logger.sources.decoders.checksums import crc
from logger.sources.link.inbox import Inbox


class LateDevice:
    """The link and the device behind it; give it to ``DescribedSource._converse``.

    Parameters
    ----------
    answer
        Returns the bytes that answer a question, given the question and its number.
    delay
        Returns how long the next answer takes, s; None for none at all.
    one_by_one
        The device answers in the order of its questions, as one on a serial line must; False: each
        answer takes its own time, as through a gateway.
    """

    def __init__(self, answer, delay, *, one_by_one=True):
        self.answer, self.delay, self.one_by_one = answer, delay, one_by_one
        self.questions = []
        self._free_s = 0.0

    def open_again(self):
        """Begin a session: what was received before is thrown away, what is under way is not."""
        self.inbox = Inbox()
        self.receive = self.inbox.receive
        return self

    async def open(self):
        pass

    async def close(self):
        pass

    async def send(self, payload):
        loop = asyncio.get_running_loop()
        self.questions.append((loop.time(), payload))
        delay_s = self.delay()
        if delay_s is None:
            return
        data = self.answer(payload, len(self.questions))
        begin_s = max(loop.time(), self._free_s) if self.one_by_one else loop.time()
        self._free_s = begin_s + delay_s
        loop.call_at(begin_s + delay_s, self._arrive, data)

    def _arrive(self, data):
        now_s = asyncio.get_running_loop().time()
        self.inbox.put((now_s, data, ""))


def sealed(body):
    """Return a Modbus frame with its checksum."""
    return body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")


def registers(payload, value):
    """Answer a question for registers; ``value`` gives that of each by its number."""
    unit, function, at, count = struct.unpack(">BBHH", payload[:6])
    words = struct.pack(f">{count}H", *(value(k) for k in range(at, at + count)))
    return sealed(bytes((unit, function, 2 * count)) + words)
