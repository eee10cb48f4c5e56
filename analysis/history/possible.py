"""Which stored intervals can be true: others were written by no logger, or are damaged."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.reading import OperatingState

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

#: Greatest stored value of any column, in the units of the schema: times to the year 33658, charge
#: of 10,000 A for years. What is larger would make the sums of everything else lose their digits.
_GREATEST = 1e15
#: Bounds of columns that count something.
_BOUNDS = {
    "duration_ms": (0.0, 1e12),
    "state": (0.0, float(len(OperatingState) - 1)),
    "readings": (0.0, 1e12),
    "session": (0.0, _GREATEST),
}
#: Columns without which an interval says nothing.
_NEEDED = ("start_ms", "duration_ms", "state", "readings", "session")


def possible(columns: Mapping[str, NDArray[np.float64]]) -> NDArray[np.bool_]:
    """Tell for each row of stored columns, shape (n,) each, whether it can be true."""
    good = np.ones(len(columns["start_ms"]), dtype=bool)
    for name, values in columns.items():
        if not values.flags.writeable and name not in _NEEDED:
            continue  # no value at all
        low, high = _BOUNDS.get(name, (-_GREATEST, _GREATEST))
        outside = (values < low) | (values > high)
        good &= ~(outside | np.isnan(values) if name in _NEEDED else outside)
    return good
