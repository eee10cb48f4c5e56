"""Energy logged against energy sent while the link misbehaves, in fast motion.

A fault that leaves readings must not cost energy: at least 0.995 of what was sent is logged.
"""

import asyncio
import math
import random
from dataclasses import replace

import pytest

from logger.config import LogConfig
from logger.errors import SourceError
from logger.sources.described import EAGER_S, DescribedSource
from logger.sources.link.conversation import opened
from logger.sources.link.supervision import supervise
from tests.conftest import ROOT
from tests.support.boats.energy import energy_of, trapezoids, truth
from tests.support.rigs.devices.late_device import LateDevice, registers, sealed
from tests.support.rigs.devices.said import TALKERS
from tests.support.rigs.devices.sources import described
from tests.support.rigs.fast_motion import run

LEAST = 0.995
#: Two long outages fit into it, and the signal goes through more than half of its course.
LASTS_S = 1200.0
ONE_BLOCK = """
[decoder]
kind = "modbus"
[decoder.registers]
volts = { at = 0 }
amps = { at = 1 }
[fields]
voltage_v = { from = "volts", scale = 0.01 }
current_a = { from = "amps", scale = 0.01 }
"""
TWO_BLOCKS = ONE_BLOCK.replace(
    "amps = { at = 1 }", 'amps = { at = 100 }\nhours = { at = 101, type = "u32" }'
).replace("[fields]", '[fields]\nruntime_h = "hours"')


class Talker(LateDevice):
    """Says what it measures each second while its loop runs; ``fault`` may spoil it.

    ``encode`` turns second, V and A into bytes. ``fault`` gets them and the seconds since the
    beginning, and returns the bytes that arrive, None where the device is silent; it raises
    SourceError where the link is lost.
    """

    def __init__(self, encode, fault):
        super().__init__(None, None)
        self.encode, self.fault = encode, fault
        self.sent, self.is_open = [], False

    async def open(self):
        self.fault(b"", int(asyncio.get_running_loop().time() - self.began_s))
        self.is_open = True

    async def close(self):
        self.is_open = False

    async def speak(self):
        loop = asyncio.get_running_loop()
        self.began_s = loop.time()
        for second in range(int(LASTS_S)):
            volts, amps = truth(second)
            line = self.encode(second, volts, amps)
            try:
                data = self.fault(line, second)
            except SourceError as error:
                data = None
                if self.is_open:
                    self.inbox.put(error)
            if data is not None:
                self.sent.append((second, volts * amps))
                if self.is_open:
                    self.inbox.put((loop.time(), data, ""))
            await asyncio.sleep(1.0)


class Fault:
    """The faults of a line that talks by itself."""

    def __init__(self):
        self.rng = random.Random(20261129)

    def silent_20_s_after_34_s(self, line, second):
        return None if second % 54 >= 34 else line

    def out_for_12_s_in_600_s(self, line, second):
        if second % 600 >= 588:
            raise SourceError("the port is gone")
        return line

    def broken_every_10_s(self, line, second):
        if second % 10 == 9:
            raise SourceError("the port is gone")
        return line

    def noise_between_lines(self, line, _second):
        return b"\x00\xff" + self.rng.randbytes(5).replace(b"\n", b"") + b"\r\n" + line

    def every_tenth_spoiled(self, line, second):
        if second % 10 < 9 or not line:
            return line
        # A bit in the first tenth, where each of the devices has the beginning of a value.
        at = len(line) // 10 + 3
        return line[:at] + bytes([line[at] ^ 0x80]) + line[at + 1 :]


def integral(sent):
    """Integrate power over the seconds that were sent; silence longer than a gap gives nothing."""
    return trapezoids(sent, LogConfig().gap_s)


