"""What ``ebbwatt size`` prints: one screen, plain letters."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from analysis.text import harmless

if TYPE_CHECKING:
    from analysis.sizing import Judged, Sizing


def lines(found: Sizing, basis: list[str], width: int, *, guessed: bool) -> list[str]:
    """Return the screen, each line at most ``width`` characters (at least 56).

    ``basis`` says what the load rests on; ``guessed`` that the units are the invented examples.
    """
    width = max(56, min(width, 100))
    out = ["Which charger carries this boat"]
    for text in basis:
        out += textwrap.wrap(text, width)
    wide = width >= 76
    head = "  unit               rated  carried new/old  h/year  years"
    out += ["", head + ("  L/year  cost/year" if wide else "")]
    out += [_row(j, found.recommended, wide=wide) for j in found.judged]
    if found.recommended is None:
        out.append("Recommended: none of these")
    else:
        out.append(f"Recommended: {harmless(found.recommended, 40)}")
    for reason in found.reasons:
        out += textwrap.wrap(f"- {reason}", width, subsequent_indent="  ")
    grown = "; ".join(
        f"{100 * (growth - 1):.0f} % more load: {harmless(label or 'none of these', 30)}"
        for growth, label in found.grown[1:]
    )
    out += textwrap.wrap(f"- {grown}", width, subsequent_indent="  ")
    out += textwrap.wrap(
        f"Bank that goes with it: {found.bank_ah:.0f} Ah (two days of the mean load).", width
    )
    notes = "* fitted now. "
    if guessed:
        notes += "The others are invented examples; name yours with --candidates FILE. "
    notes += (
        "Sizes are for planning: wiring, fuses, ventilation and exhaust follow the maker's "
        "instructions and local codes."
    )
    return out + textwrap.wrap(notes, width)


def _row(one: Judged, recommended: str | None, *, wide: bool) -> str:
    unit = one.unit
    mark = ">" if unit.label == recommended else "*" if unit.fitted else " "
    name = harmless(unit.label, 18)
    years = f"{one.years:5.1f}" if one.years < 99.0 else "  99+"
    carried = f"{100 * one.carried_new:5.0f} % /{100 * one.carried_end:4.0f} %"
    text = (
        f"{mark} {name:<18} {unit.rated_w:4.0f} W  {carried:>14}  {one.hours_per_year:6.0f}  "
        f"{years}"
    )
    if wide:
        cost = "-" if one.cost_per_year is None else f"{one.cost_per_year:.0f}"
        text += f"  {one.litres_per_year:6.0f}  {cost:>9}"
    return text


def number(value: float | None) -> float | None:
    """Return a figure for JSON: None where it is unknown or without end."""
    return None if value is None or not math.isfinite(value) else round(value, 4)
