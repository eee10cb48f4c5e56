"""Faults of Modbus TCP: on a real connection, and the energy in fast motion."""

import asyncio
import math
import random
import socket
import struct

import pytest

from logger.errors import SourceError
from logger.sources.link import tcp
from logger.sources.link.supervision import supervise
from logger.sources.link.tcp import TcpLink
from logger.sources.modbus_tcp import ModbusTcpSource
from tests.support.boats.energy import energy_of, truth
from tests.support.rigs import fast_motion
from tests.support.rigs.devices.late_device import registers
from tests.support.rigs.devices.modbus_tcp import (
    QUICK,
    SLOW,
    SOURCE,
    TWO_ALIKE,
    Server,
    Wire,
    inside,
)
from tests.support.rigs.devices.sources import described, source_from, take

pytestmark = pytest.mark.waits

LASTS_S = 1200.0


class Faults:
    """What becomes of the answers; each fault leaves readings. ``late_s`` is past ``answer_s``.

    A second has two answers, so what comes with every 40th comes every 20 s.
    """

    def __init__(self, late_s):
        self.late_s = late_s

    def none(self, answer, _number, _wire):
        return [answer]

    def late(self, answer, number, _wire):
        return [self.late_s, answer] if number % 10 == 4 else [answer]

    def dropped(self, answer, number, _wire):
        return [] if number % 40 == 9 else [answer]

    def other_transaction(self, answer, number, _wire):
        return [b"\x7f\xff" + answer[2:]] if number % 40 == 9 else [answer]

    def twice(self, answer, _number, _wire):
        return [answer, answer]

    def other_unit(self, answer, number, _wire):
        return [answer[:6] + b"\x09" + answer[7:]] if number % 40 == 9 else [answer]

    def too_short(self, answer, number, _wire):
        cut = answer[:4] + struct.pack(">H", len(answer) - 8) + answer[6:-2]
        return [cut] if number % 40 == 9 else [answer]

    def wrong_length(self, answer, number, _wire):
        return [answer[:4] + b"\x00\x01" + answer[6:]] if number % 40 == 9 else [answer]

    def length_too_great(self, answer, number, _wire):
        return [answer[:4] + b"\x00\x20" + answer[6:]] if number % 40 == 9 else [answer]

    def busy(self, answer, number, _wire):
        exception = answer[:4] + b"\x00\x03" + bytes((answer[6], answer[7] | 0x80, 6))
        return [exception] if number % 40 == 9 else [answer]

    def in_pieces(self, answer, _number, _wire):
        return [answer[:3], 0.01, answer[3:8], 0.01, answer[8:]]

    def cut_off(self, answer, number, _wire):
        return [answer[:8]] if number % 40 == 9 else [answer]

    def connection_broken(self, answer, number, _wire):
        return [answer[:8], None] if number % 40 == 9 else [answer]

    def broken_every_10_s(self, answer, number, _wire):
        return [answer[:8], None] if number % 20 == 9 else [answer]

    def endless_bytes(self, answer, number, _wire):
        return [bytes(range(256)) * 400] if number % 40 == 9 else [answer]

    def endless_answers(self, answer, number, _wire):
        return [(b"\x7f\xff" + answer[2:]) * 500] if number % 40 == 9 else [answer]


FAULTS = [name for name in vars(Faults) if not name.startswith("_")]


class Socket:
    """A device at the far end of an invented connection; its answers take 0.02 s."""

    def __init__(self, device):
        self.device, self.arrived, self.link = device, [], None

    def send(self, frame):
        loop = asyncio.get_running_loop()
        payload = frame[6:] + b"\0\0"
        number, self.device.number = self.device.number, self.device.number + 1
        body = registers(payload, self.device.value)[:-2]
        answer = frame[:4] + struct.pack(">H", len(body)) + body
        at_s = loop.time() + 0.02
        for piece in self.device.spoil(answer, number, None):
            if isinstance(piece, float):
                at_s += piece
            else:
                loop.call_at(at_s, self._arrive, piece)
        return len(frame)

    def _arrive(self, piece):
        self.arrived += (
            [b""] if piece is None else [piece[k : k + 4096] for k in range(0, len(piece), 4096)]
        )
        while self.arrived and self.link is not None and self.link._socket is self:
            self.link._readable(self)

    def recv(self, most):
        data = self.arrived.pop(0)
        assert len(data) <= most
        return data

    def fileno(self):
        return -1


class Device:
    """Measures a voltage and a current that change."""

    def __init__(self, spoil):
        self.spoil, self.number = spoil, 0

    def value(self, register):
        volts, amps = truth(asyncio.get_running_loop().time())
        return round(100 * {0: volts, 200: amps}.get(register, 0.0))


class InventedLink(TcpLink):
    """A connection without a network."""

    device = None

    async def open(self):
        self._loop.remove_reader = lambda _fd: None
        self._socket = Socket(self.device)
        self._socket.link = self

    async def close(self):
        self._socket = None


