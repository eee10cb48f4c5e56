"""Shows the values of a device with a judgement: can they be those of a charger on a boat.

A wrong scale or a wrong order of words decodes without an error. The values show it: no bank has
1.3 V, and no hour counter runs faster than time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.plausibility.bank import HOUSE_BANKS_V, OFF_V, fits
from logger.plausibility.values import TINY, counter_is_possible
from logger.reading import CHANNELS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.reading import Reading
    from logger.sources.description import Description

#: No small charger has run for longer, h: ten years without a pause. Common practice, no source.
OLDEST_H = 10.0 * 8766.0
#: Factors by which a scale is usually wrong.
FACTORS = (10.0, 0.1, 100.0, 0.01, 1000.0, 0.001)


@dataclass(slots=True)
class _Seen:
    low: float = math.inf
    high: float = -math.inf
    tiny: bool = False


def _span(low: float, high: float) -> str:
    """Write what was seen with as many digits as tell its ends apart, four at least."""
    for digits in range(4, 12):
        ends = f"{low:.{digits}g}", f"{high:.{digits}g}"
        if ends[0] != ends[1]:
            return " to ".join(ends)
    return f"{low:.4g}"


@dataclass(slots=True)
class Judgement:
    """Collects the values of readings; holds two numbers of each channel, however many come."""

    description: Description
    nominal_v: float | None = None
    _seen: dict[str, _Seen] = field(default_factory=dict)
    _counter: tuple[float, float] | None = None
    _too_fast: bool = False

    def hear(self, reading: Reading) -> None:
        """Take note of a reading as it was decoded."""
        for channel in CHANNELS:
            value = getattr(reading, channel)
            if value is None:
                continue
            seen = self._seen.setdefault(channel, _Seen())
            seen.low, seen.high = min(seen.low, value), max(seen.high, value)
            seen.tiny |= 0.0 < abs(value) < TINY
        if reading.runtime_h is not None:
            now = (reading.time_s, reading.runtime_h)
            if self._counter is not None and not counter_is_possible(self._counter, now):
                self._too_fast = True
            self._counter = now

    def lines(self) -> list[str]:
        """Return a line for each channel: what was seen, and what is odd about it."""
        lines = []
        for channel, unit in CHANNELS.items():
            seen = self._seen.get(channel)
            if seen is None:
                continue
            span = _span(seen.low, seen.high)
            odd = self._odd(channel, seen)
            lines.append(f"  {channel}: {span} {unit}{': ' + odd if odd else ''}")
        return lines

    def _odd(self, channel: str, seen: _Seen) -> str:
        if seen.tiny:
            return f"too small to be measured; {self._order_hint(channel)}"
        if channel == "voltage_v":
            return self._odd_voltage(seen)
        if channel == "runtime_h" and self._too_fast:
            return f"rises faster than time; {self._order_hint(channel)}"
        if channel == "runtime_h" and seen.high > OLDEST_H:
            return f"more than ten years of running; {self._order_hint(channel)}"
        return ""

    def _odd_voltage(self, seen: _Seen) -> str:
        banks = HOUSE_BANKS_V if self.nominal_v is None else (self.nominal_v,)
        if seen.high <= OFF_V or any(fits(seen.high, bank) for bank in banks):
            return ""
        for factor in FACTORS:
            if any(fits(seen.high * factor, bank) for bank in banks):
                break
        else:
            return f"no bank of {' or '.join(f'{b:g}' for b in banks)} V has that"
        scale = next((f.factor for f in self.description.fields if f.channel == "voltage_v"), 1.0)
        return (
            f"no bank has that: should the scale be {scale * factor:g} instead of {scale:g}? That "
            f"would be {seen.high * factor:.4g} V"
        )

    def _order_hint(self, channel: str) -> str:
        """Say what to change where the bytes of a number stand in another order."""
        source = next((f.source for f in self.description.fields if f.channel == channel), "")
        kind = self.description.decoder_kind
        if kind == "modbus":
            table: Mapping[str, Mapping[str, object]] = self.description.tables["decoder"]
            entry = table["registers"].get(source)
            order = entry.get("order", "ABCD") if isinstance(entry, dict) else "ABCD"
            other = {"ABCD": "CDAB", "CDAB": "ABCD", "BADC": "DCBA", "DCBA": "BADC"}[str(order)]
            return f'the order of its words looks swapped: try order = "{other}"'
        if kind == "frame":
            return "the order of its bytes looks wrong: try the other byte_order, or another type"
        return "is it the right value, in the right unit?"
