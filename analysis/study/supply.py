"""Load of one boat, judged: what was said of them and what is true.

Truth comes from the day records and the course of the simulator, never from the log. Only days
of the season count; days of the first and last date are not whole and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.load.daily import LATEST_DAYS
from analysis.study.boats import simulate
from analysis.study.scores import Said
from logger.durations import DAY_S

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.study.boats import Boat, Truth

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: A source that gives at least this part of a day's load counts as strong.
STRONG = 0.05


@dataclass(frozen=True, slots=True)
class SupplyOutcome:
    """The estimated load of one boat and its other sources, beside the truth."""

    name: str
    method: str
    load: Said | None
    """Mean Ah a day on self-reliant days of the time looked at; by the battery's current also on
    those with help that it tells."""
    p95: Said | None
    other_days: int
    """Days in season, logged, on which another source gave current."""
    other_recognised: int
    strong_days: int
    """Those of them on which it gave at least a twentieth of what the boat drew."""
    strong_recognised: int
    alone_days: int
    alone_lost: int
    """Self-reliant days taken for days with another source."""


def judge_supply(boat: Boat, cache: Path | None) -> SupplyOutcome:
    """Simulate a boat, and compare its load with the truth."""
    history, truth = simulate(boat, cache)
    found = Case(history, boat.config()).load
    alone, other = _days(history, truth)
    load = p95 = None
    if found.ah.median is not None and alone.any():
        # The battery's current tells the load of days with some help, too.
        told = alone
        if found.method == "battery_current":
            told = alone | (other & _marked(found.daily_s, truth.days["start_s"][0], len(alone)))
        daily = truth.days["load_ah"][told]
        load = Said(
            found.ah.low or 0.0, found.ah.median, found.ah.high or np.inf, float(daily.mean())
        )
        if found.ah_p95 is not None:
            p95 = Said(0.0, found.ah_p95, np.inf, float(np.quantile(daily, 0.95)))
    first_s = truth.days["start_s"][0] if len(truth.days["start_s"]) else 0.0
    helped = _marked(found.other_s, first_s, len(alone))
    silent = _marked(found.gap_s, first_s, len(alone))
    if boat.unknown_clock > 0.0:  # the dates of its days are not certain
        alone, other = np.zeros_like(alone), np.zeros_like(other)
    strong = other & ~silent & (truth.days["fed_ah"] >= STRONG * truth.days["load_ah"])
    return SupplyOutcome(
        name=boat.name,
        method=found.method,
        load=load,
        p95=p95,
        other_days=int((other & ~silent).sum()),
        other_recognised=int((other & helped).sum()),
        strong_days=int(strong.sum()),
        strong_recognised=int((strong & helped).sum()),
        alone_days=int((alone & ~silent).sum()),
        alone_lost=int((alone & helped).sum()),
    )


def _days(history: History, truth: Truth) -> tuple[Flags, Flags]:
    """Return which days were self-reliant, and on which another source gave current."""
    start_s = truth.days["start_s"]
    season = np.array([kind != "laid_up" for kind in truth.day_kind], dtype=bool)
    season[[0, -1]] = False
    placed = history.start_s[np.isfinite(history.start_s)]
    if len(placed):
        season &= start_s >= placed.max() - LATEST_DAYS * DAY_S
    helped = truth.days["fed_h"] > 0.0
    return season & ~helped, season & helped


def _marked(begin_s: Floats, first_s: float, count: int) -> Flags:
    flags = np.zeros(count, dtype=bool)
    # The first day of a life begins at midnight too.
    place = np.floor((begin_s - first_s) / DAY_S + 0.5).astype(np.intp)
    flags[place[(place >= 0) & (place < count)]] = True
    return flags
