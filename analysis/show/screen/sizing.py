"""What ``ebbwatt size`` prints: one screen of plain letters, or the figures for programs."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

from analysis.figures import rounded
from analysis.inputs.meters import AT_WHICH
from analysis.show.wrapping import filled, wrap_plain
from analysis.sizing.size import AUTONOMY_D, BANK_WORN, DEPTH
from analysis.text import SCREEN_LINES, harmless
from analysis.units import owner

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.sizing.candidates import Unit
    from analysis.sizing.result import LargerLoad, Sizing, UnitOnBoat

_LONGEST = 400
#: From this width on years and costs have columns of their own.
_WIDE = 80
#: More lines than any screen.
_ANY = 10_000
#: The table has so many units at least, whether the screen has room or not.
FEWEST_UNITS = 5


def lines(
    found: Sizing,
    basis: Sequence[str],
    width: int,
    *,
    guessed: bool,
    fitted_ah: float | None = None,
    cable: str = "",
) -> list[str]:
    """Return the screen, each line at most ``width`` characters (at least 40).

    Below :data:`_WIDE` columns each unit folds into lines, and nothing is left out.
    ``basis`` says what the load rests on; ``guessed`` that the units are the invented examples;
    ``fitted_ah`` is the bank that there is; ``cable`` what is said of the cable.
    """
    width = max(40, min(width, 100))
    folded = width < _WIDE
    out = ["Which charger carries this boat"]
    for text in basis:
        out += filled(text, width)
    out += [""] if folded else ["", _head(width)]
    rest = filled(_bank(found, fitted_ah), width)
    rest += filled(cable, width)
    notes = "> recommended, * fitted, as it is; years by design hours / decline. "
    if guessed:
        notes += "Units are invented examples: name yours with --candidates FILE. "
    notes += "Wiring, fuses, ventilation, exhaust: the maker's instructions and local codes decide."
    rest += filled(notes, width)
    head = [f"Recommended: {harmless(found.recommended or 'none of these', 40)}"]
    reasons = (*found.reasons, _growth(found.grown))
    if folded:
        out += [line for j in found.judged for line in _folded(j, found.recommended, width)]
        return out + head + _reasons(reasons, width, _ANY) + rest
    units = len(found.judged)
    table = units if units <= FEWEST_UNITS else FEWEST_UNITS + 1
    room = SCREEN_LINES - len(out) - table - len(head) - len(rest)
    rest = head + _reasons(reasons, width, room) + rest
    shown = _nearest(found, SCREEN_LINES - len(out) - len(rest))
    out += [_row(j, found.recommended, width) for j in shown]
    if len(shown) < len(found.judged):
        out.append(f"  and {len(found.judged) - len(shown)} more, which --json lists")
    return out + rest


def _reasons(reasons: Sequence[str], width: int, room: int) -> list[str]:
    """Return the reasons; where there is no room, without what the neighbours in size would do.

    Where there is still none, the report alone says how the fitted unit is measured.
    """
    kept = [harmless(reason, _LONGEST) for reason in reasons]

    def told() -> list[str]:
        return [line for reason in kept for line in filled(f"- {reason}", width, "  ")]

    for neighbour in ("the larger one", "the smaller one"):
        if len(told()) > room:
            kept = [reason for reason in kept if not reason.startswith(neighbour)]
    if len(told()) > room:
        kept = [reason.removesuffix(f"; {AT_WHICH}") for reason in kept]
    return told()


def _nearest(found: Sizing, room: int) -> list[UnitOnBoat]:
    """Return the units for which there is room, those nearest to the recommended one first."""
    units = found.judged
    if len(units) <= max(room, FEWEST_UNITS):
        return list(units)
    labels = [j.unit.label for j in units]
    middle = labels.index(found.recommended) if found.recommended in labels else len(units) - 1
    near = sorted(
        range(len(units)), key=lambda k: (k != middle, not units[k].unit.fitted, abs(k - middle))
    )
    return [units[k] for k in sorted(near[: max(room - 1, FEWEST_UNITS)])]


def _growth(grown: Sequence[LargerLoad]) -> str:
    parts: list[str] = []
    for more in grown[1:]:
        share = f"{100 * (more.load - 1):.0f} %"
        text = f"{share}: " if parts else f"{share} more load: "
        text += harmless(more.recommended or "none of these", 30)
        if more.fitted_carried_end is not None:
            old = "" if parts else "fitted, when old: "
            text += f" ({old}{100 * more.fitted_carried_end:.0f} %{'' if parts else ' of days'})"
        parts.append(text)
    return "; ".join(parts)


def _bank(found: Sizing, fitted_ah: float | None) -> str:
    depth = DEPTH[found.need.chemistry]
    text = (
        f"Bank: {found.bank_ah:.0f} Ah for {AUTONOMY_D:.0f} mean days, used to "
        f"{100 * depth:.0f} %, worn to {100 * BANK_WORN:.0f} %"
    )
    return text + ("." if fitted_ah is None else f"; fitted: {fitted_ah:g} Ah.")


def _head(width: int) -> str:
    head = f"  {'unit':<{_label_width(width)}} {'rated':>6}  carried new/old  h/year"
    return f"{head}    years d/decl {_per_year():>7}  cost/y"


def _mark(one: UnitOnBoat, recommended: str | None) -> str:
    return (">" if one.unit.label == recommended else " ") + ("*" if one.unit.fitted else " ")


def _folded(one: UnitOnBoat, recommended: str | None, width: int) -> list[str]:
    """Return a unit as lines that hold what its row in the wide table holds."""
    carried = f"carries {100 * one.carried_new:.0f} % of days new"
    text = (
        f"{_mark(one, recommended)}{_named(one)}: "
        f"{carried}, {100 * one.carried_end:.0f} % old; {_tens(one.hours_per_year)} h/year; years "
        f"{_years(one.years_design)} by design hours, {_years(one.years_decline)} by decline; "
        f"{_per_year()} {_fuel(one)}; cost/year {_tens(one.cost_per_year)}"
    )
    lines = wrap_plain(text, width - 4)
    return [lines[0], *(f"    {line}" for line in lines[1:])]


def _label_width(width: int) -> int:
    """Return how many letters of a label there is room for."""
    return 14 + min(max(width - _WIDE, 0), 16)


def _row(one: UnitOnBoat, recommended: str | None, width: int) -> str:
    unit, letters = one.unit, _label_width(width)
    label = set_cell_size(_label(unit, letters), letters)
    carried = f"{100 * one.carried_new:.0f} % /{100 * one.carried_end:4.0f} %"
    text = (
        f"{_mark(one, recommended)}{label} {unit.rated_w:4.0f} W  {carried:>15}  "
        f"{_tens(one.hours_per_year):>6}"
    )
    spent = f"{_years(one.years_design)} /{_years(one.years_decline):>5}"
    return f"{text}  {spent:>13}   {_fuel(one):>6}  {_tens(one.cost_per_year):>6}"


def _years(value: float | None) -> str:
    if value is None or value == math.inf:
        return "?"
    return f"{value:.1f}" if value < 99.0 else "99+"


def _per_year() -> str:
    return f"{owner().units.volume.removeprefix('US ')}/year"


def _fuel(one: UnitOnBoat) -> str:
    litres = one.litres_per_year
    return "-" if litres is None else f"{litres * owner().units.per_l:.0f}"


def _tens(value: float | None) -> str:
    """Return a figure to tens from a hundred on: the load is known to some percent."""
    return "-" if value is None else rounded(value, -1 if value >= 100.0 else 0)


def _named(one: UnitOnBoat) -> str:
    """Return a unit's name and rated output, once where the name is the output."""
    label, watts = harmless(one.unit.label, 30), f"{one.unit.rated_w:.0f} W"
    return label if label == watts else f"{label}, {watts}"


