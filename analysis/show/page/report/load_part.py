"""The part of the report about the load: what the boat draws a day, by month, and a plot of it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from analysis.figures import figure_with_ends
from analysis.show.page.pieces import NOTHING, tag
from analysis.show.page.plots.axes import NARROW, WIDE, Size, bottom_axis, date_marks, left_axis
from analysis.show.page.plots.svg import Drawing
from analysis.show.screen.load import LEFT_OUT
from analysis.text import counted

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.load.result import LoadResult, Month

#: Months of this many days and more are drawn; one day alone is no month.
FEWEST_DAYS = 3
HEIGHT = 150.0


def plot(found: LoadResult, size: Size) -> Markup:
    """Return bars of the mean Ah a day by month, with the 95th percentile day as a line."""
    shown = [m for m in found.months if m.days >= FEWEST_DAYS]
    size = Size(size.kind, size.width, HEIGHT, size.font, size.ticks)
    drawing = Drawing(size.width, size.height, f"load-{size.kind}")
    edges = [_edges(m) for m in shown]
    x = size.across(edges[0][0], edges[-1][1])
    rare = found.ah_p95 or 0.0
    most = max(rare, *(m.ah for m in shown)) or 1.0
    y = size.up(0.0, 1.08 * most)
    line = "; line: 19 days in 20 need no more" if rare else ""
    left_axis(drawing, x, y, size, f"mean Ah a day by month{line}")
    for month, (begin, end) in zip(shown, edges, strict=True):
        left, right = x.at(begin), x.at(end)
        gap = min(2.0, 0.1 * (right - left))
        top = y.at(month.ah)
        drawing.box(left + gap, top, right - left - 2 * gap, y.start - top, "bar")
    if rare:
        drawing.line(x.start, y.at(rare), x.end, y.at(rare), "limit")
    bottom_axis(drawing, x, y, size, date_marks(x, size), "date")
    return drawing.render(
        f"What the boat draws{_whence(found)} a day, by month", _described(found, shown), size.kind
    )


def _edges(month: Month) -> tuple[float, float]:
    """Return the Unix times at which a month begins and ends."""
    year, number = (int(part) for part in month.month.split("-"))
    begin = datetime(year, number, 1, tzinfo=UTC)
    end = datetime(year + number // 12, number % 12 + 1, 1, tzinfo=UTC)
    return begin.timestamp(), end.timestamp()


def _described(found: LoadResult, shown: list[Month]) -> str:
    """Return the text alternative: what a person would read off the plot."""
    least, most = min(shown, key=lambda m: m.ah), max(shown, key=lambda m: m.ah)
    said = (
        f"{len(shown)} months from {shown[0].month} to {shown[-1].month}. The least was "
        f"{least.ah:.0f} Ah a day in {least.month}, the most {most.ah:.0f} Ah a day in "
        f"{most.month}."
    )
    if found.ah_p95 is not None:
        said += f" 19 days in 20 need no more than {found.ah_p95:.0f} Ah."
    return said


def words(found: LoadResult) -> str:
    """Return the load in one paragraph."""
    if found.withheld is not None:
        said = f"What the boat draws a day is not known: {found.withheld}."
        return said + "".join(f" {doubt}" for doubt in found.doubts)
    alone = "" if found.shared else " and on which nothing else charged"
    said = (
        f"The boat draws {figure_with_ends(found.ah, 'Ah')} a day{_whence(found)} on the "
        f"{found.days_used} days that the log shows{alone}."
    )
    if found.ah_p95 is not None:
        said += f" 19 days in 20 need up to {found.ah_p95:.0f} Ah."
    for name, days, ah in found.levels:
        said += f" On {days} days that look {name} it is {ah:.0f} Ah."
    said += "".join(f" {doubt}" for doubt in found.doubts)
    left = ", ".join(
        f"{counted(n, 'day')} ({LEFT_OUT[key]})" for key, n in found.days_left_out.items() if n
    )
    return f"{said} Left out: {left}." if left else said


def _whence(found: LoadResult) -> str:
    return " from the charger" if found.shared else ""


def figures(found: LoadResult) -> Markup:
    """Return the plot for desk, paper and phone; nothing where there is too little to draw."""
    if found.withheld is not None or not any(m.days >= FEWEST_DAYS for m in found.months):
        return NOTHING
    return tag("figure", *(plot(found, size) for size in (WIDE, NARROW)))
