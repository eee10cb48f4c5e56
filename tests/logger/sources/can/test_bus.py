"""A CAN bus: what comes through, what is left out, and that nothing is ever sent."""

import ast
import asyncio
import errno
import math
import random
import socket
import struct
import time
from pathlib import Path

import pytest

from analysis.probe import bus as probe_bus
from analysis.probe.dbc import compile_dbc
from logger.errors import ConfigError, SourceError
from logger.refusals import Refusals
from logger.sources.can import bus
from logger.sources.can.bus import BusLink, filters, open_socket
from logger.sources.can.signals import CanDecoder, read_compiled
from logger.sources.can.source import CanSource
from logger.sources.link.supervision import supervise
from tests.conftest import ROOT
from tests.support.boats.energy import energy_of, quick_truth, trapezoids
from tests.support.missing import unable
from tests.support.rigs.devices.can_bus import Deaf, can_frame, frames
from tests.support.rigs.devices.sources import source_from, take

pytestmark = pytest.mark.waits

DEVICE = ROOT / "fixtures/devices/can-frames.toml"
SOURCE = f'[source]\nkind = "can"\ninterface = "can0"\ndescription = "{DEVICE}"\n'


@pytest.fixture
def pair(monkeypatch):
    """Return the far end of each socket that is opened; nothing can be sent from the near one."""
    ends = []

    def make(_interface, identifiers):
        assert identifiers is None or {*identifiers} == {0x98FF5111, 0x123}
        near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        ends.append(far)
        return Deaf(fileno=near.detach())

    monkeypatch.setattr(BusLink, "make", staticmethod(make))
    yield ends
    for end in ends:
        end.close()


def test_the_filters_by_the_structure_of_the_kernel():
    # linux/can.h: struct can_filter is identifier and mask, each 32 bits; CAN_EFF_FLAG 0x80000000,
    # CAN_RTR_FLAG 0x40000000, CAN_EFF_MASK 0x1FFFFFFF, CAN_SFF_MASK 0x7FF (from memory).
    assert filters((0x98FF5111, 0x123)) == struct.pack(
        "=IIII", 0x98FF5111, 0xDFFFFFFF, 0x123, 0xC00007FF
    )
    assert filters(None) == struct.pack("=II", 0, 0x40000000)
    assert bus.FRAME.size == 16


def test_the_socket_is_set_before_it_is_bound(monkeypatch):
    calls = []

    class Raw:
        def __init__(self, *kind):
            calls.append(("socket", *kind))

        def __getattr__(self, name):
            return lambda *arguments: calls.append((name, *arguments))

    monkeypatch.setattr(bus.socket, "socket", Raw)
    open_socket("can0", (0x123,))
    assert calls == [
        ("socket", socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW),
        ("setsockopt", socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, filters((0x123,))),
        ("setsockopt", socket.SOL_CAN_RAW, socket.CAN_RAW_LOOPBACK, 0),
        ("bind", ("can0",)),
    ]


def test_no_line_of_the_package_sends():
    for path in (ROOT / "logger/sources/can").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                assert "send" not in node.func.attr, path
                assert node.func.attr not in {"write", "writelines"}, path


def test_readings_of_several_frames(tmp_path, pair):
    source = source_from(tmp_path, SOURCE + "every_s = 0.05\n")
    assert source.describe() == "invented CAN charger, can on can0"

    async def main():
        taking = asyncio.ensure_future(take(source, 5))
        while not taking.done():
            for frame in frames():
                if pair:
                    pair[-1].send(frame)
            await asyncio.sleep(0.06)
        return await taking

    readings = asyncio.run(main())
    last = readings[-1]
    assert (last.voltage_v, last.current_a, str(last.state)) == (13.2, 8.0, "running")
    assert last.runtime_h == pytest.approx(602.5)
    assert last.temperature_c == 31.5
    assert source.refusals.total == 0
    with pytest.raises(BlockingIOError):
        pair[-1].recv(16, socket.MSG_DONTWAIT)  # nothing was sent


def test_a_device_that_sends_often_is_thinned(tmp_path, pair):
    source = source_from(tmp_path, SOURCE + "every_s = 0.2\n")

    async def main():
        got = []
        task = asyncio.create_task(supervise(source, got.append))
        began_s = time.monotonic()
        while time.monotonic() < began_s + 2.0:
            if pair:
                for frame in frames():
                    pair[-1].send(frame)
            await asyncio.sleep(0.005)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        return got

    got = asyncio.run(main())
    assert 3 <= len(got) <= 13, "ten in two seconds, not four hundred"


