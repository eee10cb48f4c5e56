"""Stretches in which a value stands still: each channel says for itself when that is too long."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Indices = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Stretches:
    """Stretches of the intervals in which a value is known and does not move."""

    told: Indices
    """Intervals of the log in which the value is known, shape (n,)."""
    opens: Indices
    """Where in ``told`` each stretch begins, shape (stretches,)."""
    hours: Floats
    """Hours that each stretch lasts, without the silences of the log, shape (stretches,)."""

    def intervals(self, which: Flags, count: int) -> Flags:
        """Return which of the log's ``count`` intervals lie in the marked stretches."""
        where = np.zeros(count, dtype=bool)
        lengths = np.diff(self.opens, append=len(self.told))
        where[self.told[np.repeat(which, lengths)]] = True
        return where


def still_stretches(log: History, value: Floats, known: Flags, step: float) -> Stretches | None:
    """Return the stretches of a value, or None if it is known less than twice.

    Parameters
    ----------
    log
        In order of time.
    value, known
        The value of each interval, and whether it is known, shape (intervals,).
    step
        What changes by more than this moves, in the unit of the value.
    """
    told = np.flatnonzero(known)
    if len(told) < 2:
        return None
    moves = np.abs(np.diff(value[told])) > step
    opens = np.flatnonzero(np.concatenate(([True], moves)))
    return Stretches(told, opens, np.add.reduceat(log.duration_s[told], opens) / 3600.0)
