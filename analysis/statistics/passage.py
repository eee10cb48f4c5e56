"""Finds when simulated paths of a declining quantity fall below a limit and stay there.

The tests compare this with closed forms: inverse Gaussian first passage, and its mixture over an
uncertain drift (tests/support/oracles.py).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: A limit is crossed for good when the output stays below it for this many running hours. Real
#: stacks dip and recover within tens of hours (judgement, no source for the number).
SUSTAINED_H = 100.0


def passage_for_good(
    times_h: Floats, paths: Floats, limit: Floats | float, sustained_h: float = SUSTAINED_H
) -> Floats:
    """Return for each path when it falls below the limit for at least ``sustained_h``.

    Parameters
    ----------
    times_h
        Rising times of the columns, h, shape (m,), the first being now.
    paths
        Shape (paths, m).
    limit
        One limit, or one per path.
    sustained_h
        Running hours for which a path must stay below. A path that is still below at the end of
        the times counts as crossed where it fell below.

    Returns
    -------
    Times, shape (paths,); infinity where a path does not cross for good.
    """
    limits = np.broadcast_to(np.asarray(limit, dtype=float), (len(paths),))[:, None]
    count = np.zeros((len(paths), len(times_h) + 1), dtype=np.int32)
    np.cumsum(paths < limits, axis=1, out=count[:, 1:])
    until = np.searchsorted(times_h, times_h + sustained_h, side="left")
    until = np.minimum(until + 1, len(times_h))
    all_below = (until - np.arange(len(times_h))).astype(np.int32)
    # np.take copies columns several times as fast as an index does.
    stays = np.take(count, until, axis=1) - count[:, :-1] == all_below
    first = np.argmax(stays, axis=1)
    crossed = stays[np.arange(len(paths)), first]
    before = np.maximum(first - 1, 0)
    rows = np.arange(len(paths))
    above = paths[rows, before] - limits[:, 0]
    gap = above - (paths[rows, first] - limits[:, 0])
    share = np.where(gap > 0.0, np.clip(above / np.where(gap > 0.0, gap, 1.0), 0.0, 1.0), 1.0)
    when = times_h[before] + share * (times_h[first] - times_h[before])
    when = np.where(first == 0, times_h[0], when)
    return np.where(crossed, when, np.inf)
