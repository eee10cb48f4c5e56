"""The plot of available output, over running hours or over dates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import date_ends, date_figure, day, ends, figure
from analysis.health.run_table import Limit
from analysis.show.page.plots.axes import bottom_axis, date_marks, left_axis, plain_marks
from analysis.show.page.plots.labels import Labels, Place
from analysis.show.page.plots.ruler import Ruler, across, below_the_plot, up
from analysis.show.page.plots.svg import AT_LEAST, CIRCLE, CROSS, DIGIT, Drawing, Scale
from analysis.show.phrases import output_clause, remaining_short, sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup
    from numpy.typing import NDArray

    from analysis.assessment.document import Assessment, Curve
    from analysis.show.page.plots.axes import Size
    from logger.event import Event

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Events of people that are marked in the plots of output; fuel, which is far more frequent, stands
#: in the plot of use.
MARKED_KINDS = ("service", "renewal", "replacement", "note")
#: More marks than this hide the plot; the newest are kept.
MOST_MARKED = 9


def marked_events(events: Sequence[Event]) -> list[Event]:
    """Return the events that the plots mark, oldest first; their number is their place."""
    kept = [e for e in events if e.kind in MARKED_KINDS and not e.struck]
    return sorted(kept, key=lambda e: e.time_s)[-MOST_MARKED:]


def output_plot(
    a: Assessment, events: Sequence[Event], size: Size, *, dates: bool, name: str
) -> Markup:
    """Return the plot of available output: runs, lower bounds, fit with band, limits, steps.

    Parameters
    ----------
    a
        The assessment; its run table must hold at least one run.
    events
        All events; those of people are marked.
    size
        Wide or narrow.
    dates
        Draw over dates instead of running hours.
    name
        Unique in the page.
    """
    table = a.run_table
    if table is None or not len(table):
        raise ValueError("there is no run to draw")
    ruler = Ruler(a, dates=dates)
    where = table.start_s if dates else table.runtime_h
    shown = np.isfinite(where) & np.isfinite(table.fraction)
    x = across(a, ruler, where[shown] if shown.any() else where, size)
    # What was left out may lie anywhere: it must not flatten what was used.
    used = shown & table.used
    y = up(a, table.fraction[used if used.any() else shown], size)
    drawing = Drawing(size.width, size.height, f"{name}-{size.kind}")
    labels = Labels(drawing, size.font)
    _axes(drawing, x, y, size, dates=dates)
    _bands(drawing, labels, a, ruler, x, y)
    _limit_lines(drawing, labels, a, x, y)
    _runs(drawing, labels, where, table.fraction, table.limit, table.used, x, y)
    # Above the runs: many of them must not hide the line that stands for all.
    _fit(drawing, a, ruler, x, y)
    _step_lines(drawing, labels, a, x, y, dates=dates)
    _now_and_crossing(drawing, labels, a, x, y, dates=dates)
    _event_marks(drawing, labels, marked_events(events), ruler, a, x, y, size)
    _words(labels, a, x, y, size, dates=dates)
    axis = "dates" if dates else "running hours"
    return drawing.render(f"Available output over {axis}", _described(a, axis), size.kind)


def _axes(drawing: Drawing, x: Scale, y: Scale, size: Size, *, dates: bool) -> None:
    words = "available output, % of rated"
    left_axis(drawing, x, y, size, words, most=7, label=lambda v: f"{round(100 * v)} %")
    marks = date_marks(x, size) if dates else plain_marks(x, size)
    words = "date" if dates else "running hours of this charger, h"
    bottom_axis(drawing, x, y, size, marks, words)


def _course(a: Assessment, ruler: Ruler, x: Scale) -> list[_Stretch]:
    """Return the visible stretches of the curve: what was seen, and what is forecast."""
    if a.curve is None or len(a.curve.runtime_h) < 2:
        return []
    at, curve = ruler.course(a.curve)
    inside = (at >= x.low) & (at <= x.high)
    past = inside & (curve.runtime_h <= curve.forecast_from_h)
    ahead = inside & (curve.runtime_h >= curve.forecast_from_h)
    last = np.flatnonzero(past)
    if len(last):
        ahead[last[-1]] = True  # the forecast begins where the past ends
    return [_Stretch(at, curve, past, ""), _Stretch(at, curve, ahead, " ahead")]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A stretch of the curve: where all points stand, which are in it, and its class."""

    at: Floats
    curve: Curve
    chosen: Flags
    kind: str


