"""Dates boots whose clock is wrong: between their neighbours, in order, without overlap.

The length of each boot is exact by its own clock; only its date may be wrong. The boots of one
board are in order of writing, so boot k starts at ``u[k] + busy[k]``. Here ``busy[k]`` is the time
logged by the boots before it, and ``u`` never decreases, because the time switched off can only
grow. The dates whose ``u`` agree best with that order are kept; one true date outweighs any number
of dates that the board only believed. All other boots are placed between the kept ones. So lengths
and order are exact, whatever any clock has shown.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

from logger.reading import CLOCK_UNSET_BEFORE_S

if TYPE_CHECKING:
    from collections.abc import Sequence

#: ``offset_quality`` of a session: the date is unknown, is what the board believed, or is true.
UNKNOWN, BELIEVED, TRUE = 0, 1, 2


@dataclass(frozen=True, slots=True)
class Boot:
    """The time that one boot logged, ms on its own clock, and its date as the board believed it."""

    start_ms: int
    end_ms: int
    offset_ms: int
    quality: int


@dataclass(frozen=True, slots=True)
class Placed:
    """UTC minus the clock of a boot, ms, and whether a clock gave it (else it is an estimate)."""

    offset_ms: int
    known: bool


def place(boots: Sequence[Boot]) -> list[Placed]:
    """Return the date of each boot of one board; the boots come in order of writing.

    A known boot keeps the date of its clock. Unknown boots are spread evenly over the free time
    between the known ones on both sides. Before the first known boot they end where it starts;
    after the last they follow at once. If no clock is credible, the boots follow one another from
    the date that the first one believed.
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
    """Weigh a boot's date: a true one more than all believed ones together, a 1970 not at all."""
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
