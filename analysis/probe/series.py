"""What a row of numbers could be, by how it moves: a bank's voltage, a current, hours, warmth.

A guess is shown with what was seen and the lines to paste; the person decides.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from analysis.probe.shown import quoted
from logger.plausibility.bank import HOUSE_BANKS_V, fits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

#: Scales of devices that send whole numbers, the likeliest first; 0.001 is millivolts.
_SCALES = (0.01, 0.001, 0.1)
#: A charger of a boat gives no more, A; common practice, no source.
MOST_A = 60.0
#: A current that was seen to be less tells nothing, A (our choice).
_LEAST_A = 0.5
#: A temperature in a locker, degC; it moves by less than a degree from one frame to the next
#: (our choice).
_WARMTH_C = (2.0, 60.0)
#: Running hours of a used charger, h (our choice).
_HOURS = (1.0, 100_000.0)
#: So many numbers, and this part of the steps between them alike, show a count (our choice).
_COUNTS, _EVEN = 10, 0.8


@dataclass(frozen=True, slots=True)
class Guess:
    """What a row of numbers may be.

    Parameters
    ----------
    channel
        Of a reading.
    scale
        By which the number is multiplied.
    unit
        Of the number times the scale.
    low, high
        What was seen, in ``unit``.
    weight
        The more, the likelier.
    """

    channel: str
    scale: float
    unit: str
    low: float
    high: float
    weight: int

    def words(self) -> str:
        """Say what was seen."""
        if self.low == self.high:
            return f"stands at {self.low:.9g} {self.unit}"
        return f"moves between {self.low:.9g} and {self.high:.9g} {self.unit}"

    def line(self, name: str, *, decimal_comma: bool = False, hold_s: float = 0.0) -> str:
        """Return the line for [fields]."""
        more = ", decimal_comma = true" if decimal_comma else ""
        if self.unit not in {"V", "A", "h", "degC"}:
            more += f', unit = "{self.unit}"'
        if self.scale != 1.0:
            more += f", scale = {self.scale:g}"
        if hold_s:
            more += f", hold_s = {hold_s:.0f}"
        source = quoted(name)
        if more:
            return f"{self.channel} = {{ from = {source}{more} }}"
        return f"{self.channel} = {source}"


def guesses(
    values: Sequence[float],
    seconds: float,
    *,
    whole: bool,
    slack_s: float = 0.0,
    most_a: float = MOST_A,
) -> list[Guess]:
    """Return what a row of numbers may be, the likeliest first.

    Parameters
    ----------
    values
        In the order in which they came.
    seconds
        From the first to the last.
    whole
        The device sends whole numbers, which have a scale; else they are as they are.
    slack_s
        By so much ``seconds`` may be wrong.
    most_a
        The charger gives no more, A.
    """
    if len(values) < 3:
        return []
    scales = _SCALES if whole else (1.0,)
    hours = list(_hours(values, seconds, slack_s, whole=whole))
    if _is_count(values):
        return hours
    found = [
        *_voltages(values, scales),
        *hours,
        *_currents(values, scales, most_a),
        *_warmths(values, (0.1,) if whole else (1.0,)),
    ]
    return sorted(found, key=lambda guess: -guess.weight)


def _is_count(values: Sequence[float]) -> bool:
    """Tell whether numbers count the messages: one step nearly always, which no sensor does."""
    steps = Counter(b - a for a, b in pairwise(values))
    step, times = steps.most_common(1)[0]
    return step > 0 and len(values) >= _COUNTS and times >= _EVEN * (len(values) - 1)


def _seen(channel: str, unit: str, values: Sequence[float], scale: float, weight: int) -> Guess:
    return Guess(channel, scale, unit, min(values) * scale, max(values) * scale, weight)


def _voltages(values: Sequence[float], scales: Sequence[float]) -> Iterator[Guess]:
    low, high = min(values), max(values)
    for scale in scales:
        if any(fits(low * scale, bank) and fits(high * scale, bank) for bank in HOUSE_BANKS_V):
            if high * scale - low * scale > 0.2 * low * scale:
                continue
            # A whole number of tenths, and one that stands still, are likelier something else.
            weight = 10 if scale == 1.0 else 8 if scale < 0.1 else 6
            yield _seen("voltage_v", "V", values, scale, weight if high > low else 5)


def _currents(values: Sequence[float], scales: Sequence[float], most_a: float) -> Iterator[Guess]:
    low, high = min(values), max(values)
    steps = sorted(abs(b - a) for a, b in pairwise(values))
    # Half of the steps are small: a current wanders, it does not leap.
    if high == low or steps[len(steps) // 2] > 0.3 * high:
        return
    # The low byte of a true value moves all the time.
    lively = 2 if len(set(values)) > len(values) / 2 else 0
    for rank, scale in enumerate(scales):
        if low * scale >= -1.0 and _LEAST_A <= high * scale <= most_a:
            yield _seen("current_a", "A", values, scale, 4 - rank + lively)


def _hours(
    values: Sequence[float], seconds: float, slack_s: float, *, whole: bool
) -> Iterator[Guess]:
    if any(b < a for a, b in pairwise(values)):
        return
    rise = values[-1] - values[0]
    for unit, of_a_unit in (("s", 1.0), ("min", 60.0)):
        hours = values[0] * of_a_unit / 3600.0
        expected = seconds / of_a_unit
        # What rises with the clock is a counter; one unit is lost to rounding at each end.
        rises = expected >= 2.0 and abs(rise - expected) <= (
            1.0 + 0.2 * expected + slack_s / of_a_unit
        )
        if rises and _HOURS[0] <= hours <= _HOURS[1]:
            yield _seen("runtime_h", unit, values, 1.0, 9)
    slow = 0.0 < rise <= seconds / 3600.0 + 0.11
    if not whole and slow and _HOURS[0] <= values[0] <= _HOURS[1]:
        yield _seen("runtime_h", "h", values, 1.0, 2)


def _warmths(values: Sequence[float], scales: Sequence[float]) -> Iterator[Guess]:
    low, high = min(values), max(values)
    if low == high:
        return  # what stands still could be anything
    step = max(abs(b - a) for a, b in pairwise(values))
    for rank, scale in enumerate(scales):
        if _WARMTH_C[0] <= low * scale and high * scale <= _WARMTH_C[1] and step * scale <= 1.0:
            yield _seen("temperature_c", "degC", values, scale, 3 - rank)


def fields_table(lines: list[str]) -> list[str]:
    """Return the lines of [fields], with a remark where the voltage is missing."""
    if not any(line.startswith("voltage_v") for line in lines):
        lines = [*lines, '# voltage_v = "NAME": no value moved like the voltage of a bank']
    return ["[fields]", *lines, ""]
