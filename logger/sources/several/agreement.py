"""Holds two sensors of the same voltage or current against each other.

Each has a standard uncertainty; the difference of two independent ones has theirs added in squares,
and is odd beyond twice that (JCGM 100:2008, 5.1.2 and 6.2.1: coverage factor 2, about 95 %). It is
the mean difference that counts: noise, and steps that one source sees a moment before the other,
average out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.reading import CHANNELS

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.config import SensorConfig
    from logger.reading import Reading

#: Pairs over which the difference is averaged, five minutes of readings a second: a step of 10 A
#: that one source sees two seconds before the other then adds less than 0.1 A.
PAIRS = 300
#: Coverage factor of what counts as a disagreement.
COVERAGE = 2.0
#: A disagreement has ended when the difference is back below this part of the limit: one that lies
#: at the limit is not told again and again.
ENDED_PART = 0.7
#: The uncertainty of a voltage is given for a bank of so many volts, and grows with the bank.
BANK_V = 12.0


@dataclass(slots=True)
class _Channel:
    pairs: int = 0
    difference: float = 0.0
    level: float = 0.0
    told: bool = False


class Agreement:
    """Compares pairs of readings and tells where they disagree.

    Parameters
    ----------
    names
        What the two sources are called.
    sensor
        How sure each of them is.
    tell
        Told each disagreement once, in a line, when it begins.
    """

    def __init__(
        self, names: tuple[str, str], sensor: SensorConfig, tell: Callable[[str], None]
    ) -> None:
        self._names = names
        self._sensor = sensor
        self._tell = tell
        self._channels = {"voltage_v": _Channel(), "current_a": _Channel()}

    def hear(self, first: Reading, second: Reading) -> None:
        """Take a pair of readings of one time."""
        for name, seen in self._channels.items():
            one, other = getattr(first, name), getattr(second, name)
            if one is None or other is None:
                continue
            seen.pairs += 1
            share = 1.0 / min(seen.pairs, PAIRS)
            seen.difference += share * (one - other - seen.difference)
            seen.level += share * (0.5 * (one + other) - seen.level)
            if seen.pairs >= PAIRS:
                self._judge(name, seen)

    def limit(self, name: str, level: float) -> float:
        """Return how far two sensors of a channel may lie apart at that level, in its unit."""
        sensor = self._sensor
        if name == "voltage_v":
            one = sensor.voltage_uncertainty_v * max(1.0, abs(level) / BANK_V)
        else:
            one = math.hypot(sensor.gain_uncertainty * level, sensor.zero_uncertainty_a)
        return COVERAGE * math.sqrt(2.0) * one

    def _judge(self, name: str, seen: _Channel) -> None:
        limit, apart = self.limit(name, seen.level), abs(seen.difference)
        if seen.told or apart <= limit:
            seen.told = seen.told and apart > ENDED_PART * limit
            return
        seen.told = True
        unit, (one, other) = CHANNELS[name], self._names
        first, second = seen.level + seen.difference / 2, seen.level - seen.difference / 2
        meter = "a voltmeter" if name == "voltage_v" else "a clamp meter"
        self._tell(
            f"{name}: {one} says {first:.2f} {unit}, {other} {second:.2f} {unit}: further apart "
            f"than two such sensors may be ({limit:.2f} {unit}). Measure with {meter} which is "
            f"right, and see that both are in the same lead"
        )