class Sent:
    """What is sent in each step of the energy test; ``fault`` spoils some of it."""

    def __init__(self, fault):
        self.fault, self.rng = fault, random.Random(20261129)

    def pieces(self, step):
        sent = frames(*quick_truth(step))
        odd = step % 10 == 7
        if self.fault == "lost" and odd:
            return sent[1:]
        if self.fault == "noise":
            stray = can_frame(self.rng.randrange(0x700), self.rng.randbytes(8))
            return [stray, self.rng.randbytes(7), *sent]
        if self.fault == "short" and odd:
            return [can_frame(0x98FF5111, b"\x28"), *sent]
        if self.fault == "asks" and odd:
            return [can_frame(0x98FF5111 | 0x40000000, b""), can_frame(0x20000004, bytes(8)), *sent]
        if self.fault == "gone" and step % 40 == 10:
            return [b""]
        return sent


@pytest.mark.parametrize("fault", ["none", "lost", "noise", "short", "asks", "gone"])
def test_energy_under_faults(tmp_path, pair, fault):
    fast = "[source.timing]\nfirst_wait_s = 0.02\n"
    (tmp_path / "device.toml").write_text(
        DEVICE.read_text().replace('can-frames.dbc"', f'{DEVICE.with_suffix(".dbc")}"')
        + fast.replace("source.", "")
    )
    source = source_from(tmp_path, SOURCE.replace(str(DEVICE), "device.toml") + "every_s = 0.02\n")
    sent = Sent(fault)
    got, measured = [], []

    async def main():
        task = asyncio.create_task(supervise(source, got.append, rng=random.Random(1)))
        for step in range(80):
            volts, amps = (round(value, 2) for value in quick_truth(step))
            measured.append((time.clock_gettime(time.CLOCK_BOOTTIME), volts, amps))
            if pair:
                for piece in sent.pieces(step):
                    try:
                        pair[-1].send(piece)
                    except OSError:
                        break  # closed just now
            await asyncio.sleep(0.03)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(main())
    told = [r for r in got if r.voltage_v is not None]
    # Fifteen steps are half a second; on a busy machine they last as long as sender and reader do.
    later_s = [at_s for at_s, _, _ in measured[15:]] + [math.inf] * 15
    sent_s = {(v, a): (at_s, end) for (at_s, v, a), end in zip(measured, later_s, strict=True)}
    for reading in told:
        from_s, until_s = sent_s[reading.voltage_v, reading.current_a]
        assert from_s <= reading.time_s < until_s, "as it was sent, and of its own time"
    begin_s, end_s = told[0].time_s, told[-1].time_s
    assert end_s - begin_s > 1.5
    # What is measured between two frames lies between them.
    course = [(at_s, volts * amps) for at_s, volts, amps in measured]
    whole = [point for point in course if begin_s - 0.02 <= point[0] <= end_s]
    assert energy_of(got) / trapezoids(whole) == pytest.approx(1.0, abs=0.005)


def test_a_bus_that_is_full_leaves_the_program_its_turn(pair):
    async def main():
        decoder = source_decoder()
        link = BusLink("can0", decoder, 0.0, Refusals())
        await link.open()
        for _ in range(60):
            pair[-1].send(frames()[0])
        turns = 0
        while (await link.receive(asyncio.get_running_loop().time() + 0.2)) is not None:
            turns += 1
        with pytest.raises(SourceError, match="only listened to: 3 bytes cannot be sent"):
            await link.send(b"abc")
        await link.close()
        return turns

    assert asyncio.run(main()) > 0


PAGED = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 5 M: 8 A
 SG_ Page M : 0|16@1+ (1,0) [0|0] "" A
 SG_ Volts m1 : 16|16@1+ (0.01,0) [0|0] "" A
 SG_ Amps m2 : 16|16@1+ (0.01,0) [0|0] "" A
 SG_ Other m3 : 16|16@1+ (1,0) [0|0] "" A