def logged(description, device, speak=None):
    """Return the readings of the time that the device lives."""
    source = DescribedSource("an invented line", description)
    source.delays = replace(source.delays, eager_s=EAGER_S)
    got = []

    class Live(DescribedSource):
        delays = source.delays
        refusals = source.refusals

        def __init__(self):
            pass

        describe = source.describe

        async def readings(self):
            source.pipeline.reset(opened_s=asyncio.get_running_loop().time())
            async with opened(device.open_again(), source.refusals):
                async for reading in source._converse(device).readings():
                    yield reading

    async def main():
        speaking = asyncio.ensure_future(speak() if speak else asyncio.sleep(LASTS_S))
        await asyncio.sleep(0)
        task = asyncio.create_task(supervise(Live(), got.append, rng=random.Random(1)))
        await speaking
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    run(main())
    return got, source


@pytest.mark.parametrize("name", [n for n in vars(Fault) if not n.startswith("_")])
@pytest.mark.parametrize("kind", TALKERS)
def test_a_line_that_talks(kind, name):
    text = (ROOT / f"fixtures/devices/{kind}.toml").read_text(encoding="utf-8")
    device = Talker(TALKERS[kind], getattr(Fault(), name))
    got, _ = logged(described(text), device, device.speak)
    # What comes while the link is opened anew is lost: one second in each outage is not sent.
    for log in (LogConfig(), LogConfig(adapts=True)):
        ratio = energy_of(got, log) / integral(device.sent)
        assert LEAST <= ratio <= 1.0 + 1e-6, f"{ratio:.4f}"


class Registers:
    """A device with registers, and what can go wrong with each of its answers."""

    def __init__(self, fault):
        self.fault, self.rng = fault, random.Random(20261129)

    def answer(self, payload, number):
        volts, amps = truth(asyncio.get_running_loop().time())
        values = {0: round(volts * 100), 1: round(amps * 100), 100: round(amps * 100)}
        if "amps" in self.fault:
            values[1] = values[100]
        if payload.endswith(b"\r\n"):
            data = f"{volts if payload[:1] == b'V' else amps:.3f}\r\n".encode()
        else:
            data = registers(payload, lambda k: values.get(k, 0))
        if number % 10 == 9:
            if self.fault == "wrong checksum":
                return data[:-1] + bytes([data[-1] ^ 1])
            if self.fault == "busy":
                return sealed(bytes((data[0], data[1] | 0x80, 6)))
            if self.fault == "cut":
                return data[:-3]
        noise = self.rng.randbytes(4) + (b"\r\n" if payload.endswith(b"\r\n") else b"")
        return noise + data if self.fault == "noise" else data

    def delay(self):
        self.asked = getattr(self, "asked", 0) + 1
        if self.fault == "lost" and self.asked % 10 == 9:
            return None
        return 2.1 if self.fault == "late" and self.asked % 5 == 4 else 0.02


#: Their answers look alike: one register each, three numbers each, or one number each.
ALIKE = ONE_BLOCK.replace("amps = { at = 1 }", "amps = { at = 100 }")
COLUMNS = """
[poll]
send = ["V?\\r\\n", { text = "A?\\r\\n", columns = ["amps"] }]
[decoder]
kind = "csv"
columns = ["volts"]
[fields]
voltage_v = "volts"
current_a = "amps"
"""
ASKED = {
    "one block": ONE_BLOCK,
    "two blocks": TWO_BLOCKS,
    "blocks alike": ALIKE,
    "numbers alike": COLUMNS,
}
FAULTS = ("none", "late", "lost", "wrong checksum", "busy", "cut", "noise")


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("kind", ASKED)
def test_a_device_that_is_asked(kind, fault):
    device = Registers(fault)
    description = described(ASKED[kind])
    got, _ = logged(description, LateDevice(device.answer, device.delay))
    begin_s, end_s = got[0].time_s, got[-1].time_s
    assert end_s - begin_s > LASTS_S - 15
    sent = [(s, math.prod(truth(s))) for s in range(math.ceil(begin_s), int(end_s) + 1)]
    found = LogConfig(adapts=True, patience_s=description.patience_s)
    ratio = energy_of(got, found) / integral(sent)
    assert LEAST <= ratio <= 1.005, f"{ratio:.4f}"
