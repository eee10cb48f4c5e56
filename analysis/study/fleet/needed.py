"""``python -m analysis.study.fleet.needed``: are as many units needed as were told.

Fleets of one type live as run figures alone, as in :mod:`analysis.study.fleet.possible`; each boat
is met at an age of its own. The units needed in the next quarters are told as ``fleet report``
tells them, and held against the quarters in which the outputs really fall below the limit. All
boats run the same hours in a quarter and are told so: what is not known of their use is left out.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from dataclasses import dataclass

import numpy as np

from analysis.fleet.demand import QUARTERS, chances_by_quarter, demand, number_of_events
from analysis.fleet.listing import QUARTER_S
from analysis.fleet.outlook import outlook
from analysis.fleet.prior import LOSS, Sisters
from analysis.fleet.sketch import Sketch, sketch_of_health
from analysis.health.life import estimate
from analysis.health.trend import Observations
from analysis.study.fleet.live import FORMS, KINDS, LIFE_KH, LIFE_SPREAD, Kind
from analysis.study.fleet.possible import Type, figures
from analysis.study.scores import clopper_pearson

#: Boats of a fleet, and the running hours of a quarter (a season's boat has some 1000 a year).
_BOATS, _QUARTER_H = 16, 250.0
#: Parts of their lives at which boats are met.
_AGES = (0.1, 1.0)
#: The usual loss that the estimate is told: a design life of 7500 h.
_USUAL = LOSS / 7.5


@dataclass(frozen=True, slots=True)
class Counted:
    """Of one quarter: the mean and interval that were told, and what came."""

    quarter: int
    mean: float
    low: int
    high: int
    came: int
    expected: float
    """Probability that it holds, if all that was told is true: whole numbers make it above 90 %."""

    @property
    def holds(self) -> bool:
        """Tell whether the interval holds."""
        return self.low <= self.came <= self.high


def judge(kind: Kind, seed: int, number: int, boats: int = _BOATS) -> list[Counted]:
    """Draw a fleet, tell what it needs, and count what it needed."""
    rng = np.random.default_rng([seed, number, int(100 * kind.spread), int(kind.mixed)])
    drawn = Type(
        kind, FORMS[number % len(FORMS)], float(rng.lognormal(math.log(LIFE_KH), LIFE_SPREAD))
    )
    sketches: list[Sketch] = []
    left_h = []
    while len(sketches) < boats:
        charger, course, end_h = drawn.living(rng)
        now_h = end_h * float(rng.uniform(*_AGES))
        seen = figures(charger, course, now_h, rng)
        count = len(seen.hours)
        health = estimate(
            Observations(seen.hours / 1000.0, seen.value, np.sqrt(np.diag(seen.known)),
                         np.zeros(count, dtype=bool)),
            np.full(count, 25.0),
            3600.0 * seen.hours,
            now_h / 1000.0,
            _USUAL,
        )  # fmt: skip
        if health is not None:
            sketches.append(sketch_of_health(health, now_h, 1.0 - LOSS))
            left_h.append(end_h - now_h)
    sisters = Sisters(sketches, _USUAL)
    crossings = []
    for k, sketch in enumerate(sketches):
        prior = sisters.prior(without=k)
        ahead = outlook(sketch, prior if prior.usable else None, rng)
        near_h = np.where(ahead.output_h <= ahead.reach_h, ahead.output_h, np.inf)
        crossings.append(near_h * QUARTER_S / _QUARTER_H)
    came = np.bincount((np.array(left_h) / _QUARTER_H).astype(int), minlength=QUARTERS)
    return [
        Counted(
            q.number,
            q.mean,
            q.low,
            q.high,
            int(came[q.number - 1]),
            float(number_of_events(each)[q.low : q.high + 1].sum()),
        )
        for q, each in zip(
            demand(crossings, 0.0), chances_by_quarter(crossings, 0.0).T, strict=True
        )
    ]


def main() -> int:
    """Print the table and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m analysis.study.fleet.needed")
    parser.add_argument("--fleets", type=int, default=25, help="of each kind (default: 25)")
    parser.add_argument("--boats", type=int, default=_BOATS, help=f"of a fleet (default: {_BOATS})")
    parser.add_argument("--seed", type=int, default=4400, help="another seed, other fleets")
    args = parser.parse_args()
    found = [
        one
        for kind in KINDS
        for number in range(args.fleets)
        for one in judge(kind, args.seed, number, args.boats)
    ]
    print("| quarter | fleets | units told | units that came | interval holds, % | should, % |")
    print("|" + " --- |" * 6)
    for quarter in (*range(1, QUARTERS + 1), None):
        print(row(quarter, [c for c in found if quarter in {None, c.quarter}]))
    return 0


def row(quarter: int | None, counted: list[Counted]) -> str:
    """Return a row of the table; without a quarter that of all."""
    held = sum(c.holds for c in counted)
    share = f"{100 * held / len(counted):.0f}"
    if quarter is not None:  # those of one fleet do not count as independent
        low, high = clopper_pearson(held, len(counted))
        share += f" ({100 * low:.0f} to {100 * high:.0f})"
    told, came = sum(c.mean for c in counted), sum(c.came for c in counted)
    name, fleets = ("all", "") if quarter is None else (str(quarter), str(len(counted)))
    should = 100 * float(np.mean([c.expected for c in counted]))
    return f"| {name} | {fleets} | {told:.0f} | {came} | {share} | {should:.0f} |"


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
