"""The effect of heat on the output: the columns that correct for it, and its prior size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Compartment temperature to which outputs are corrected (common practice, no source).
REFERENCE_C = 25.0
#: Temperatures at which a steeper loss may begin: chargers throttle somewhere between room
#: temperature and the 40 degC at which many are specified (common practice, no source).
_HEAT_KNEES_C = (25.0, 30.0, 35.0, 40.0)
#: Prior size of the effect, fraction per 10 K: over the whole range, and beyond each knee. Wide, so
#: that a log with temperatures soon outweighs it (common practice, no source).
HEAT_SIZE = (0.02, 0.1, 0.1, 0.1, 0.1)


#: Rows whose columns are made at a time: ten years of columns at once would be 50 MiB.
_ROWS_AT_ONCE = 1 << 16


def heat_factor(temperature_c: Floats, effect: Floats) -> Floats:
    """Return what heat multiplies the output by, shape (n,).

    ``effect`` holds the coefficients of :func:`heat_columns`.
    """
    usual = _usual(temperature_c)
    factor = np.empty(len(temperature_c))
    for begin in range(0, len(factor), _ROWS_AT_ONCE):
        rows = slice(begin, begin + _ROWS_AT_ONCE)
        factor[rows] = 1.0 + _columns(temperature_c[rows], usual) @ effect
    return factor


def heat_columns(temperature_c: Floats) -> Floats:
    """Return the columns for heat, shape (n, 5), in units of 10 K.

    The first counts from 25 degC, each other one from its knee up. A missing temperature counts as
    the median of the others.
    """
    return _columns(temperature_c, _usual(temperature_c))


def _usual(temperature_c: Floats) -> float:
    told = np.isfinite(temperature_c)
    return float(np.median(temperature_c[told])) if told.any() else REFERENCE_C


def _columns(temperature_c: Floats, usual_c: float) -> Floats:
    t = np.where(np.isfinite(temperature_c), temperature_c, usual_c)
    beyond = [np.maximum(t - knee, 0.0) / 10.0 for knee in _HEAT_KNEES_C]
    return np.column_stack([(t - REFERENCE_C) / 10.0, *beyond])
