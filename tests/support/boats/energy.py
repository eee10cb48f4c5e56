"""Energy logged against energy sent: signals that change, and what the logger makes of them."""

import math
from itertools import pairwise

from logger.config import LogConfig
from logger.interval import Condenser


def truth(time_s):
    """Return voltage, V, and current, A, as an invented device measures them in fast motion."""
    return 13.2 + 0.3 * math.sin(time_s / 300.0), 6.0 + 2.0 * math.sin(time_s / 170.0)


def quick_truth(step):
    """Return voltage, V, and current, A, of a device whose output moves within a second.

    The voltage rises all the time, so that it tells of which step it is; the current swings, so
    that neither a shift in time nor a lost piece is made up for by its neighbours. Where the step
    is a multiple of ten the current goes straight on: what is lost for a moment there costs little.
    """
    return round(13.0 + 0.01 * step, 2), round(6.0 + 3.0 * math.sin(math.pi * step / 10.0), 3)


def energy_of(readings, log=None):
    """Condense the readings and return the energy of all intervals, J.

    Intervals are as configured, unless ``log`` says otherwise.
    """
    condenser = Condenser(log or LogConfig())
    closed = [interval for r in readings if (interval := condenser.add(r))]
    assert condenser.out_of_order == 0
    return sum(i.energy_j or 0.0 for i in [*closed, condenser.flush()] if i is not None)


def trapezoids(points, longest_s=math.inf):
    """Integrate pairs of time, s, and power, W; what is further apart than that gives nothing."""
    return sum((p + q) / 2 * (b - a) for (a, p), (b, q) in pairwise(points) if b - a <= longest_s)


def held(points, begin_s, end_s):
    """Integrate pairs of time, s, and power, W, each of which holds until the next."""
    ends = [at for at, _ in points[1:]] + [math.inf]
    return sum(
        p * max(0.0, min(b, end_s) - max(a, begin_s))
        for (a, p), b in zip(points, ends, strict=True)
    )
