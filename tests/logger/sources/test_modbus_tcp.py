"""Modbus TCP: against a server written by others, and with every fault of the wire."""

import asyncio
import math
import random
import re
import socket
import struct

import pytest

from logger.errors import ConfigError, SourceError
from logger.refusals import Refusals
from logger.sources.decoders.modbus import Block, request
from logger.sources.link import tcp
from logger.sources.link.supervision import supervise
from logger.sources.link.tcp import TcpLink
from logger.sources.modbus_tcp import ModbusTcpSource
from tests.support.energy import energy_of, truth
from tests.support.rigs import fast_motion
from tests.support.rigs.late_device import registers
from tests.support.rigs.modbus_tcp import Server, Wire, sunspec
from tests.support.rigs.sources import described, source_from, take

SOURCE = """\
[source]
kind = "modbus_tcp"
host = "127.0.0.1"
port = {port}
allow_network = true
"""
#: Two questions whose answers look alike: a late one could pass for the other.
TWO_ALIKE = """\
[decoder]
kind = "modbus"
[decoder.registers]
volts = {{ at = 0 }}
amps = {{ at = 200 }}
[poll]
every_s = {every_s}
answer_s = {answer_s}
[fields]
voltage_v = {{ from = "volts", scale = 0.01 }}
current_a = {{ from = "amps", scale = 0.01 }}
[timing]
first_wait_s = {first_wait_s}
"""
SLOW = {"every_s": 1.0, "answer_s": 1.0, "first_wait_s": 1.0}
QUICK = {"every_s": 0.05, "answer_s": 0.15, "first_wait_s": 0.05}


