"""Drops impossible values, channel by channel, and counts them; it never clips or fills in a value.

A reading without any value left is dropped as a whole. Refused values are counted by channel and
side, so that a wrong scale ("voltage_v above 64") looks different from line noise.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.plausibility.bank import Bank
from logger.reading import CHANNELS, OperatingState

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from logger.config import Config
    from logger.reading import Reading
    from logger.refusals import Refusals


#: A value nearer to zero than this, but not zero, is impossible in any channel's unit. A floating
#: point number with its words in the wrong order is often so small; rounding errors are larger.
TINY = 1e-18
#: Largest single step of an hour counter, h: some count whole hours. A counter can rise by no more
#: than this beside the time that has passed.
COUNTER_STEP_H = 1.0
#: Why a counter that rises by more is refused.
TOO_FAST = "runtime_h rises faster than time"
#: Without a checksum, a value that changes by more than this part of its believable range from one
#: message to the next is a jump, ...
JUMP_SHARE = 0.25
#: ... a voltage that changes by more than this, V: the start of a charge changes it by less (common
#: practice, no source).
JUMP_V = 4.0


def counter_is_possible(before: tuple[float, float], now: tuple[float, float]) -> bool:
    """Tell whether an hour counter can go from ``before`` to ``now``; each is (time s, counter h).

    It may fall: the counter was reset, or another charger was fitted.
    """
    return now[1] - before[1] <= max(now[0] - before[0], 0.0) / 3600.0 + COUNTER_STEP_H


class Jumps:
    """Finds values of one channel that lie far from the values before them.

    The next value confirms a jump that is true: it lies near the one that jumped.

    Parameters
    ----------
    name
        The channel.
    low, high
        Its lowest and highest possible value, in its unit.
    """

    __slots__ = ("_believed", "_came", "_counts", "_far")

    def __init__(self, name: str, low: float, high: float) -> None:
        self._far = JUMP_SHARE * (high - low)
        self._counts = name == "runtime_h"
        if self._counts:
            self._far = COUNTER_STEP_H
        elif name == "voltage_v":
            self._far = min(self._far, JUMP_V)
        self._believed = self._came = math.nan

    def alone(self, value: float) -> bool:
        """Tell whether a value lies far from the last one believed and from the last one that came.

        A counter of hours that rises is not judged here, but by the time that has passed.
        """
        believed, came, far = self._believed, self._came, self._far
        self._came = value
        if (
            abs(value - believed) <= far
            or abs(value - came) <= far
            or math.isnan(believed)  # nothing came before
            or (self._counts and value >= believed)
        ):
            self._believed = value
            return False
        return True

    def strays(self, value: float) -> bool:
        """Tell whether an impossible value came right behind one that was believed."""
        believed, came, far = self._believed, self._came, self._far
        if math.isnan(believed):
            return False
        self._came = value
        return abs(came - believed) <= far and not abs(value - believed) <= far


#: End of the reason why a value that jumps is not believed.
JUMPS_ALONE = "jumps alone, in messages without a checksum"
#: What charge and energy are added up from.
_MEASURED = ("voltage_v", "current_a")


def beyond(name: str, value: float, low: float, high: float) -> str:
    """Say why a value beyond its limits cannot be true."""
    if 0.0 < abs(value) < TINY:
        return f"{name} is too small to be measured"
    if not math.isfinite(value):
        return f"{name} is not a finite number"
    if value < low:
        return f"{name} below {low:g} {CHANNELS[name]}"
    return f"{name} above {high:g} {CHANNELS[name]}"


class Plausibility:
    """Checks readings against the lowest and highest possible value of each channel.

    Parameters
    ----------
    limits
        Channel of :class:`logger.reading.Reading` to (lowest, highest), inclusive; in the
        channel's unit. That of the voltage counts where there is no ``bank``.
    refusals
        Where refused values are counted.
    bank
        Judges the voltage; None where limits of the user's own do it.
    unsealed
        No checksum tells a spoiled message from a good one: a value that jumps is believed only
        when the next one confirms it, and each true jump costs one value. Where voltage or current
        jumps, or is impossible right behind one that was believed, the whole reading goes: its
        neighbours then carry charge and energy over it, where one would go on without the other.

    Attributes
    ----------
    limits
        Channel, lowest and highest value of each that is judged, in the order of the channels.
    """

    def __init__(
        self,
        limits: Mapping[str, tuple[float, float]],
        refusals: Refusals,
        bank: Bank | None = None,
        *,
        unsealed: bool = False,
    ) -> None:
        if bank is not None:
            limits = {**limits, "voltage_v": bank.limits_v}
        self.limits = [(name, *limits[name]) for name in CHANNELS if name in limits]
        self.refusals = refusals
        self.bank = bank
        # What is judged beside its limits: by a doubt of its own, and by its jumps.
        doubts: dict[str, Callable[[float, float], str]] = {"runtime_h": self._too_fast}
        if bank is not None:
            doubts["voltage_v"] = lambda _, value: bank.refuses(value)
        self._judged = [
            (*limit, doubts.get(limit[0]), Jumps(*limit) if unsealed else None)
            for limit in self.limits
        ]
        self._counter: tuple[float, float] | None = None  # the last value, dropped or not

    @classmethod
    def of(cls, config: Config, refusals: Refusals, *, unsealed: bool = False) -> Plausibility:
        """Return the judgement that a configuration asks for, of live and of imported readings."""
        bank = Bank(config.battery.nominal_v) if config.judges_bank else None
        return cls(config.plausible, refusals, bank, unsealed=unsealed)

    def clean(self, reading: Reading) -> Reading | None:
        """Return the reading without its impossible values, or None if nothing is left."""
        bad: dict[str, None] = {}
        present = reading.state is not OperatingState.UNKNOWN
        spoiled = False
        for name, low, high, doubt, jumps in self._judged:
            value = getattr(reading, name)
            if value is None:
                continue
            if not low <= value <= high or (-TINY < value < TINY and value != 0.0):
                reason = beyond(name, value, low, high)
            elif doubt is not None and (why := doubt(reading.time_s, value)):
                reason = why
            elif jumps is not None and jumps.alone(value):
                reason = f"{name} {JUMPS_ALONE}"
            else:
                present = True
                continue
            bad[name] = None
            self.refusals.count(reason, f"{value:g}")
            if jumps is not None and name in _MEASURED:
                spoiled |= reason.endswith(JUMPS_ALONE) or jumps.strays(value)
        if not math.isfinite(reading.time_s):
            self.refusals.count("time is not a finite number", str(reading.time_s))
            return None
        if spoiled or not present:
            return None
        return replace(reading, **bad) if bad else reading  # type: ignore[arg-type]

    def _too_fast(self, time_s: float, runtime_h: float) -> str:
        """Say why a counter is not believed, which may be its haste; empty where it is believed.

        It is compared with the value before, dropped or not, so that one true jump costs one value.
        """
        before, self._counter = self._counter, (time_s, runtime_h)
        return "" if before is None or counter_is_possible(before, self._counter) else TOO_FAST
