"""Sentences that say why a size is recommended, and how a smaller or a larger one compares."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.assessment.document import Verdict
from analysis.figures import rounded
from analysis.inputs.meters import AT_WHICH, MEASURE_REASON
from analysis.units import owner

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.sizing.result import Fitted, UnitOnBoat

#: What asks for a replacement, where it is not the output alone.
_CAUSES = {
    "design_hours": ", its design hours nearly used",
    "load": ", too little for this boat soon",
}


def reasons(
    limit_w: float,
    judged: Sequence[UnitOnBoat],
    chosen: str | None,
    end: float,
    today: Fitted | None = None,
) -> list[str]:
    """Return the reasons.

    Parameters
    ----------
    limit_w
        Least output that keeps the bank above its usable share on 19 days in 20, W.
    judged
        The units, smallest first.
    chosen
        Label of the recommended one, if there is one.
    end
        Output at which a unit is replaced, fraction of rated (the replacement limit).
    today
        The fitted unit as it is.
    """
    first = (
        f"{_two_digits(limit_w)} W and the battery carry 19 days in 20: "
        f"{_two_digits(limit_w / end)} W when new, if replaced at {100 * end:.0f} %"
    )
    told = [first]
    if today is not None and today.due:
        output = f"{100 * today.output:.0f} %"
        advice = "replace it" if today.verdict is Verdict.REPLACE else "plan its replacement"
        meters = f" {MEASURE_REASON}; {AT_WHICH}" if today.to_measure else ""
        told.append(
            f"fitted unit at {output}{_CAUSES.get(today.until or '', '')}: {advice}{meters}"
        )
    one = next((j for j in judged if j.unit.label == chosen), None)
    if one is None:
        told.append("none of these units gives that when old: a larger one is needed")
        return [*told, f"the largest of these, {_in_use(judged[-1])}"] if judged else told
    told.append(
        f"{one.unit.label}, the smallest to give that, runs {one.hours_a_day:.0f} h on the mean day"
    )
    told += _cost(one)
    others = [j for j in judged if today is None or not j.unit.fitted]
    smaller = [j for j in others if j.unit.rated_w < one.unit.rated_w]
    larger = [j for j in others if j.unit.rated_w > one.unit.rated_w]
    if smaller:
        told.append(
            f"the smaller one, {_in_use(smaller[-1])}, flat out on the others, and last "
            f"{smaller[-1].years:.1f} years against {one.years:.1f}"
        )
    if larger:
        next_up = larger[0]
        told.append(
            f"the larger one, {next_up.unit.label}, would run {next_up.hours_a_day:.0f} h on the "
            f"mean day and last {next_up.years:.1f} years"
        )
    return told


def _cost(one: UnitOnBoat) -> list[str]:
    """Return the arithmetic of its cost as a sentence."""
    if one.price_per_year is None or one.unit.price is None:
        return []
    text = (
        f"cost a year: {one.unit.price:.0f} over {one.years:.1f} years is about "
        f"{rounded(one.price_per_year, -1)}"
    )
    if one.fuel_per_year is not None and one.litres_per_year:
        units = owner().units
        amount = one.litres_per_year * units.per_l
        fuel, each = f"{amount:.0f} {units.volume}", one.fuel_per_year / amount
        text += (
            f", {fuel} at {each:.2f} are {rounded(one.fuel_per_year, -1)}: "
            f"{rounded(one.cost_per_year or 0.0, -1)}"
        )
    return [text + ("" if one.fuel_per_year is not None else " without fuel")]


def _in_use(one: UnitOnBoat) -> str:
    return (
        f"{one.unit.label}, would run {one.hours_a_day:.0f} h on the mean day and carry "
        f"{100 * one.carried_end:.0f} % of days when old"
    )


def _two_digits(value: float) -> str:
    """Return a figure with two digits: it comes from the few hardest days of a log."""
    if value <= 0.0:
        return "0"
    two = float(f"{value:.1e}")  # 9.96 is 10, not 10.0
    return rounded(two, 1 - math.floor(math.log10(two)))
