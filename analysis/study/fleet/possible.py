"""``python -m analysis.study.fleet.possible``: the best forecast that is possible in a fleet.

One who knows how a fleet is drawn knows more than any number of sisters could tell: the median
life of the type and its spread, the form of decline (where forms are mixed, how they are drawn),
and how wander, early transient and errors are drawn. Boats of such fleets are judged by
:func:`analysis.study.ahead.possible.knowing`. They live as run figures alone, without bank, heat
and log, and their sensors are right, so that the figures tell more than those of a log.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.fleet.prior import LOSS
from analysis.study.ahead.possible import Seen, knowing, smooth_course
from analysis.study.boats import SUSTAINED_H
from analysis.study.fleet.live import (
    AGES,
    FORMS,
    KINDS,
    LIFE_KH,
    LIFE_SPREAD,
    LONGEST_KH,
    NEW,
    SHORTEST_KH,
    Kind,
    sister,
)
from analysis.study.population import draw_charger
from analysis.study.scores import clopper_pearson, holds, middle_error
from logger.sources.boat.course import crossing_h, lay_out

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.study.scores import Said
    from logger.sources.boat.model import ChargerModel

    Floats = NDArray[np.float64]

#: Boats of a fleet that are judged, and chargers that are drawn and weighed for them.
_BOATS, _CHARGERS = 20, 12_000
#: Hours between the figures: runs of 12 h, three in ten of them limited by the battery.
_FIGURE_H = 17.0
#: Standard error of a figure within its run, fraction of rated: least and most.
_ERROR = (0.002, 0.006)


@dataclass(frozen=True, slots=True)
class Type:
    """How the chargers of one fleet are drawn."""

    kind: Kind
    form: str
    """Form of decline, where all have one."""
    median_kh: float

    def charger(self, rng: np.random.Generator) -> ChargerModel:
        """Draw a charger."""
        form = str(rng.choice(FORMS)) if self.kind.mixed else self.form
        life_kh = float(rng.lognormal(math.log(self.median_kh), self.kind.spread))
        return sister(rng, draw_charger(rng, "wear"), form, life_kh)

    def living(self, rng: np.random.Generator) -> tuple[ChargerModel, Floats, float]:
        """Draw a charger that the study keeps; return its course too, and the end of its life."""
        while True:
            charger = self.charger(rng)
            course = lay_out(charger, int(rng.integers(2**31)))
            end_h = crossing_h(course, 1.0 - LOSS, 0.0, SUSTAINED_H)
            if end_h is not None and 1e3 * SHORTEST_KH <= end_h <= 1e3 * LONGEST_KH:
                return charger, np.array(course), end_h


@dataclass(frozen=True, slots=True)
class Known:
    """What one who knows said of a boat: at :data:`AGES`, and at hours that do not tell its age."""

    young: tuple[Said, ...]
    anywhere: Said | None
    """None where its life had ended before."""


def figures(charger: ChargerModel, course: Floats, now_h: float, rng: np.random.Generator) -> Seen:
    """Return the run figures of a charger until now, with normal errors of known size."""
    count = max(int(now_h / _FIGURE_H), 4)
    hours = np.sort(rng.uniform(0.0, now_h, count))
    variance = charger.run_scatter**2 + rng.uniform(*_ERROR, count) ** 2
    value = np.interp(hours, np.arange(len(course)), course)
    value += np.sqrt(variance) * rng.standard_normal(count)
    return Seen(hours, value, np.diag(variance))


def judge(kind: Kind, seed: int, number: int, boats: int, chargers: int) -> list[Known]:
    """Draw a fleet, and judge its boats as one who knows how it is drawn."""
    of = [seed, number, int(100 * kind.spread), int(kind.mixed)]
    rng, weighed = np.random.default_rng(of), np.random.default_rng([*of, 1])
    # Each form in turn, so that few fleets of one form hold all of them alike.
    drawn = Type(
        kind, FORMS[number % len(FORMS)], float(rng.lognormal(math.log(LIFE_KH), LIFE_SPREAD))
    )
    # Output when new is left to the weighing: but for a thousandth of rated it shifts a course.
    courses = np.array(
        [
            smooth_course(replace(drawn.charger(weighed), new_fraction=NEW[0]))
            for _ in range(chargers)
        ]
    )
    found = []
    for _ in range(boats):
        charger, course, end_h = drawn.living(rng)
        at_h = [age * end_h for age in AGES]
        at_h.append(1e3 * drawn.median_kh * float(rng.uniform(0.1, 0.9)))
        said = []
        for now_h in at_h:
            if now_h < end_h:
                seen = figures(charger, course, now_h, rng)
                left = knowing(seen, courses, now_h, 1.0 - LOSS, 1e3 * LONGEST_KH, level_sd=NEW[1])
                said.append(replace(left, truth=end_h - now_h))
        young = tuple(said[: len(AGES)])
        found.append(Known(young, said[-1] if len(said) > len(AGES) else None))
    return found


def row(name: str, age: str, said: Sequence[Said]) -> str:
    """Return a row of the table."""
    held = sum(holds(said))
    low, high = clopper_pearson(held, len(said))
    share = f"{100 * held / len(said):.0f} ({100 * low:.0f} to {100 * high:.0f})"
    first, last = (100.0 * end for end in middle_between([abs(s.error) for s in said]))
    error = f"{middle_error(said):.1f} ({first:.1f} to {last:.1f})"
    return f"| {name} | {age} | {len(said)} | {error} | {share} |"


def middle_between(errors: Sequence[float]) -> tuple[float, float]:
    """Return the 95 % interval of a median, by the ranks that a fair coin gives.

    From memory of textbooks (the sign test turned round); of five or fewer it is all of them.
    """
    from scipy import stats  # it takes long to load

    ordered = sorted(errors)
    rank = max(int(stats.binom.ppf(0.025, len(ordered), 0.5)), 1)
    return ordered[rank - 1], ordered[-rank]


def main() -> int:
    """Print the table and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m analysis.study.fleet.possible")
    parser.add_argument("--fleets", type=int, default=8, help="of each kind (default: 8)")
    parser.add_argument("--seed", type=int, default=4300, help="another seed, other fleets")
    args = parser.parse_args()
    print("| fleet | age | boats | median error, % | interval holds, % |")
    print("|" + " --- |" * 5)
    for kind in KINDS:
        known = [
            one
            for number in range(args.fleets)
            for one in judge(kind, args.seed, number, _BOATS, _CHARGERS)
        ]
        for place, age in enumerate(AGES):
            print(row(kind.name, f"{100 * age:.0f} %", [k.young[place] for k in known]))
        anywhere = [k.anywhere for k in known if k.anywhere is not None]
        print(row(kind.name, "any", anywhere), flush=True)
    return 0


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
