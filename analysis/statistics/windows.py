"""Functions that look back over arrays on a regular grid: earlier values, least, greatest, mean."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

_T = TypeVar("_T", bound=np.generic)


def ago(values: NDArray[_T], cells: int) -> NDArray[_T]:
    """Return the values ``cells`` cells earlier; where there are none, the first value."""
    cells = min(cells, len(values))
    return np.concatenate((np.repeat(values[:1], cells), values[: len(values) - cells]))


def since(happened: Flags, index: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return how many cells ago something last happened; a billion where it never did."""
    last = np.maximum.accumulate(np.where(happened, index, -1))
    return np.where(last < 0, 10**9, index - last)


def window(values: Floats, newest: int, oldest: int, reduce: np.ufunc) -> Floats:
    """Reduce over the cells from ``oldest`` to ``newest`` cells ago by ``fmin`` or ``fmax``.

    Two windows make one of twice the length (a value may count twice), so that a long window costs
    little more than a short one.
    """
    width, have, reached = oldest - newest + 1, 1, values
    while 2 * have <= width:
        reached = reduce(reached, ago(reached, have))
        have *= 2
    if have < width:
        reached = reduce(reached, ago(reached, width - have))
    return ago(reached, newest)


def trailing_mean(v: Floats, cells: int) -> Floats:
    """Return the mean over the last ``cells`` cells up to each one; a gap counts as zero."""
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(v))))
    return np.concatenate((np.full(cells - 1, np.nan), (total[cells:] - total[:-cells]) / cells))


def reaching_back(marks: Flags, cells: int) -> Flags:
    """Extend each mark back to the ``cells`` cells of the window that led to it."""
    at = np.flatnonzero(marks)
    edges = np.zeros(len(marks) + 1, dtype=np.int64)
    np.add.at(edges, np.maximum(at - cells + 1, 0), 1)
    np.add.at(edges, at + 1, -1)
    return np.cumsum(edges[:-1]) > 0