def _bands(
    drawing: Drawing, labels: Labels, a: Assessment, ruler: Ruler, x: Scale, y: Scale
) -> None:
    for part in _course(a, ruler, x):
        xs = [x.at(v) for v in part.at[part.chosen]]
        low, mid, high = (
            [y.at(v) for v in np.clip(values[part.chosen], y.low, y.high)]
            for values in (part.curve.low, part.curve.median, part.curve.high)
        )
        drawing.band(xs, low, high, f"band{part.kind}")
        for line in (low, mid, high):
            labels.keep_clear_of_line(xs, line)


def _fit(drawing: Drawing, a: Assessment, ruler: Ruler, x: Scale, y: Scale) -> None:
    for part in _course(a, ruler, x):
        visible = part.chosen & (part.curve.median >= y.low)
        ys = [y.at(v) for v in np.minimum(part.curve.median[visible], y.high)]
        drawing.path([x.at(v) for v in part.at[visible]], ys, f"fit{part.kind}")


def _limit_lines(drawing: Drawing, labels: Labels, a: Assessment, x: Scale, y: Scale) -> None:
    for value in (1.0, a.plan_below, a.replace_below):
        kind = "limit rated" if value == 1.0 else "limit"
        drawing.line(x.start, y.at(value), x.end, y.at(value), kind)
        labels.keep_clear_of_line([x.start, x.end], [y.at(value)] * 2)


def _runs(
    drawing: Drawing,
    labels: Labels,
    where: Floats,
    fraction: Floats,
    limit: Sequence[Limit],
    used: Flags,
    x: Scale,
    y: Scale,
) -> None:
    bound = np.array([kind is Limit.BATTERY for kind in limit], dtype=bool)
    inside = np.isfinite(where) & np.isfinite(fraction) & (fraction >= y.low) & (fraction <= y.high)
    for chosen, kind, shape in (
        (~used, "out", CROSS),
        (used & bound, "atleast", AT_LEAST),
        (used & ~bound, "seen", CIRCLE),
    ):
        keep = chosen & inside
        points = [(x.at(h), y.at(f)) for h, f in zip(where[keep], fraction[keep], strict=True)]
        labels.keep_clear(points)
        drawing.marks(points, kind, shape)


def _step_lines(
    drawing: Drawing, labels: Labels, a: Assessment, x: Scale, y: Scale, *, dates: bool
) -> None:
    for step in a.steps:
        value = step.time_s if dates else step.runtime_h
        if x.holds(value):
            drawing.line(x.at(value), y.start, x.at(value), y.end, "step")
            labels.keep_clear_of_line([x.at(value)] * 2, [y.start, y.end])


def _now_and_crossing(
    drawing: Drawing, labels: Labels, a: Assessment, x: Scale, y: Scale, *, dates: bool
) -> None:
    now = a.observed_to_s if dates else a.at_runtime_h
    if now is None or not x.holds(now):
        return
    drawing.line(x.at(now), y.start, x.at(now), y.end, "now")
    labels.keep_clear_of_line([x.at(now)] * 2, [y.start, y.end])
    left = a.remaining_date if dates else a.remaining_h
    offset = 0.0 if dates else now
    if a.until != "output" or left.low is None or left.median is None:
        return
    level = y.at(a.replace_below)
    first = x.at(min(left.low + offset, x.high))
    last = x.at(min((left.high if left.high is not None else left.median) + offset, x.high))
    drawing.line(first, level, last, level, "span")
    for shift in (-5, 0, 5):
        labels.keep_clear_of_line([first, last], [level + shift] * 2)
    for value in (left.low, left.high):
        if value is not None and x.holds(value + offset):
            at = x.at(value + offset)
            drawing.line(at, level - 5, at, level + 5, "span")
    if x.holds(left.median + offset):
        drawing.marks(
            [(x.at(left.median + offset), level)], "middle", "m-4.5 0l4.5-4.5l4.5 4.5l-4.5 4.5z"
        )


