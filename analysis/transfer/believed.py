"""Drops impossible values of whole blocks, by the rule that judges live readings one by one.

The rule stands in :mod:`logger.plausibility`; here it is applied to columns. A property test holds
the two against each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.transfer.condense import Block
from analysis.transfer.read_blocks import UNKNOWN
from logger.plausibility.bank import OFF_V
from logger.plausibility.values import COUNTER_STEP_H, TINY, TOO_FAST, beyond
from logger.reading import CHANNELS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from logger.plausibility.bank import Bank
    from logger.plausibility.values import Plausibility

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Mask = NDArray[np.bool_]


class BelievedBlocks:
    """Judges the blocks of one recording, one after the other.

    Parameters
    ----------
    rule
        Limits and bank, and where refused values are counted. Jumps are not looked for: a recording
        does not say whether its messages had a checksum.
    """

    def __init__(self, rule: Plausibility) -> None:
        self._rule = rule
        self._counter: tuple[float, float] | None = None  # the last time, s, and value, h

    def clean(self, block: Block) -> Block:
        """Return the block without its impossible values; readings of nothing else are dropped.

        Parameters
        ----------
        block
            Readings that lie after those of the block before.
        """
        columns: dict[str, Any] = {name: getattr(block, name) for name in CHANNELS}
        for name, low, high in self._rule.limits:
            values = columns[name]
            small = (np.abs(values) < TINY) & (values != 0.0)
            within = (values >= low) & (values <= high) & ~small
            believed = within.copy()
            infinite = np.isinf(values)
            for wrong in (
                small,
                infinite,
                (values < low) & ~small & ~infinite,
                (values > high) & ~small & ~infinite,
            ):
                if (places := np.flatnonzero(wrong)).size:
                    self._refuse(beyond(name, float(values[places[0]]), low, high), values, places)
            for reason, places in self._doubted(name, block.time_s, values, np.flatnonzero(within)):
                self._refuse(reason, values, places)
                believed[places] = False
            columns[name] = np.where(believed, values, np.nan)
        present = block.state != UNKNOWN
        for values in columns.values():
            present = present | np.isfinite(values)
        kept = Block(time_s=block.time_s, **columns, state=block.state)
        return kept if present.all() else kept.select(present)

    def _refuse(self, reason: str, values: Floats, places: Indices) -> None:
        self._rule.refusals.count(reason, f"{values[places[0]]:g}", len(places))

    def _doubted(
        self, name: str, time_s: Floats, values: Floats, within: Indices
    ) -> Iterator[tuple[str, Indices]]:
        """Yield why values within their limits are not believed, and which."""
        if not within.size:
            return
        if name == "runtime_h":
            fast = within[self._too_fast(time_s[within], values[within])]
            if fast.size:
                yield TOO_FAST, fast
        if name == "voltage_v" and self._rule.bank is not None:
            for reason, places in _no_bank_has(self._rule.bank, values[within]).items():
                yield reason, within[places]

    def _too_fast(self, time_s: Floats, counter_h: Floats) -> Mask:
        """Tell which values of a counter rise by more than the time since the value before."""
        before = self._counter or (time_s[0], counter_h[0])
        self._counter = (float(time_s[-1]), float(counter_h[-1]))
        passed_s = np.maximum(np.diff(time_s, prepend=before[0]), 0.0)
        rise_h = np.diff(counter_h, prepend=before[1])
        return np.asarray(rise_h > passed_s / 3600.0 + COUNTER_STEP_H)


def _no_bank_has(bank: Bank, volts: Floats) -> dict[str, list[int]]:
    """Return, for each reason, the places of the voltages that the bank refuses.

    Nearly all voltages are usual, or those of a charger that is off. The bank is asked about the
    others one by one, and told of a usual one between them, since it counts them in a row.
    """
    refused: dict[str, list[int]] = {}
    begin = 0
    while begin < len(volts):
        nominal_v = bank.nominal_v
        rest = volts[begin:]
        usual = (rest >= bank.usual_v[0]) & (rest <= bank.usual_v[1])
        last_usual = np.maximum.accumulate(np.where(usual, np.arange(len(rest)), -1))
        asked = -1
        for place in np.flatnonzero(~usual & (rest > OFF_V)).tolist():
            if last_usual[place] > asked:
                bank.refuses(float(rest[last_usual[place]]))
            if reason := bank.refuses(float(rest[place])):
                refused.setdefault(reason, []).append(begin + place)
            asked = place
            if bank.nominal_v != nominal_v:
                break  # what is usual has changed
        else:
            if last_usual[-1] > asked:
                bank.refuses(float(rest[last_usual[-1]]))
            break
        begin += asked + 1
    return refused
