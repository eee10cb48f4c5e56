"""Registers that a device does not have: what it refuses as a whole is asked in parts."""

import asyncio
import random

import pytest

from logger.sources.described import DescribedSource
from logger.sources.link import polling
from logger.sources.link.supervision import supervise
from tests.support.rigs.devices.far_ends import Device
from tests.support.rigs.devices.late_device import LateDevice, registers, sealed
from tests.support.rigs.devices.sources import described, inside_source, source_from, take
from tests.support.rigs.fast_motion import run

pytestmark = pytest.mark.waits

#: Voltage, current, hours and temperature side by side, the battery's current seven further on.
TABLES = """
[decoder]
kind = "modbus"
[decoder.registers]
volts = { at = 0 }
amps = { at = 1 }
seconds = { at = 2, type = "u32" }
warmth = { at = 4, type = "s16" }
bank = { at = 11, type = "s16" }
[fields]
voltage_v = { from = "volts", scale = 0.01 }
current_a = { from = "amps", scale = 0.01 }
runtime_h = { from = "seconds", unit = "s" }
temperature_c = { from = "warmth", scale = 0.1 }
battery_current_a = { from = "bank", scale = 0.01 }
"""
VALUES = {0: 1320, 1: 800, 2: 2169000 >> 16, 3: 2169000 & 0xFFFF, 4: 315, 11: 750}


def talk(has, seconds):
    """Return readings, device and source after so long; ``has`` tells which registers are there."""
    source = DescribedSource("an invented line", described(TABLES))

    def answer(payload, _number):
        at, count = int.from_bytes(payload[2:4], "big"), int.from_bytes(payload[4:6], "big")
        if all(has(asyncio.get_running_loop().time(), k) for k in range(at, at + count)):
            return registers(payload, VALUES.__getitem__)
        return sealed(bytes((payload[0], payload[1] | 0x80, 2)))

    device = LateDevice(answer, lambda: 0.02)
    got = []

    class Source(DescribedSource):
        async def readings(self):
            source.pipeline.reset()
            async for reading in source._converse(device.open_again()).readings():
                yield reading

    async def main():
        task = asyncio.create_task(
            supervise(Source("an invented line", described(TABLES)), got.append,
                      rng=random.Random(1))
        )  # fmt: skip
        await asyncio.sleep(seconds)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    run(main())
    return got, device, source


def test_a_gap_that_is_not_there_costs_one_round():
    got, device, source = talk(lambda _, k: k in VALUES, 60.0)
    assert len(got) >= 58
    assert got[0].battery_current_a == got[-1].battery_current_a == pytest.approx(7.5)
    assert source.refusals.by_reason["the device answered with an exception"] == 1, "remembered"
    asked = {(q[3], q[5]) for _, q in device.questions[1:]}
    assert asked == {(0, 5), (11, 1)}, "what stands side by side stays one question"


def test_a_register_that_is_not_there_costs_its_own_value_alone():
    got, device, source = talk(lambda _, k: k in VALUES and k != 2, 60.0)
    assert len(got) >= 53
    last = got[-1]
    assert (last.voltage_v, last.current_a) == pytest.approx((13.2, 8.0))
    assert (last.temperature_c, last.battery_current_a) == pytest.approx((31.5, 7.5))
    assert last.runtime_h is None
    reason = "the device does not have a register"
    assert source.refusals.by_reason[reason] < 5, "it is not asked for each second"
    assert "seconds" in next(iter(source.pipeline.absent))
    assert device.questions[-1][1][3] != 2


def test_a_register_that_comes_later_is_found():
    got, _, _ = talk(
        lambda now_s, k: k in VALUES and (k not in {2, 3} or now_s > 1060.0),
        polling.RETRY_S + 60.0,
    )
    assert got[30].runtime_h is None
    assert got[-1].runtime_h == pytest.approx(602.5)


def test_nothing_there_is_asked_for_again_at_each_opening():
    got, device, source = talk(lambda now_s, _: now_s > 1200.0, 400.0)
    assert got[-1].runtime_h == pytest.approx(602.5)
    assert len(got) > 100
    assert not source.pipeline.absent
    assert len(device.questions) < 1500


def test_a_server_written_by_others_is_asked_in_parts(tmp_path, child_env):
    # pymodbus answers exception 2 to a question that touches a register it does not have.
    there = {at: value for at, value in VALUES.items() if at not in {2, 3}}
    device = Device("modbus-registers", tmp_path, child_env, there)
    text = f'[source]\nkind = "serial"\nport = "{device.line.name}"\n{inside_source(TABLES)}'
    source = source_from(tmp_path, text)
    try:
        first, *_, last = asyncio.run(take(source, 3))
    finally:
        device.end()
    assert first.voltage_v == last.voltage_v == pytest.approx(13.2)
    assert first.battery_current_a == last.battery_current_a == pytest.approx(7.5)
    assert last.runtime_h is None
    assert source.refusals.by_reason["the device does not have a register"] == 2
    assert "seconds: function 4, registers 2 to 3" in source.refusals.samples.values()
