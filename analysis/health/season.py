"""The yearly wave of the output where no temperature is logged.

A log of more than a year shows how much the seasons matter. A shorter one cannot tell heat from
wear: an output that falls while the summer comes has either cause. Two readings of it are weighed.
In the usual one the compartment stays cool enough that heat hardly matters. In the other one heat
costs as much as in a compartment that warms far; the summer is that of the north or of the south.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.durations import YEAR_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Prior = tuple[Floats, Floats]

#: Prior size of the wave over a full year: 10 K between the mean and the extremes of the year at
#: 2 % per 10 K (common practice, no source).
WAVE_SIZE = 0.02
#: The same before a full year was seen: 4 % per 10 K, the upper end of what is usual (common
#: practice, no source).
FIRST_SEASON_SIZE = 0.04
#: The hottest weeks of the north, part of a year after its beginning: the third week of July, a
#: month after the longest day; those of the south are half a year away (common knowledge).
HOTTEST = 0.555
#: Size of the wave where heat hardly matters, fraction of rated: 10 K at 0.5 % per 10 K, for most
#: chargers lose little below some 35 degC (common practice, no source).
_COOL_SIZE = 0.005
#: Spread of the wave where heat matters, about :data:`FIRST_SEASON_SIZE`: from next to nothing to
#: twice as much (our choice).
_HOT_SPREAD = 0.03
#: Its part at a quarter of a year from the hottest weeks: they come up to four weeks earlier or
#: later (our choice, the sine of four weeks times the wave).
_SHIFTED = 0.02
#: Chance that heat hardly matters: nothing is known of the compartment.
_COOL = 0.5


def wave_columns(time_s: Floats) -> tuple[Floats, tuple[float, float]]:
    """Return the columns of the yearly wave, shape (n, 2), and their prior sizes.

    The first is 1 in the hottest weeks of the north and -1 in its coldest.
    """
    phase = 2.0 * np.pi * (time_s / YEAR_S - HOTTEST)
    size = WAVE_SIZE if np.ptp(time_s) > YEAR_S else FIRST_SEASON_SIZE
    return np.column_stack((np.cos(phase), np.sin(phase))), (size, size)


def readings(prior: Prior, first: int) -> tuple[tuple[float, Prior], ...]:
    """Return the readings of a first season with their chances, the usual one first.

    Parameters
    ----------
    prior
        Mean and precision of all coefficients.
    first
        Place of the first column of the wave among them.
    """

    def reading(mean: float, sizes: tuple[float, float]) -> Prior:
        means, precisions = prior[0].copy(), prior[1].copy()
        means[first] = mean
        precisions[first : first + 2] = np.array(sizes) ** -2.0
        return means, precisions

    hot = (_HOT_SPREAD, _SHIFTED)
    either = 0.5 * (1.0 - _COOL)
    return (
        (_COOL, reading(0.0, (_COOL_SIZE, _COOL_SIZE))),
        (either, reading(-FIRST_SEASON_SIZE, hot)),
        (either, reading(FIRST_SEASON_SIZE, hot)),
    )
