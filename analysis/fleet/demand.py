"""How many units a fleet will need, quarter by quarter.

Each boat needs one with a chance of its own; their number is Poisson binomial (Wang 1993,
Statistica Sinica 3:295-312). The chances are taken as independent given what the sisters say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.fleet.listing import QUARTER_S, Quarter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Number of quarters that are looked ahead: two years (judgement: a season to plan, one to fit).
QUARTERS = 8


def number_of_events(chances: Floats) -> Floats:
    """Return the probabilities of 0, 1, ... n events, shape (n + 1,), exactly."""
    found = np.ones(1)
    for chance in chances:
        found = np.convolve(found, (1.0 - chance, chance))
    return found


def interval(chances: Floats) -> tuple[int, int]:
    """Return the ends of the 90 % interval of the number of events."""
    cumulated = np.cumsum(number_of_events(chances))
    last = len(cumulated) - 1
    low = int(np.searchsorted(cumulated, 0.05))
    return min(low, last), min(int(np.searchsorted(cumulated, 0.95)), last)


def chances_by_quarter(crossings_s: Sequence[Floats], now_s: float) -> Floats:
    """Return each boat's chance of needing a unit in each quarter; shape (boats, quarters).

    Parameters
    ----------
    crossings_s
        Of each boat, when it meets its limit: draws of Unix times, infinity for never. What lies in
        the past falls into the first quarter: the unit is still to be ordered.
    now_s
        Unix time.
    """
    found = np.zeros((len(crossings_s), QUARTERS))
    for k, drawn in enumerate(crossings_s):
        place = np.maximum(np.floor((drawn - now_s) / QUARTER_S), 0.0)
        inside = place[place < QUARTERS].astype(np.intp)
        found[k] = np.bincount(inside, minlength=QUARTERS) / len(drawn)
    return found


def demand(crossings_s: Sequence[Floats], now_s: float) -> tuple[Quarter, ...]:
    """Return the demand of the next quarters; as :func:`chances_by_quarter`."""
    quarters = []
    for place, each in enumerate(chances_by_quarter(crossings_s, now_s).T):
        low, high = interval(each)
        quarters.append(Quarter(place + 1, float(each.sum()), low, high))
    return tuple(quarters)