def _words(labels: Labels, a: Assessment, x: Scale, y: Scale, size: Size, *, dates: bool) -> None:
    """Write what the lines are, each word beside its line where it covers nothing."""
    font = size.font

    def beside(at: float) -> list[Place]:
        heights = np.arange(y.end + font, y.start - 0.4 * font, font)
        return [
            Place(at + nudge, float(height), anchor)
            for height in heights
            for nudge, anchor in ((4, "start"), (-4, "end"))
            if (at + 6 * font < x.end if anchor == "start" else at - 6 * font > x.start)
        ]

    now = a.observed_to_s if dates else a.at_runtime_h
    if now is not None and x.holds(now):
        labels.put("end of log", beside(x.at(now)))
    for step in a.steps:
        value = step.time_s if dates else step.runtime_h
        if x.holds(value):
            words = f"step {100 * step.change:+.0f} %".replace("-", "\N{MINUS SIGN}")
            labels.put(words, beside(x.at(value))[::-1])

    def along(words: str, *baselines: float) -> list[Place]:
        last = x.end - DIGIT * font * len(words)
        return [
            Place(float(at), baseline)
            for at in np.arange(x.start + 4, max(last, x.start + 5), font)
            for baseline in baselines
        ]

    for limit, words in (
        (1.0, f"rated {a.rated_w:.0f} W"),
        (a.plan_below, f"plan limit {100 * a.plan_below:.0f} %"),
        (a.replace_below, f"replacement limit {100 * a.replace_below:.0f} %"),
    ):
        level = y.at(limit)
        labels.put(words, along(words, level - 0.4 * font, level + 1.1 * font))
    below = below_the_plot(a)
    if below:
        words = f"{len(below)} run{'s' * (len(below) > 1)} left out below"
        labels.put(words, along(words, y.start - 5))


def _event_marks(
    drawing: Drawing,
    labels: Labels,
    events: Sequence[Event],
    ruler: Ruler,
    a: Assessment,
    x: Scale,
    y: Scale,
    size: Size,
) -> None:
    """Draw a numbered stroke at the top for each event; numbers that would meet share a place."""
    table = a.run_table
    groups: list[list[tuple[int, float]]] = []
    for number, event in enumerate(events, start=1):
        value = event.time_s
        if not ruler.dates and table is not None:
            value = float(np.interp(value, table.start_s, table.runtime_h))
        if not x.holds(value):
            continue
        at = x.at(value)
        drawing.line(at, y.end, at, y.end + 0.8 * size.font, "event")
        labels.keep_clear_of_line([at, at], [y.end, y.end + 0.8 * size.font])
        if groups and at - groups[-1][-1][1] < 1.3 * size.font:
            groups[-1].append((number, at))
        else:
            groups.append([(number, at)])
    for group in groups:
        (first, left), (last, right) = group[0], group[-1]
        words = str(first) if first == last else f"{first}\N{EN DASH}{last}"
        middle = (left + right) / 2.0
        drawing.text(middle, y.end - 0.2 * size.font, words, "lab strong", "middle")


def _described(a: Assessment, axis: str) -> str:
    """Return the text alternative: what a person would read off the plot."""
    said = (
        f"{a.source_limited_runs} runs in which the charger itself set the current and "
        f"{a.battery_limited_runs} lower bounds from runs that the battery limited, over {axis}. "
        f"At the end of the log the charger {output_clause(a)}. "
        f"Plan limit {100 * a.plan_below:.0f} %, replacement limit "
        f"{100 * a.replace_below:.0f} % of rated. {sentence(remaining_short(a))}"
    )
    if a.decline_per_1000h.median is not None:
        said += f" Decline {figure(a.decline_per_1000h, '%', 100)} of rated per 1000 h"
        said += f" ({ends(a.decline_per_1000h, '%', 100)})."
    if a.remaining_date.median is not None:
        said += f" The first limit is met {date_figure(a.remaining_date)}"
        said += f" ({date_ends(a.remaining_date)})."
    for step in a.steps:
        said += f" Step of {100 * step.change:.0f} % at {step.runtime_h:.0f} h, {day(step.time_s)}."
    return said