def _label(unit: Unit, letters: int) -> str:
    """Return a unit's name in so many letters; what is fitted needs no name."""
    label = harmless(unit.label)
    return "fitted unit" if unit.fitted and cell_len(label) > letters else harmless(label, letters)


def document(found: Sizing, basis: Sequence[str]) -> dict[str, object]:
    """Return the figures under their published keys; why some are None stands in ``withheld``."""
    withheld = {}
    if any(j.years_decline is None for j in found.judged):
        withheld["years_decline"] = "no decline is clear in the log"
    if any(j.litres_per_year is None for j in found.judged):
        withheld["litres_per_year"] = "no [fuel] section in the configuration"
    if any(j.cost_per_year is None for j in found.judged):
        withheld["cost_per_year"] = "the unit has no price in the list of candidates"
    return {
        "candidates": [
            {
                "label": j.unit.label,
                "rated_w": j.unit.rated_w,
                "fitted": j.unit.fitted,
                "days_carried_new": _number(j.carried_new),
                "days_carried_end": _number(j.carried_end),
                "hours_per_year": _number(j.hours_per_year),
                "years": _number(j.years),
                "years_design": _number(j.years_design),
                "years_decline": _number(j.years_decline),
                "litres_per_year": _number(j.litres_per_year),
                "cost_per_year": _number(j.cost_per_year),
                "price_per_year": _number(j.price_per_year),
                "fuel_per_year": _number(j.fuel_per_year),
            }
            for j in found.judged
        ],
        "recommended": found.recommended,
        "needed_w": _number(found.need.limit_w),
        "reasons": list(found.reasons),
        "grown": [
            {
                "load": more.load,
                "recommended": more.recommended,
                "fitted_carried_end": _number(more.fitted_carried_end),
            }
            for more in found.grown
        ],
        "bank_ah": _number(found.bank_ah),
        "autonomy_days": AUTONOMY_D,
        "depth_of_discharge": DEPTH[found.need.chemistry],
        "basis": list(basis),
        "withheld": withheld,
    }


#: Keys of a candidate that rest on the load.
_ON_LOAD = ("days_carried_new", "days_carried_end", "hours_per_year", "years", "litres_per_year")


def nothing_known(units: Sequence[Unit], why: str) -> dict[str, object]:
    """Return the same keys where the load is not known, with the reason."""
    return {
        "candidates": [
            {"label": u.label, "rated_w": u.rated_w, "fitted": u.fitted}
            | dict.fromkeys(_ON_LOAD, None)
            for u in units
        ],
        "recommended": None,
        "reasons": [why],
    }


def _number(value: float | None) -> float | None:
    """Return a figure for JSON: None where it is unknown or without end."""
    return None if value is None or not math.isfinite(value) else round(value, 4)