@pytest.mark.parametrize("name", FAULTS)
def test_energy_under_faults(name, monkeypatch):
    device = Device(getattr(Faults(2.1), name))
    monkeypatch.setattr("logger.sources.modbus_tcp.TcpLink", InventedLink)
    monkeypatch.setattr(InventedLink, "device", device)
    loop_time = lambda _clock: asyncio.get_running_loop().time()  # noqa: E731 - one clock for all
    monkeypatch.setattr(tcp.time, "clock_gettime", loop_time)
    source = ModbusTcpSource("invented", 502, described(TWO_ALIKE.format(**SLOW)))
    got = []

    async def main():
        task = asyncio.create_task(supervise(source, got.append, rng=random.Random(1)))
        await asyncio.sleep(LASTS_S)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    fast_motion.run(main())
    lasted_s = got[-1].time_s - got[0].time_s
    assert lasted_s > LASTS_S - 15.0
    for reading in got:
        volts, amps = truth(reading.time_s)
        assert reading.voltage_v == pytest.approx(volts, abs=0.03), "of its own time and name"
        assert reading.current_a == pytest.approx(amps, abs=0.08)
    seconds = range(math.ceil(got[0].time_s), int(got[-1].time_s))
    powers = [math.prod(truth(s + 0.5)) for s in seconds]
    ratio = energy_of(got) / (sum(powers) / len(powers) * lasted_s)
    assert 0.995 <= ratio <= 1.005, f"{ratio:.4f}"
    print(f"{name}: {ratio:.4f}, {len(got)} readings")


@pytest.fixture(scope="module")
def server():
    from tests.conftest import _environment, unmeasured

    made = Server({0: [1320], 200: [800], 300: [7] * 10}, unmeasured(_environment()))
    yield made
    made.end()


@pytest.fixture
def wire(server):
    made = Wire(server.port)
    yield made
    made.end()


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_on_a_real_connection(name, tmp_path, wire):
    wire.spoil = getattr(Faults(0.2), name)
    text = SOURCE.format(port=wire.port) + inside(TWO_ALIKE.format(**QUICK))
    source = source_from(tmp_path, text)
    got = []

    async def main():
        task = asyncio.create_task(supervise(source, got.append))
        async with asyncio.timeout(200):
            while wire.number < 60 or len(got) < 15:  # noqa: ASYNC110 - a thread counts them
                await asyncio.sleep(0.02)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(main())
    values = {(round(r.voltage_v, 6), round(r.current_a, 6)) for r in got}
    assert values == {(13.2, 8.0)}, "never under another name"
    assert {question[7] for question in wire.asked} <= {3, 4}
    assert all(len(question) == 12 for question in wire.asked), "questions that read, whole"
    transactions = [question[:2] for question in wire.asked]
    assert len({*transactions}) >= min(len(transactions), 20), "each has a number of its own"
    told = source.refusals.by_reason
    if name in {"late", "other_transaction", "twice", "endless_answers"}:
        assert told.get("answer to another transaction", 0) > 0
    if name in {"wrong_length", "length_too_great", "endless_bytes", "endless_answers"}:
        assert told.get("no Modbus TCP", 0) + source_losses(told) > 0
    if name == "none":
        assert told == {}


def source_losses(told):
    """Return how often an answer was missing."""
    return sum(n for reason, n in told.items() if "answer" in reason or "incomplete" in reason)


def test_an_exception_is_told_by_its_name(tmp_path, wire, ebbwatt):
    text = TWO_ALIKE.format(**QUICK).replace("at = 200", "at = 900")
    source = SOURCE.format(port=wire.port) + inside(text)
    (tmp_path / "ebbwatt.toml").write_text("[charger]\nrated_w = 110\n" + source)
    shown = ebbwatt("probe", "--seconds", "3", cwd=tmp_path).stdout
    assert "register 900" in shown or "registers 900" in shown


def test_who_cannot_be_reached_is_told_in_one_line(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    text = SOURCE.format(port=port) + inside(TWO_ALIKE.format(**QUICK))
    source = source_from(tmp_path, text)
    with pytest.raises(SourceError, match=rf"^127\.0\.0\.1:{port}: nobody listens there$"):
        asyncio.run(take(source, 1))
    nowhere = source_from(tmp_path, text.replace("127.0.0.1", "charger.invalid"))
    with pytest.raises(SourceError, match="the name leads to no address"):
        asyncio.run(take(nowhere, 1))


def test_who_accepts_and_never_answers_is_left(tmp_path):
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        text = SOURCE.format(port=mute.getsockname()[1]) + inside(TWO_ALIKE.format(**QUICK))
        source = source_from(tmp_path, text + "stale_s = 0.5\nfirst_reading_s = 0.5\n")
        statuses = []

        async def main():
            task = asyncio.create_task(supervise(source, lambda _: None, statuses.append))
            async with asyncio.timeout(200):
                while len([s for s in statuses if s.reason]) < 2:  # noqa: ASYNC110 - as above
                    await asyncio.sleep(0.02)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

        asyncio.run(main())
    assert {s.reason for s in statuses if s.reason} == {"no reading within 0.5 s of opening"}
