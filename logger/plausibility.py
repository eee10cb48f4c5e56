"""Drops impossible values, channel by channel, and counts them; it never clips or fills in a value.

A reading without any value left is dropped as a whole. Refused values are counted by channel and
side, so that a wrong scale ("voltage_v above 64") looks different from line noise.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.reading import CHANNELS, OperatingState

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.reading import Reading
    from logger.refusals import Refusals


#: A value nearer to zero than this, but not zero, is impossible in any channel's unit. A floating
#: point number with its words in the wrong order is often so small; rounding errors are larger.
TINY = 1e-18
#: Largest single step of an hour counter, h: some count whole hours. A counter cannot rise by more
#: than this and the time that has passed.
COUNTER_STEP_H = 1.0


def counter_is_possible(before: tuple[float, float], now: tuple[float, float]) -> bool:
    """Tell whether an hour counter can go from ``before`` to ``now``; each is (time s, counter h).

    It may fall: the counter was reset, or another charger was fitted.
    """
    return now[1] - before[1] <= max(now[0] - before[0], 0.0) / 3600.0 + COUNTER_STEP_H


class Plausibility:
    """Checks readings against the lowest and highest possible value of each channel.

    Parameters
    ----------
    limits
        Channel of :class:`logger.reading.Reading` to (lowest, highest), inclusive; in the
        channel's unit.
    refusals
        Where refused values are counted.
    """

    def __init__(self, limits: Mapping[str, tuple[float, float]], refusals: Refusals) -> None:
        self._limits = [(name, *limits[name]) for name in CHANNELS if name in limits]
        self._refusals = refusals
        self._counter: tuple[float, float] | None = None  # the last value, dropped or not

    def clean(self, reading: Reading) -> Reading | None:
        """Return the reading without its impossible values, or None if nothing is left."""
        bad: dict[str, None] = {}
        present = reading.state is not OperatingState.UNKNOWN
        for name, low, high in self._limits:
            value = getattr(reading, name)
            if value is None:
                continue
            if low <= value <= high and not 0.0 < abs(value) < TINY:
                if name != "runtime_h" or self._counter_rises(reading.time_s, value):
                    present = True
                    continue
                bad[name] = None
                self._refusals.count("runtime_h rises faster than time", f"{value:g}")
                continue
            bad[name] = None
            if 0.0 < abs(value) < TINY:
                self._refusals.count(f"{name} is too small to be measured", f"{value:g}")
            elif not math.isfinite(value):
                self._refusals.count(f"{name} is not a finite number", str(value))
            elif value < low:
                self._refusals.count(f"{name} below {low:g} {CHANNELS[name]}", f"{value:g}")
            else:
                self._refusals.count(f"{name} above {high:g} {CHANNELS[name]}", f"{value:g}")
        if not math.isfinite(reading.time_s):
            self._refusals.count("time is not a finite number", str(reading.time_s))
            return None
        if not present:
            return None
        return replace(reading, **bad) if bad else reading  # type: ignore[arg-type]

    def _counter_rises(self, time_s: float, runtime_h: float) -> bool:
        """Compare with the value before, dropped or not, so that one true jump costs one value."""
        before, self._counter = self._counter, (time_s, runtime_h)
        return before is None or counter_is_possible(before, self._counter)
