"""Sets what sisters say of each boat beside the truth, and beside what its own log says alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.fleet.outlook import outlook, reach_of
from analysis.fleet.prior import Sisters, outlier_tail
from analysis.fleet.ranking import OUTLIER_CUT
from analysis.study.fleet.live import AGES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.fleet.prior import Prior
    from analysis.fleet.sketch import Sketch
    from analysis.study.fleet.live import Member

#: Numbers of sisters that speak.
SISTERS = (6, 16, 30)
#: Paths are drawn so far ahead, running hours: further than any life of the study.
HORIZON_H = 20_000.0
#: Hours by which a crossing may be told apart in the log.
_SLACK_H = 2.0


@dataclass(frozen=True, slots=True)
class Forecast:
    """Remaining hours of one boat as they were said, and as they are."""

    low: float
    median: float
    high: float
    truth: float
    named: bool
    """Whether a median would be told: it lies no further ahead than may be named."""

    @property
    def holds(self) -> bool:
        """Whether the 90 % interval holds the truth."""
        return self.low - _SLACK_H <= self.truth <= self.high + _SLACK_H

    @property
    def error(self) -> float:
        """Relative error of the median, without its sign."""
        return abs(self.median - self.truth) / self.truth


@dataclass(frozen=True, slots=True)
class Judged:
    """One young boat: alone, and with so many sisters (None where they may not speak)."""

    age: float
    alone: Forecast
    with_sisters: tuple[Forecast | None, ...]


@dataclass(frozen=True, slots=True)
class Tails:
    """Chances that a sister lives shorter: of the odd one, and of each of the others."""

    odd: float | None
    others: tuple[float, ...]


def judge_fleet(members: Sequence[Member]) -> tuple[list[Judged], Tails]:
    """Judge each boat of a fleet; it is never among its own sisters, nor is the odd one."""
    usual = float(np.median([m.own.usual for m in members if m.own is not None]))
    whole = [m for m in members if not m.odd]
    judged = []
    for k, member in enumerate(whole):
        others = [m.own for j, m in enumerate(whole) if j != k and m.own is not None]
        priors = [Sisters(others[:n], usual).prior() for n in SISTERS]
        for place, young in enumerate(member.young):
            left_h = member.end_h * (1.0 - AGES[place])
            if young is None:
                continue
            said = [
                _forecast(young, prior, left_h, 100 * k + place) if prior.usable else None
                for prior in priors
            ]
            alone = _forecast(young, None, left_h, 100 * k + place)
            judged.append(Judged(AGES[place], alone, tuple(said)))
    return judged, _tails(members, usual)


def _forecast(sketch: Sketch, prior: Prior | None, left_h: float, seed: int) -> Forecast:
    ahead = outlook(sketch, prior, np.random.default_rng(seed), HORIZON_H)
    ordered = np.minimum(np.sort(ahead.output_h), HORIZON_H)
    low, median, high = (float(ordered[int(p * len(ordered))]) for p in (0.05, 0.5, 0.95))
    return Forecast(low, median, high, left_h, median <= reach_of(sketch, prior))


def _tails(members: Sequence[Member], usual: float) -> Tails:
    known = [m for m in members if m.own is not None]
    sisters = Sisters([m.own for m in known if m.own is not None], usual)
    odd, others = None, []
    for k, member in enumerate(known):
        prior = sisters.prior(without=k)
        tail = outlier_tail(sisters.own(k, prior), prior) if prior.usable else 1.0
        if member.odd:
            odd = tail
        else:
            others.append(tail)
    return Tails(odd, tuple(others))


def found(tails: Sequence[Tails]) -> tuple[int, int, int, int]:
    """Return odd ones that were found and that there are, false ones and those that are sound."""
    odd = [t.odd for t in tails if t.odd is not None]
    others = [one for t in tails for one in t.others]
    return (
        sum(t < OUTLIER_CUT for t in odd),
        len(odd),
        sum(t < OUTLIER_CUT for t in others),
        len(others),
    )
