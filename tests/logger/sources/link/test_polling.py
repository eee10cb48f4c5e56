"""Late answers: no value under a wrong name, and no reading of two rounds, whatever the delays."""

import asyncio
import random
from itertools import pairwise

import pytest

from logger.sources.described import DescribedSource
from logger.sources.link.supervision import supervise
from tests.support.rigs.devices.late_device import LateDevice, registers
from tests.support.rigs.devices.sources import described
from tests.support.rigs.fast_motion import run

#: Three questions whose answers all look alike: one register each, far apart.
ALIKE = """
[decoder]
kind = "modbus"
[decoder.registers]
volts = { at = 0 }
amps = { at = 100 }
hours = { at = 200 }
[fields]
voltage_v = { from = "volts", scale = 0.01 }
current_a = { from = "amps", scale = 0.01 }
runtime_h = "hours"
"""
#: Blocks of one, two and three registers.
APART = ALIKE.replace("at = 100", 'at = 100, type = "u32"').replace(
    "hours = { at = 200 }", "hours = { at = 202 }\nspare = { at = 200 }"
)
COLUMNS = """
[decoder]
kind = "csv"
columns = ["volts"]
[poll]
send = ["V\\r", { text = "A\\r", columns = ["amps"] }, { text = "H\\r", columns = ["hours"] }]
[fields]
voltage_v = "volts"
current_a = "amps"
runtime_h = "hours"
"""
WORDS = COLUMNS.replace('"csv"', '"keyvalue"').replace(', columns = ["amps"]', "")
WORDS = WORDS.replace(', columns = ["hours"]', "").replace('columns = ["volts"]', "")
WORDS = WORDS.replace("volts", "V").replace("amps", "A").replace("hours", "H")
KINDS = {"alike": ALIKE, "apart": APART, "columns": COLUMNS, "words": WORDS}


class Boat:
    """What the device has to say: each question of a round shows the number of that round.

    Volts lie in 1000 to 1999 (10 to 19.99 V), ampere in 2000 to 2999, hours in 3000 to 3999.
    """

    first = 0

    def number(self, kind, question):
        return 1000 * kind + question % 1000

    def answer(self, payload, question):
        if payload.endswith(b"\r"):
            kind = b"VAH".index(payload[:1]) + 1
            value = self.number(kind, question) / (1 if kind == 3 else 100)
            name = b"" if self.named else payload[:1] + b"="
            return name + f"{value:g}\r\n".encode()
        by_register = (
            {0: 1, 100: 0, 101: 2, 200: 3, 202: 3} if self.wide else {0: 1, 100: 2, 200: 3}
        )
        return registers(
            payload, lambda k: self.number(kind, question) if (kind := by_register.get(k)) else 0
        )


def source_and_device(kind, delay, **how):
    boat = Boat()
    boat.named, boat.wide = kind != "words", kind == "apart"
    description = described(KINDS[kind])
    device = LateDevice(boat.answer, delay, **how)

    class Source(DescribedSource):
        async def readings(self):
            self.pipeline.reset()
            async for reading in self._converse(device.open_again()).readings():
                yield reading

    return Source("an invented line", description), device


def talk(kind, delay, questions, **how):
    """Return the readings until so many questions were asked, the device, and the source."""
    source, device = source_and_device(kind, delay, **how)
    got = []

    async def main():
        supervising = asyncio.create_task(supervise(source, got.append, rng=random.Random(1)))
        while len(device.questions) < questions:
            await asyncio.sleep(50)
            assert not supervising.done()
        supervising.cancel()
        await asyncio.gather(supervising, return_exceptions=True)

    run(main())
    return got, device, source


def judge(got):
    """Prove that each value stands under its own name, and that all are of one round."""
    for r in got:
        volts, amps = round(r.voltage_v * 100), round(r.current_a * 100)
        assert 1000 <= volts < 2000, "the voltage is another value"
        assert 2000 <= amps < 3000, "the current is another value"
        assert 3000 <= r.runtime_h < 4000, "the hours are another value"
        questions = [volts % 1000, amps % 1000, round(r.runtime_h) % 1000]
        first = questions[0]
        assert questions == [(first + k) % 1000 for k in range(3)], "of several rounds"


@pytest.mark.parametrize("kind", KINDS)
def test_every_fifth_answer_late(kind):
    # The case of the issue: every fifth answer comes 2.1 s late, with answer_s = 1.
    count = iter(range(10**6))
    got, _, source = talk(kind, lambda: 2.1 if next(count) % 5 == 4 else 0.01, 600)
    judge(got)
    assert len(got) > 100, "a late answer costs its own round and little more"
    assert source.refusals.by_reason["late answer"] > 50


@pytest.mark.parametrize("one_by_one", [True, False])
@pytest.mark.parametrize("kind", KINDS)
def test_no_delay_puts_a_value_under_a_wrong_name(kind, one_by_one):
    rng = random.Random(f"{kind} {one_by_one}")

    def delay():
        draw = rng.random()
        if draw < 0.05:
            return None
        return rng.uniform(0.0, 10.0) if draw < 0.3 else rng.uniform(0.0, 1.1)

    got, _, _ = talk(kind, delay, 6000, one_by_one=one_by_one)
    assert len(got) > 200
    if one_by_one or kind in {"alike", "columns"}:
        judge(got)
    else:
        # Whose answers overtake each other may mix two rounds, never two names.
        for r in got:
            assert 10 <= r.voltage_v < 20 <= r.current_a < 30


def test_a_lost_answer_costs_one_round_where_the_answers_differ():
    count = iter(range(10**6))
    got, _, _ = talk("apart", lambda: None if next(count) % 10 == 9 else 0.01, 600)
    judge(got)
    spacing = [b.time_s - a.time_s for a, b in pairwise(got)]
    assert max(spacing) < 5.0, "shorter than a gap"