class Faults:
    """What becomes of the answers; each fault leaves readings. ``late_s`` is past ``answer_s``.

    What breaks the connection comes every 20 s where a second has two answers: a link that is lost
    more often than every 10 s (``steady_s``) is tried ever less often, by intention.
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

    def endless_bytes(self, answer, number, _wire):
        return [bytes(range(256)) * 400] if number % 40 == 9 else [answer]

    def endless_answers(self, answer, number, _wire):
        return [(b"\x7f\xff" + answer[2:]) * 500] if number % 40 == 9 else [answer]


FAULTS = [name for name in vars(Faults) if not name.startswith("_")]


# --- in fast motion: the energy of an hour -------------------------------------------------------


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
def test_energy_of_an_hour_under_faults(name, monkeypatch):
    device = Device(getattr(Faults(2.1), name))
    monkeypatch.setattr("logger.sources.modbus_tcp.TcpLink", InventedLink)
    monkeypatch.setattr(InventedLink, "device", device)
    loop_time = lambda _clock: asyncio.get_running_loop().time()  # noqa: E731 - one clock for all
    monkeypatch.setattr(tcp.time, "clock_gettime", loop_time)
    source = ModbusTcpSource("invented", 502, described(TWO_ALIKE.format(**SLOW)))
    got = []

    async def main():
        task = asyncio.create_task(supervise(source, got.append, rng=random.Random(1)))
        await asyncio.sleep(3600.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    fast_motion.run(main())
    lasted_s = got[-1].time_s - got[0].time_s
    assert lasted_s > 3585.0
    for reading in got:
        volts, amps = truth(reading.time_s)
        assert reading.voltage_v == pytest.approx(volts, abs=0.03), "of its own time and name"
        assert reading.current_a == pytest.approx(amps, abs=0.08)
    seconds = range(math.ceil(got[0].time_s), int(got[-1].time_s))
    powers = [math.prod(truth(s + 0.5)) for s in seconds]
    ratio = energy_of(got) / (sum(powers) / len(powers) * lasted_s)
    assert 0.995 <= ratio <= 1.005, f"{ratio:.4f}"
    print(f"{name}: {ratio:.4f}, {len(got)} readings")


# --- a server written by others ------------------------------------------------------------------


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


def inside(text):
    return re.sub(r"(?m)^\[", "[source.", text)


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_on_a_real_connection(name, tmp_path, wire):
    wire.spoil = getattr(Faults(0.2), name)
    text = SOURCE.format(port=wire.port) + inside(TWO_ALIKE.format(**QUICK))
    source = source_from(tmp_path, text)
    got = []

    async def main():
        task = asyncio.create_task(supervise(source, got.append))
        async with asyncio.timeout(60):
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
            async with asyncio.timeout(60):
                while len([s for s in statuses if s.reason]) < 2:  # noqa: ASYNC110 - as above
                    await asyncio.sleep(0.02)
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

        asyncio.run(main())
    assert {s.reason for s in statuses if s.reason} == {"no reading within 0.5 s of opening"}


# --- the frames ----------------------------------------------------------------------------------


def test_a_question_by_published_bytes():
    # MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: transaction, protocol 0, length
    # of what follows, unit. The question itself: function 3, register 0x6B, 3 registers, as in the
    # Modbus Application Protocol V1.1b3, 6.3 (both from memory).
    sent = []

    class Tube:
        def send(self, data):
            sent.append(data)
            return len(data)

    async def main():
        link = TcpLink("127.0.0.1", 502, Refusals())
        with pytest.raises(SourceError, match="not connected"):
            await link.send(b"")
        link._socket = Tube()
        for _ in range(2):
            await link.send(request(0x11, Block(3, 0x6B, 3, ())))
        link._transaction = 0xFFFF
        await link.send(request(0x11, Block(3, 0x6B, 3, ())))
        link._socket = None

    asyncio.run(main())
    assert [frame.hex() for frame in sent] == [
        "0001000000061103006b0003", "0002000000061103006b0003", "0000000000061103006b0003",
    ]  # fmt: skip


class FullTube:
    """A connection that takes nothing, or half."""

    def __init__(self, taken):
        self.taken = taken

    def send(self, _data):
        if isinstance(self.taken, Exception):
            raise self.taken
        return self.taken


@pytest.mark.parametrize(
    ("taken", "says"),
    [(BlockingIOError(), "takes no more"), (5, "takes no more"),
     (ConnectionResetError(104, "x"), "broke the connection")],
)  # fmt: skip
def test_a_connection_that_takes_no_question_is_lost(taken, says):
    async def main():
        link = TcpLink("127.0.0.1", 502, Refusals())
        link._socket = FullTube(taken)
        with pytest.raises(SourceError, match=says):
            await link.send(bytes(8))
        link._socket = None

    asyncio.run(main())


def test_any_bytes_at_all_end_in_answers_or_a_lost_connection():
    rng = random.Random(20261129)

    class Tube:
        def recv(self, _most):
            size = rng.randint(1, 40)
            start = rng.choice([b"", b"\x00\x01\x00\x00\x00\x05\x01\x03\x02\x05\x28", bytes(6)])
            return start + rng.randbytes(size)

        def fileno(self):
            return -1

    async def main():
        asyncio.get_running_loop().remove_reader = lambda _fd: None
        answers = lost = 0
        for _ in range(3000):
            refusals = Refusals()
            link = TcpLink("127.0.0.1", 502, refusals)
            link._socket, link._transaction, link._awaited = Tube(), 1, True
            for _ in range(4):
                link._readable(link._socket)
                assert len(link._waiting) <= 4 * 60
            with pytest.raises(SourceError) if refusals.total else _nothing():
                while (chunk := link.inbox.taken()) is not None:
                    answers += 1
                    assert chunk[1][:-2] == b"\x01\x03\x02\x05\x28" or len(chunk[1]) >= 4
            lost += refusals.by_reason.get("no Modbus TCP", 0) > 0
        return answers, lost

    answers, lost = asyncio.run(main())
    assert answers > 500
    assert lost > 1000


def test_answers_that_nobody_asked_for_are_told_as_what_they_are():
    answers = b"\x7f\xff\x00\x00\x00\x05\x01\x03\x02\x05\x28" * (tcp.MOST_STRAYS + 1)

    class Tube:
        def recv(self, _most):
            return answers

        def fileno(self):
            return -1

    async def main():
        asyncio.get_running_loop().remove_reader = lambda _fd: None
        refusals = Refusals()
        link = TcpLink("127.0.0.1", 502, refusals)
        link._socket = Tube()
        link._readable(link._socket)
        with pytest.raises(SourceError, match=r"^65 answers in a row that nobody asked for$"):
            link.inbox.taken()
        assert refusals.by_reason == {"answer to another transaction": 65}

    asyncio.run(main())


def _nothing():
    import contextlib

    return contextlib.suppress(SourceError)


# --- settings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("allow_network = true\n", "", "Set allow_network = true if that is acceptable"),
        ('"127.0.0.1"', '"tcp://127.0.0.1"', "accepted: an address such as 192.0.2.10, or a name"),
        ("port = 502", "port = 0", "port: got 0; accepted: a whole number from 1 to 65535"),
        ('host = "127.0.0.1"\n', "", "host is missing"),
        ("[source.timing]", "[source.line]\nbaud = 9600\n[source.timing]", "line: is not a known"),
        ("volts = { at = 0 }", "volts = { at = 0, function = 6 }", "nothing is ever written"),
    ],
)  # fmt: skip
def test_settings_that_cannot_work_say_why(tmp_path, old, new, says):
    text = SOURCE.format(port=502) + inside(TWO_ALIKE.format(**QUICK))
    assert old in text
    with pytest.raises(ConfigError) as caught:
        source_from(tmp_path, text.replace(old, new))
    assert says in str(caught.value)
    assert "ebbwatt.toml" in str(caught.value)


def test_a_description_of_something_else_says_why(tmp_path):
    source = SOURCE.format(port=502) + 'description = "device.toml"\n'
    text = '[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\n'
    (tmp_path / "device.toml").write_text(text)
    with pytest.raises(ConfigError, match="got 'keyvalue'; accepted here: modbus, sunspec"):
        source_from(tmp_path, source)
    lined = TWO_ALIKE.format(**QUICK) + "[line]\nbaud = 9600\n"
    (tmp_path / "device.toml").write_text(lined)
    with pytest.raises(ConfigError, match="line: has no meaning over TCP; leave it out"):
        source_from(tmp_path, source)


def test_unit_numbers_beyond_those_of_a_line_are_for_tcp_alone(tmp_path):
    text = inside(TWO_ALIKE.format(**QUICK)).replace('"modbus"\n', '"modbus"\nunit = 255\n')
    source_from(tmp_path, SOURCE.format(port=502) + text)
    with pytest.raises(ConfigError, match="accepted on a serial line: 1 to 247"):
        source_from(tmp_path, '[source]\nkind = "serial"\nport = "x"\n' + text)


# --- probe on a SunSpec device -------------------------------------------------------------------


@pytest.fixture
def sunspec_device(child_env):
    made = []

    def start(registers):
        made.append(Server(registers, child_env))
        return made[-1]

    yield start
    for device in made:
        device.end()


HEAD = '[charger]\nrated_w = 110\n[source]\nkind = "modbus_tcp"\nhost = "127.0.0.1"\n'


@pytest.mark.parametrize("base", [40000, 0, 50000])
def test_probe_writes_a_description_that_works(base, tmp_path, sunspec_device, ebbwatt):
    device = sunspec_device(sunspec(base, ports=2))
    config = HEAD + f"port = {device.port}\nallow_network = true\n"
    (tmp_path / "ebbwatt.toml").write_text(config)
    shown = ebbwatt("probe", cwd=tmp_path).stdout
    assert f"SunSpec at register {base}, Invented Charger 110\n" in shown
    assert f"models: 1 at {base + 2}, 701 at {base + 70}, 714 at {base + 225}\n" in shown
    assert "DC port 1 'output', injecting: DCA 8, DCV 13.2, DCW 105.6, Tmp not implemented" in shown
    assert "DC port 2 'spare', energy storage: DCA not implemented, DCV not implemented" in shown
    assert "state InvSt: running\n  state St: running\n" in shown
    written = ebbwatt("probe", "--write", "device.toml", cwd=tmp_path).stdout
    assert "device.toml" in written
    assert (tmp_path / "device.toml").read_text() == shown.split("description = FILE\n")[1]
    ebbwatt("check", "device.toml", cwd=tmp_path)
    (tmp_path / "ebbwatt.toml").write_text(config + 'description = "device.toml"\n')
    ebbwatt("check", cwd=tmp_path)
    probed = ebbwatt("probe", "--count", "2", cwd=tmp_path).stdout
    assert "13.2 V, 8 A, running" in probed
    assert "2 readings, 0 refused" in probed


def test_probe_says_what_a_device_without_sunspec_needs(tmp_path, sunspec_device, ebbwatt):
    device = sunspec_device({0: [1, 2, 3], 40000: [4, 5, 6]})
    (tmp_path / "ebbwatt.toml").write_text(HEAD + f"port = {device.port}\nallow_network = true\n")
    told = ebbwatt("probe", cwd=tmp_path, status=1).stderr
    assert "no 'SunS' at register 40000, 0, 50000: it does not follow SunSpec" in told
    assert 'use kind = "modbus" there' in told
