"""What changes over running hours beside the output: fuel per kilowatt-hour, loop resistance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.installation.loop_resistance import SHARP_S
from analysis.show.page.pieces import NOTHING
from analysis.show.page.plots.axes import bottom_axis, left_axis, plain_marks
from analysis.show.page.plots.svg import CIRCLE, Drawing, Scale
from analysis.units import owner

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.assessment.document import Assessment
    from analysis.show.matter import Matter
    from analysis.show.page.plots.axes import Size

_PANEL, _BELOW = 100.0, 95.0
#: Fewer containers show no course.
_FEWEST = 3


def fuel_plot(matter: Matter, size: Size) -> Markup:
    """Return litres per kWh of each container below the available output; nothing where unknown."""
    a, table = matter.assessment, matter.assessment.run_table
    if matter.fuel is None or table is None or not len(table) or a.at_runtime_h is None:
        return NOTHING
    counted = matter.fuel.use.counted
    if len(counted) < _FEWEST:
        return NOTHING
    middle = np.array([(c.begin_s + c.end_s) / 2.0 for c in counted])
    hours = np.interp(middle, table.start_s, table.runtime_h)
    units = owner().units
    used = np.array([c.l_per_kwh for c in counted]) * units.per_l
    name, digits = ("US gallons", 3) if units.us else ("litres", 2)
    drawing = Drawing(size.width, _PANEL + _BELOW, f"fuel-{size.kind}")
    x = _hours(a, size)
    top = Scale(0.0, 1.08, _PANEL - 2.2 * size.font, 1.9 * size.font)
    words = "available output, % of rated"
    left_axis(drawing, x, top, size, words, most=3, label=lambda v: f"{round(100 * v)} %")
    if a.curve is not None:
        seen = (a.curve.runtime_h <= a.curve.forecast_from_h) & (a.curve.runtime_h >= x.low)
        xs = [x.at(h) for h in a.curve.runtime_h[seen].tolist()]
        low, mid, high = (
            [top.at(v) for v in np.clip(line[seen], 0.0, top.high).tolist()]
            for line in (a.curve.low, a.curve.median, a.curve.high)
        )
        drawing.band(xs, low, high, "band")
        drawing.path(xs, mid, "fit")
    drawing.line(x.start, top.start, x.end, top.start, "axis")
    end = _PANEL + _BELOW - 3.4 * size.font
    below = Scale(0.0, 1.15 * float(used.max()), end, _PANEL + 1.0 * size.font)
    left_axis(drawing, x, below, size, f"fuel, {units.volume}/kWh", most=3)
    drawing.marks(
        [(x.at(h), below.at(v)) for h, v in zip(hours.tolist(), used.tolist(), strict=True)],
        "seen",
        CIRCLE,
    )
    bottom_axis(drawing, x, below, size, plain_marks(x, size), "running hours, h")
    said = (
        f"{len(counted)} containers; the first three gave {np.mean(used[:3]):.{digits}f}, the last "
        f"three {np.mean(used[-3:]):.{digits}f} {name} per kilowatt-hour."
    )
    return drawing.render("Fuel per kilowatt-hour beside the output", said, size.kind)


def _hours(a: Assessment, size: Size) -> Scale:
    """Return the axis of running hours that the log has seen."""
    table = a.run_table
    first = 0.0 if table is None else float(np.nanmin(table.runtime_h))
    last = a.at_runtime_h or first + 1.0
    return size.across(0.0 if first < 0.4 * last else first, last)


def loop_plot(matter: Matter, size: Size) -> Markup:
    """Return the resistance from each stop or sharp start; nothing where there are too few."""
    check = matter.fit
    if check is None or check.steps is None or len(check.steps) < _FEWEST:
        return NOTHING
    steps = check.steps
    milliohm = 1000.0 * steps.volts / steps.amps
    sharp = steps.spacing_s <= SHARP_S
    most = 1.1 * max(float(np.quantile(milliohm, 0.97)), 1.0)
    drawing = Drawing(size.width, _PANEL + 20.0, f"loop-{size.kind}")
    x = _hours(matter.assessment, size)
    y = Scale(0.0, most, _PANEL + 20.0 - 3.4 * size.font, 1.9 * size.font)
    seldom = "" if sharp.all() else "; triangle: an upper end, read too seldom"
    left_axis(drawing, x, y, size, f"loop, m\N{GREEK CAPITAL LETTER OMEGA}{seldom}", most=3)
    for chosen, kind, shape in ((sharp, "seen", CIRCLE), (~sharp, "atleast", _AT_MOST)):
        inside = chosen & (milliohm >= 0.0) & (milliohm <= most)
        points = zip(steps.runtime_h[inside].tolist(), milliohm[inside].tolist(), strict=True)
        drawing.marks([(x.at(h), y.at(v)) for h, v in points], kind, shape)
    bottom_axis(drawing, x, y, size, plain_marks(x, size), "running hours, h")
    said = (
        f"{int(sharp.sum())} stops or starts read at least every {SHARP_S:.0f} s, "
        f"{int((~sharp).sum())} read more seldom, which only bound the resistance from above."
    )
    return drawing.render("Loop resistance over running hours", said, size.kind)


#: A small triangle pointing down, "at most".
_AT_MOST = "m-2.6-2h5.2l-2.6 4.6z"
