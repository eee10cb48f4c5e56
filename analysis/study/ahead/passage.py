"""Sets fuel for a passage, and fuel a year, as they were said, beside what was then used.

The boat is sent under way for three weeks from the end of her log, without engine or shore power,
with the charger as worn as it then is: an independent life of the same simulated boat.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.fuel.outlook import fuel_of
from analysis.fuel.passage import Trip, charger_now, need
from analysis.study.boats import simulate
from analysis.study.scores import Said
from logger.sources.boat.run import Voyage

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.study.boats import Boat, Truth

    Floats = NDArray[np.float64]

#: Days of the passage, and of a year of use.
DAYS = 21
YEAR_D = 365


@dataclass(frozen=True, slots=True)
class PassageOutcome:
    """The estimated and the true fuel of one boat's passage and year, L."""

    name: str
    passage: Said | None
    few: bool
    """Whether it was stated to come from few days."""
    year: Said | None
    """Litres of the last 365 days at the use per kWh of their end; where the log is as long."""


def judge_passage(boat: Boat, cache: Path | None) -> PassageOutcome:
    """Simulate a boat, estimate the fuel of a passage, and simulate the passage."""
    history, truth = simulate(boat, cache)
    if boat.config().fuel is None or len(history) == 0 or boat.unknown_clock > 0.0:
        return PassageOutcome(boat.name, None, False, None)
    case = Case(history, boat.config())
    found = fuel_of(case)
    bank_ah = case.config.battery.capacity_ah or 0.0
    charger = charger_now(case.runs, case.load.efficiency, bank_ah)
    passage, few = None, False
    if charger is not None and case.kinds is not None:
        volts = case.load.voltage_v or charger.volts
        said = need(Trip(DAYS), case.kinds, charger, found.draws, volts)
        if said is not None:
            few = said.few
            low, middle, high = said.litres.low, said.litres.median, said.litres.high
            passage = Said(low or 0.0, middle or 0.0, high or 0.0, used_on_passage(boat, truth))
    return PassageOutcome(boat.name, passage, few, _year(case, found.litres_per_year.median, truth,
                                                         found.draws))  # fmt: skip


def _year(case: Case, said_l: float | None, truth: Truth, draws: Floats) -> Said | None:
    year = case.use.year
    if year is None or not year.whole or said_l is None:
        return None
    start_s = truth.days["start_s"]
    inside = (start_s >= year.begin_s) & (start_s < year.end_s)
    # At the ends of the year parts of days are inside; they level out.
    used_l = float(truth.days["charger_wh"][inside].sum()) / 1000.0 * truth.l_per_kwh
    low, high = np.percentile(draws, [5.0, 95.0]) / np.median(draws)
    a_year = year.kwh_per_year()
    spread = (a_year.high or 0.0) / max(a_year.median or 0.0, 1e-9)
    return Said(said_l * float(low) / spread, said_l, said_l * float(high) * spread, used_l)


def used_on_passage(boat: Boat, truth: Truth, seed: int = 0) -> float:
    """Return the fuel of three weeks under way from the end of the log, L."""
    model = boat.model
    last_s = float(truth.days["start_s"][-1])
    habits = replace(
        model.habits,
        under_way_share=1.0,
        away_share=0.0,
        shore_share=0.0,
        engine_share=0.0,
        season=(1, 366),
        # Who sets out for three weeks has the fuel aboard, and changes a container at once.
        refuel_h=0.05,
        early_change=0.0,
    )
    charger = replace(model.charger, hours_before=truth.at_h)
    begin = datetime.fromtimestamp(last_s, UTC)
    sent = replace(
        model,
        seed=model.seed + seed,
        start=begin,
        habits=habits,
        charger=charger,
        battery=replace(model.battery, first_charge=0.8),
    )
    voyage = Voyage(sent)
    if seed:  # other weather and days; the charger's course stays hers
        voyage.course = list(truth.course)
    for _ in voyage.readings(days=DAYS):
        pass
    return voyage.fuel_used_l
