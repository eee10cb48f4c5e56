"""Lets a fleet of sisters live, each through a whole log, and keeps their sketches and the truth.

A fleet is of one type: its lives are lognormal about a median of its own. Each boat has habits,
bank and sensors of its own, drawn as for the study of single boats. Its log is cut at 10, 25 and
50 % of the charger's life, where it is judged as a young boat, and at an age of its own, at which
it stands among the sisters of the others.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.assessment.case import Case
from analysis.fleet.prior import LOSS
from analysis.fleet.sketch import Sketch, sketch_of
from analysis.study.boats import SUSTAINED_H, simulate
from analysis.study.population import draw
from logger.config import LogConfig
from logger.sources.boat.course import crossing_h, lay_out

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.history.history import History
    from analysis.study.boats import Boat
    from logger.sources.boat.model import ChargerModel

#: Ages at which a boat is judged, parts of its charger's life.
AGES = (0.10, 0.25, 0.50)
#: Sisters that speak, and one that is judged.
BOATS = 31
FORMS = ("linear", "exponential", "accelerating", "power")
#: Median life of a type, thousand hours, and its spread (log): short enough for whole logs of
#: dozens of boats to be affordable. Lives beyond these ends are drawn again for the same reason.
LIFE_KH, LIFE_SPREAD = 3.2, 0.3
SHORTEST_KH, LONGEST_KH = 0.3, 10.0
#: Output when new, fraction of rated: mean and standard deviation.
NEW = (1.01, 0.025)
#: The odd one lives half as long as its type, and is met at this part of its life.
_ODD_LIFE, _ODD_AGE = 0.5, 0.6
#: Readings so far apart keep a life affordable; the condenser and the analysis take them as any.
_SPACING_S = 120.0


@dataclass(frozen=True, slots=True)
class Kind:
    """A row of the study: whether all sisters wear in one form, and how far their lives spread."""

    mixed: bool
    spread: float

    @property
    def name(self) -> str:
        """Return how the row is called."""
        return f"{'mixed forms' if self.mixed else 'one form'}, spread {self.spread:g}"

    def kept(self, seed: int, number: int, cache: Path) -> Path:
        """Return where a fleet of this kind is kept."""
        forms = "mixed" if self.mixed else "one"
        return cache / f"fleet-{forms}-{self.spread:g}-{seed}-{number}.json"


KINDS = tuple(Kind(mixed, spread) for mixed in (False, True) for spread in (0.25, 0.5))


@dataclass(frozen=True, slots=True)
class Member:
    """One boat: its sketches at :data:`AGES` (None where its log told nothing), and at its own."""

    end_h: float
    """Running hours at which its output falls below the replacement limit for good."""
    own_h: float
    own: Sketch | None
    young: tuple[Sketch | None, ...]
    odd: bool = False


def fleet(kind: Kind, seed: int, number: int, cache: Path) -> list[Member]:
    """Return the boats of a fleet, the odd one last; a fleet that has lived is read again."""
    kept = kind.kept(seed, number, cache)
    if kept.is_file():
        return [_read(one) for one in json.loads(kept.read_text(encoding="utf-8"))]
    rng = np.random.default_rng([seed, number, int(100 * kind.spread), int(kind.mixed)])
    form, median_kh = str(rng.choice(FORMS)), float(rng.lognormal(math.log(LIFE_KH), LIFE_SPREAD))
    members = []
    for k in range(BOATS + 1):
        odd = k == BOATS
        while True:
            life_kh = float(rng.lognormal(math.log(median_kh), kind.spread))
            boat = _boat(
                rng,
                seed + number,
                str(rng.choice(FORMS)) if kind.mixed else form,
                _ODD_LIFE * median_kh if odd else life_kh,
            )
            end_h = crossing_h(
                lay_out(boat.model.charger, boat.model.seed), 1.0 - LOSS, 0.0, SUSTAINED_H
            )
            if end_h is not None and 1e3 * SHORTEST_KH <= end_h <= 1e3 * LONGEST_KH:
                break
        age = _ODD_AGE if odd else float(rng.uniform(0.08, 1.05))
        members.append(_member(boat, end_h, age * end_h, odd=odd))
    cache.mkdir(parents=True, exist_ok=True)
    part = kept.with_suffix(".part")
    part.write_text(json.dumps([_document(one) for one in members]), encoding="utf-8")
    part.replace(kept)
    return members


def sister(
    rng: np.random.Generator, drawn: ChargerModel, form: str, life_kh: float
) -> ChargerModel:
    """Return a charger that would lose :data:`LOSS` in so many thousand hours; else as drawn."""
    bend = rng.uniform(0.3, 0.9) if form == "accelerating" else rng.uniform(0.7, 1.5)
    return replace(
        drawn,
        rated_w=110.0,
        new_fraction=float(rng.normal(*NEW)),
        form=form,
        curvature=float(bend),
        reference_h=1e3 * life_kh,
        loss_per_1000h=LOSS / life_kh,
        hours_before=0.0,
        horizon_h=2e3 * life_kh + 2e3,
        steps=(),
        renewals=(),
    )


def _boat(rng: np.random.Generator, seed: int, form: str, life_kh: float) -> Boat:
    """Draw a boat whose charger would lose :data:`LOSS` in so many thousand hours."""
    drawn = draw(10 * int(rng.integers(2**20)), seed)  # every tenth is drawn for its wear alone
    charger = sister(rng, drawn.model.charger, form, life_kh)
    sensors = replace(
        drawn.model.sensors,
        spacing_s=_SPACING_S,
        rest_spacing_s=5.0 * _SPACING_S,
        counter=True,
        counter_resets_h=(),
    )
    # What a boat draws follows the size of its charger.
    part = 110.0 / drawn.model.charger.rated_w
    habits, battery = drawn.model.habits, drawn.model.battery
    scaled = {
        name: part * getattr(habits, name)
        for name in ("under_way_a", "at_rest_a", "away_a", "cycling_a")
    }
    return replace(
        drawn,
        model=replace(
            drawn.model,
            charger=replace(
                charger, tail_a=part * charger.tail_a, loop_ohm=charger.loop_ohm / part
            ),
            sensors=sensors,
            habits=replace(habits, **scaled),
            battery=replace(battery, capacity_ah=part * battery.capacity_ah),
        ),
        log=LogConfig(
            interval_s=_SPACING_S,
            gap_s=10.0 * _SPACING_S + 1.0,
            longest_running_s=drawn.log.longest_running_s,
            longest_rest_s=drawn.log.longest_rest_s,
        ),
        design_life_h=7500.0,
        plan_below=1.15 - LOSS,
        replace_below=1.0 - LOSS,
        unknown_clock=0.0,
    )


def _member(boat: Boat, end_h: float, own_h: float, *, odd: bool) -> Member:
    ages = () if odd else tuple(age * end_h for age in AGES)
    history, _ = simulate(replace(boat, until_h=max((own_h, *ages))))
    return Member(
        end_h,
        own_h,
        _sketch(boat, history, own_h),
        tuple(_sketch(boat, history, hours) for hours in ages),
        odd=odd,
    )


def _sketch(boat: Boat, history: History, hours: float) -> Sketch | None:
    """Return the sketch that a boat hands in at so many running hours."""
    counted = np.maximum.accumulate(np.nan_to_num(history.runtime_h))
    past = np.flatnonzero(counted >= hours)
    case = Case(history.select(slice(0, int(past[0]) + 1 if len(past) else None)), boat.config())
    found = sketch_of(case)
    return None if found is None or case.assessment.output.median is None else found


def _document(member: Member) -> dict[str, Any]:
    return {
        "end_h": member.end_h,
        "own_h": member.own_h,
        "odd": member.odd,
        "own": None if member.own is None else member.own.document(),
        "young": [None if s is None else s.document() for s in member.young],
    }


def _read(kept: dict[str, Any]) -> Member:
    return Member(
        kept["end_h"],
        kept["own_h"],
        None if kept["own"] is None else Sketch.read(kept["own"]),
        tuple(None if s is None else Sketch.read(s) for s in kept["young"]),
        odd=kept["odd"],
    )
