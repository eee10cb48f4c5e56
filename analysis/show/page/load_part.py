"""The part of the report about the load: what the boat draws a day, by month, and a plot of it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from analysis.figures import figure_with_ends
from analysis.show.page.output_plot import NARROW, WIDE, Size
from analysis.show.page.svg import DIGIT, Drawing, Scale, date_ticks, ticks
from analysis.show.screen.load import LEFT_OUT

if TYPE_CHECKING:
    from analysis.load.daily import LoadResult, Month

#: Months of this many days and more are drawn; one day alone is no month.
FEWEST_DAYS = 3
HEIGHT = 150.0


def plot(found: LoadResult, size: Size) -> str:
    """Return bars of the mean Ah a day by month, with the 95th percentile day as a line."""
    shown = [m for m in found.months if m.days >= FEWEST_DAYS]
    size = Size(size.kind, size.width, HEIGHT, size.font, size.ticks)
    drawing = Drawing(size.width, size.height, f"load-{size.kind}")
    edges = [_edges(m) for m in shown]
    x = Scale(edges[0][0], edges[-1][1], size.left, size.width - 8)
    rare = found.ah_p95 or 0.0
    most = max(rare, *(m.ah for m in shown)) or 1.0
    y = Scale(0.0, 1.08 * most, size.height - 3.4 * size.font, 1.9 * size.font)
    for value in ticks(0.0, y.high, 4):
        drawing.line(x.start, y.at(value), x.end, y.at(value), "grid")
        drawing.text(x.start - 6, y.at(value) + 0.35 * size.font, f"{value:g}", "lab", "end")
    for month, (begin, end) in zip(shown, edges, strict=True):
        left, right = x.at(begin), x.at(end)
        gap = min(2.0, 0.1 * (right - left))
        top = y.at(month.ah)
        drawing.box(left + gap, top, right - left - 2 * gap, y.start - top, "bar")
    if rare:
        drawing.line(x.start, y.at(rare), x.end, y.at(rare), "limit")
    for value, label in date_ticks(edges[0][0], edges[-1][1], size.ticks):
        drawing.line(x.at(value), y.start, x.at(value), y.start + 4, "axis")
        half = 0.5 * DIGIT * size.font * len(label)
        at = min(max(x.at(value), x.start), x.end - half)
        drawing.text(at, y.start + 4 + 1.1 * size.font, label, "lab", "middle")
    drawing.line(x.start, y.start, x.end, y.start, "axis")
    drawing.text((x.start + x.end) / 2, size.height - 0.4 * size.font, "date", "lab", "middle")
    line = "; line: 19 days in 20 need no more" if rare else ""
    drawing.text(4, 1.1 * size.font, f"mean Ah a day by month{line}", "lab")
    return drawing.render(
        "What the boat draws a day, by month", _described(found, shown), size.kind
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
        return f"What the boat draws a day is not known: {found.withheld}."
    said = (
        f"The boat draws {figure_with_ends(found.ah, 'Ah')} a day on the {found.days_used} days "
        "on which nothing else charged and the log tells it."
    )
    if found.ah_p95 is not None:
        said += f" 19 days in 20 need up to {found.ah_p95:.0f} Ah."
    for name, days, ah in found.levels:
        said += f" On {days} days that look {name} it is {ah:.0f} Ah."
    said += "".join(f" {doubt}" for doubt in found.doubts)
    left = "; ".join(f"{n} d: {LEFT_OUT[key]}" for key, n in found.days_left_out.items() if n)
    return f"{said} Left out: {left}." if left else said


def figures(found: LoadResult) -> str:
    """Return the plot for desk, paper and phone; nothing where there is too little to draw."""
    if found.withheld is not None or not any(m.days >= FEWEST_DAYS for m in found.months):
        return ""
    return "<figure>" + "".join(plot(found, size) for size in (WIDE, NARROW)) + "</figure>"
