"""The plot of use: energy by quarter of the year."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.show.page.plots.axes import Size, bottom_axis, date_marks, left_axis
from analysis.show.page.plots.svg import Drawing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from analysis.show.tables import Quarter
    from logger.event import Event


def use_plot(quarters: Sequence[Quarter], events: Sequence[Event], size: Size, name: str) -> Markup:
    """Return the bars of energy by quarter of the year, and a stroke for each event of fuel."""
    size = Size(size.kind, size.width, 130, size.font, size.ticks)
    drawing = Drawing(size.width, size.height, f"{name}-{size.kind}")
    start, end = quarters[0].start_s, quarters[-1].end_s
    x = size.across(start, end)
    fuel = [e.time_s for e in events if e.kind == "fuel" and not e.struck and x.holds(e.time_s)]
    most = max(q.energy_kwh for q in quarters) or 1.0
    y = size.up(0.0, (1.25 if fuel else 1.08) * most)
    strokes = "; strokes: fuel" if fuel else ""
    left_axis(drawing, x, y, size, f"energy per quarter of the year, kWh{strokes}")
    for quarter in quarters:
        left, right = x.at(quarter.start_s), x.at(quarter.end_s)
        gap = min(2.0, 0.1 * (right - left))
        top = y.at(quarter.energy_kwh)
        if quarter.energy_kwh > 0:
            drawing.box(left + gap, top, right - left - 2 * gap, y.start - top, "bar")
    bottom_axis(drawing, x, y, size, date_marks(x, size), "date")
    drawing.marks([(x.at(at), y.end) for at in sorted(fuel)], "event fine", f"v{0.7 * size.font:g}")
    years = day(start)[:4], day(end - 1)[:4]
    described = (
        f"Energy by quarter from {years[0]} to {years[1]}; the most in one quarter was "
        f"{most:.1f} kWh. The table beside it gives the figures by year."
    )
    if fuel:
        described += f" Strokes above the bars: {len(fuel)} events of fuel."
    return drawing.render("Energy delivered by quarter of the year", described, size.kind)
