"""Why a size is recommended, and what a smaller or a larger one would mean, in sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.figures import rounded

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.sizing.result import UnitOnBoat


def reasons(
    hard_wh: float, judged: Sequence[UnitOnBoat], chosen: str | None, end: float
) -> list[str]:
    """Return the reasons.

    Parameters
    ----------
    hard_wh
        Energy of the 95th percentile day at the charger, Wh.
    judged
        The units, smallest first.
    chosen
        Label of the recommended one, if there is one.
    end
        Output at which a unit is replaced, fraction of rated.
    """
    first = (
        f"19 days in 20 need up to {_two_digits(hard_wh)} Wh: {_two_digits(hard_wh / 24.0)} W for "
        f"24 h, {_two_digits(hard_wh / 24.0 / end)} W new if kept until {100 * end:.0f} %"
    )
    told = [first]
    one = next((j for j in judged if j.unit.label == chosen), None)
    if one is None:
        told.append("none of these carries that at the end of its life: a larger one is needed")
        return [*told, f"the largest of these, {_in_use(judged[-1])}"] if judged else told
    told.append(
        f"{one.unit.label}, the smallest to give that, runs {one.hours_a_day:.0f} h on the mean day"
    )
    smaller = [j for j in judged if j.unit.rated_w < one.unit.rated_w]
    larger = [j for j in judged if j.unit.rated_w > one.unit.rated_w]
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


def _in_use(one: UnitOnBoat) -> str:
    return (
        f"{one.unit.label}, would run {one.hours_a_day:.0f} h on the mean day and carry "
        f"{100 * one.carried_end:.0f} % of days when old"
    )


def _two_digits(value: float) -> str:
    """Write a figure that rests on the hardest days of a log, which are few: two digits of it."""
    return rounded(value, 1 - math.floor(math.log10(value))) if value > 0.0 else "0"
