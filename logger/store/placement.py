"""Dates boots whose clock cannot be believed: between their neighbours, in order, not overlapping.

Each boot is known by its own clock exactly; what may be wrong is where it lies. The boots of one
board are in order of writing, so boot k lies at ``u[k] + busy[k]``, where ``busy[k]`` is the time
that the boots before it logged and ``u`` never decreases: the time switched off can only grow.
The believed times whose ``u`` agree best with that order are kept (true ones before any number of
merely believed ones), and whatever contradicts them is placed between what is kept. Durations and
order therefore hold exactly, whatever any clock has said.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

from logger.reading import CLOCK_UNSET_BEFORE_S

if TYPE_CHECKING:
    from collections.abc import Sequence

#: ``offset_quality`` of a session: nobody knows, as the board believed, true.
UNKNOWN, BELIEVED, TRUE = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Boot:
    """What one boot logged, ms on its own clock, and where the board thinks that it lies."""

    start_ms: int
    end_ms: int
    offset_ms: int
    quality: int


@dataclass(frozen=True, slots=True)
class Placed:
    """UTC minus the clock of a boot, ms, and whether a clock said so (else it is an estimate)."""

    offset_ms: int
    known: bool


def place(boots: Sequence[Boot]) -> list[Placed]:
    """Return the place of each boot of one board, given in order of writing.

    Of a known boot it is what its clock said. Unknown ones are spread evenly over the time that
    the known ones on both sides leave free; before the first known one they end where it starts,
    after the last they follow at once. Where no clock can be believed at all, the boots follow
    one another from where the first believed to be.
    """
    busy = [0, *accumulate(boot.end_ms - boot.start_ms for boot in boots)]
    believed = [
        boot.start_ms + boot.offset_ms - before for boot, before in zip(boots, busy, strict=False)
    ]
    kept = _heaviest_chain(believed, [_weight(boot, len(boots)) for boot in boots])
    free = list(believed)
    for before, after in zip([None, *kept], [*kept, None], strict=True):
        first = 0 if before is None else before + 1
        stop = len(boots) if after is None else after
        if first == stop:
            continue
        low = believed[(after or 0) if before is None else before]
        high = low if after is None else believed[after]
        for k in range(first, stop):
            free[k] = low + (high - low) * (k - first + 1) // (stop - first + 1)
    known = set(kept)
    return [
        Placed(u + before - boot.start_ms, k in known)
        for k, (boot, u, before) in enumerate(zip(boots, free, busy, strict=False))
    ]


def _weight(boot: Boot, count: int) -> int:
    """Weigh a boot's belief: one true time outweighs all merely believed ones, a 1970 nothing."""
    if boot.quality >= TRUE:
        return count + 1
    set_once = boot.start_ms + boot.offset_ms >= CLOCK_UNSET_BEFORE_S * 1000.0
    return int(boot.quality == BELIEVED and set_once)


def _heaviest_chain(values: Sequence[int], weights: Sequence[int]) -> list[int]:
    """Return the indices of the never decreasing subsequence of the greatest total weight.

    Weights of zero never take part. Time O(n log n), with a tree of maxima over the values (a
    Fenwick tree: P. Fenwick, Software: Practice and Experience 24, 1994).
    """
    ranks = sorted(set(values))
    best: list[tuple[int, int]] = [(0, -1)] * (len(ranks) + 1)  # (weight so far, last index)
    before = [-1] * len(values)
    for k, (value, weight) in enumerate(zip(values, weights, strict=True)):
        if weight == 0:
            continue
        rank = bisect_left(ranks, value) + 1
        heaviest, node = (0, -1), rank
        while node:
            # On a tie the earlier boot stays: a clock restored from a file is late, never early.
            if best[node][0] > heaviest[0]:
                heaviest = best[node]
            node &= node - 1
        before[k] = heaviest[1]
        node = rank
        while node < len(best):
            if heaviest[0] + weight > best[node][0]:
                best[node] = (heaviest[0] + weight, k)
            node += node & -node
    last = max(best, key=lambda end: (end[0], -end[1]))[1]
    chain = []
    while last >= 0:
        chain.append(last)
        last = before[last]
    return chain[::-1]