"""


def test_what_a_bus_sends_does_not_fill_the_memory(pair, monkeypatch):
    monkeypatch.setattr(BusLink, "make", staticmethod(lambda *_: pytest.fail("no socket")))
    text, *_ = compile_dbc(Path("x.dbc"), PAGED.encode())
    decoder = CanDecoder(read_compiled(text.encode())[1])
    decoder.want(frozenset({"Volts", "Amps"}))
    refusals = Refusals()
    came = []

    async def main():
        link = BusLink("can0", decoder, 1.0, refusals)
        link.inbox.put = lambda item: came.append(item[1])
        for page in range(5000):
            link._take(page / 1e4, can_frame(5, page.to_bytes(2, "little") + b"\x28\x05\0\0\0\0"))
        link._take(0.6, can_frame(5, b"\1"))
        return len(link._taken_s)

    assert asyncio.run(main()) == 2, "one for each wanted page"
    assert [frame[4:6] for frame in came] == [b"\1\0", b"\2\0"]
    assert refusals.by_reason == {"a CAN frame shorter than its DBC says": 1}


def source_decoder():
    from logger.sources.can.source import checked_decoder
    from logger.sources.description import read_description

    return checked_decoder(read_description(DEVICE))


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENODEV, "can0: there is no such interface; is the adapter in"),
        (errno.ENETDOWN, "can0: the interface is down; ip link set it up"),
        (errno.EAFNOSUPPORT, "can0: no CAN here: the kernel has none, or the service may not"),
        (errno.EPERM, "can0: no permission to use CAN"),
    ],
)
def test_an_interface_that_cannot_be_opened_is_told(tmp_path, monkeypatch, number, says):
    def fail(_interface, _identifiers):
        raise OSError(number, "x")

    monkeypatch.setattr(BusLink, "make", staticmethod(fail))
    source = source_from(tmp_path, SOURCE)
    assert isinstance(source, CanSource)
    with pytest.raises(SourceError) as caught:
        asyncio.run(take(source, 1))
    assert str(caught.value).startswith(says)
    with pytest.raises(SourceError):
        probe_bus.listen("can0", 0.1)


def test_probe_lists_what_is_heard(pair, monkeypatch):
    def make_and_send(interface, identifiers, make=BusLink.make):
        made = make(interface, identifiers)
        for frame in [*frames(), frames()[0]]:
            pair[-1].send(frame)
        return made

    monkeypatch.setattr(BusLink, "make", staticmethod(make_and_send))
    heard = probe_bus.listen("can0", 0.3)
    lines = probe_bus.listed(heard, 0.3)
    assert lines[0] == "     0x123      2 frames, the last: 02 01 3b 00 00 00 00 00"
    assert lines[1] == "0x18FF5111      2 frames, the last: 28 05 20 03 02 00 00 00"
    assert lines[2] == "     0x7FF      1 frames, the last: 01"
    assert "dbc" in lines[3]
    assert "is the bit rate right" in probe_bus.listed({}, 5.0)[0]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"can0"', '"can 0"', "interface: got 'can 0'; accepted: the name of a network interface"),
        ('interface = "can0"\n', "", "interface is missing"),
        (
            "[source]",
            "[source]\nevery_s = 0",
            "every_s: got 0; accepted: a number from 0.01 to 3600",
        ),
    ],
)
def test_settings_that_cannot_work_say_why(tmp_path, old, new, says):
    with pytest.raises(ConfigError) as caught:
        source_from(tmp_path, SOURCE.replace(old, new))
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda t: t.replace('"OutAmps"', '"OutAmp"'), "did you mean OutAmps?"),
        (lambda t: t + "[line]\nbaud = 9600\n", "line: has no meaning on a CAN bus"),
        (
            lambda t: t.replace('kind = "can"\ndbc = "', 'kind = "keyvalue"\n#'),
            "on a CAN bus: 'can'",
        ),
        (lambda t: t.replace('dbc = "', '#"'), "dbc is missing"),
    ],
)
def test_descriptions_that_cannot_work_say_why(tmp_path, change, says):
    for name in ("can-frames.dbc", "can-frames.dbc.json"):
        (tmp_path / name).write_bytes(DEVICE.with_name(name).read_bytes())
    (tmp_path / "device.toml").write_text(change(DEVICE.read_text()))
    with pytest.raises(ConfigError) as caught:
        source_from(tmp_path, SOURCE.replace(str(DEVICE), "device.toml"))
    assert says in str(caught.value)


def test_on_a_bus_of_the_kernel_where_there_is_one(tmp_path):
    try:
        sender = socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        sender.bind(("vcan0",))
    except OSError:
        unable("this kernel has no CAN, or no vcan0 (ip link add vcan0 type vcan)")
    source = source_from(tmp_path, SOURCE.replace("can0", "vcan0") + "every_s = 0.05\n")

    async def main():
        taking = asyncio.ensure_future(take(source, 3))
        while not taking.done():
            for frame in frames():
                sender.send(frame)
            await asyncio.sleep(0.06)
        return await taking

    with sender:
        assert asyncio.run(main())[-1].voltage_v == 13.2
