"""What ``ebbwatt load`` prints: one screen, plain letters, as wide as the terminal allows."""

from __future__ import annotations

from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day, figure_with_ends, rounded
from analysis.load.result import FEWEST_FOR_P95
from analysis.show.wrapping import filled
from analysis.text import SCREEN_LINES, counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.load.result import LoadResult, Month

LEFT_OUT = {
    "other_source": "shore power, engine or another source charged",
    "gap": "the log has gaps",
    "between_marks": "charge at both ends of the day not known",
    "no_battery_current": "battery current not logged",
}
METHOD = {
    "balance": "balance of charge between starts and full batteries",
    "battery_current": "charger's current minus battery current",
}
#: The latest months; fewer where the screen has no room for them.
MONTHS_SHOWN, FEWEST_MONTHS = 12, 6


def lines(found: LoadResult, width: int) -> list[str]:
    """Return the screen, each line at most ``width`` characters (at least 40)."""
    width = max(40, min(width, 100))
    out = [heading(found)]
    left = [f"{counted(n, 'day')} ({LEFT_OUT[key]})" for key, n in found.days_left_out.items() if n]
    if found.withheld is not None:
        out += ["", *filled(f"Not known: {found.withheld}.", width)]
        for doubt in found.doubts:
            out += filled(doubt, width)
        return out + _left_out(left, width)
    wh = found.voltage_v or 0.0
    out += filled(
        f"  mean             {figure_with_ends(found.ah, 'Ah')}, "
        f"{figure_with_ends(found.ah, 'Wh', wh)}",
        width,
        " " * 19,
    )
    for name, value in (
        ("median day", found.ah_median),
        ("9 days in 10", found.ah_p90),
        ("19 days in 20", found.ah_p95),
    ):
        too_few = f"it takes {FEWEST_FOR_P95} days"
        why = "too few days without another source" if found.few_alone else too_few
        text = f"not known: {why}"
        if value is not None:
            text = f"{value:.0f} Ah, {rounded(value * wh, -1)} Wh"
        upto = "" if name == "median day" or value is None else "up to "
        out.append(f"  {name:<16} {upto}{text}")
    for name, n, ah in found.levels:
        out.append(f"  {name + ' (by level)':<22} {ah:.0f} Ah on {n} days")
    first, last = (day(float(found.daily_s[k]), UTC) for k in (0, -1))
    basis = filled(
        f"Rests on {found.days_used} days, {first} to {last}; {METHOD[found.method]}"
        f"{_kept(found)}. In brackets: 90 % interval.",
        width,
    )
    for doubt in found.doubts:
        basis += filled(doubt, width)
    basis += _left_out(left, width)
    room = SCREEN_LINES - len(out) - len(basis) - 2
    months = found.months[-min(MONTHS_SHOWN, max(room, FEWEST_MONTHS)) :]
    return [*out, "", *_months(months, len(found.months), width), *basis]


def heading(found: LoadResult) -> str:
    """Return the quantity of which the figures are."""
    if found.shared:
        return "What the boat draws from the charger a day; she uses more, see below"
    return "What the boat draws a day"


def _kept(found: LoadResult) -> str:
    """Say what share of the charge the balance took as kept; a measured load needs none."""
    if found.method != "balance":
        return ""
    return f"; below the charge ceiling the bank keeps {100 * found.efficiency:.0f} % of the charge"


def _left_out(left: list[str], width: int) -> list[str]:
    if not left:
        return []
    return filled("Left out: " + ", ".join(left) + ".", width, "  ")


def _months(shown: Sequence[Month], there: int, width: int) -> list[str]:
    """Return one bar a month."""
    most = max(m.ah for m in shown)
    room = width - 40
    all_of = "" if len(shown) == there else f"  latest {len(shown)} of {there} months"
    out = [f"  month     Ah/day  Wh/day  days{all_of}"]
    for m in shown:
        bar = "#" * max(1, int(np.round(room * m.ah / most))) if most > 0.0 and room > 4 else ""
        out.append(f"  {m.month}   {m.ah:6.0f}  {m.wh:6.0f}  {m.days:4d}  {bar}".rstrip())
    return out
