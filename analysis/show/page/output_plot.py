"""The plots of the report: available output over running hours and over dates, use by quarter."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import date_ends, date_figure, day, ends, figure
from analysis.health.run_table import Limit
from analysis.show.page.labels import Labels, Place
from analysis.show.page.svg import (
    AT_LEAST,
    CIRCLE,
    CROSS,
    DIGIT,
    Drawing,
    Scale,
    date_ticks,
    ticks,
)
from analysis.show.phrases import output_clause, remaining_short, sentence
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from analysis.assessment.document import Assessment
    from analysis.show.tables import Quarter
    from logger.event import Event

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Events of people that are marked in the plots of output; fuel, which is far more frequent, stands
#: in the plot of use.
MARKED_KINDS = ("service", "renewal", "replacement", "note")
#: More marks than this hide the plot; the newest are kept.
MOST_MARKED = 9


@dataclass(frozen=True, slots=True)
class Size:
    """Size and font of a drawing: a wide one for desk and paper, a narrow one for a phone."""

    kind: str
    width: float
    height: float
    font: float
    ticks: int

    @property
    def left(self) -> float:
        """Room for the labels of the vertical axis."""
        return 4.6 * self.font


WIDE = Size("wide", 760, 275, 12, 9)
NARROW = Size("narrow", 380, 330, 12, 5)


def marked_events(events: Sequence[Event]) -> list[Event]:
    """Return the events that the plots mark, oldest first; their number is their place."""
    kept = [e for e in events if e.kind in MARKED_KINDS and not e.struck]
    return sorted(kept, key=lambda e: e.time_s)[-MOST_MARKED:]


class _Ruler:
    """Turns running hours into positions on the horizontal axis: hours as they are, or dates."""

    def __init__(self, a: Assessment, *, dates: bool) -> None:
        table, self.dates = a.run_table, dates
        self._hours = np.zeros(0)
        if table is not None and len(table):
            known = np.isfinite(table.runtime_h)
            order = np.argsort(table.runtime_h[known], kind="stable")
            self._hours = table.runtime_h[known][order]
            self._times = np.maximum.accumulate(table.start_s[known][order])
        self._rate = self._hours_per_second(a)

    def _hours_per_second(self, a: Assessment) -> float:
        left, when = a.remaining_h.median, a.remaining_date.median
        if left and when and a.observed_to_s is not None and when > a.observed_to_s:
            return left / (when - a.observed_to_s)
        if a.observed_to_s is None or a.observed_from_s is None:
            return 0.0
        return a.running_hours / max(a.observed_to_s - a.observed_from_s, 1.0)

    def place(self, hours: Floats) -> Floats:
        """Return where points at these running hours stand."""
        if not self.dates:
            return hours
        past = np.interp(hours, self._hours, self._times)
        beyond = np.clip(hours - self._hours[-1], 0, None)
        before = np.clip(self._hours[0] - hours, 0, None)
        rate = self._rate or 1e-4
        placed: Floats = past + beyond / rate - before / rate
        return placed


def output_plot(
    a: Assessment, events: Sequence[Event], size: Size, *, dates: bool, name: str
) -> str:
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
    ruler = _Ruler(a, dates=dates)
    where = table.start_s if dates else table.runtime_h
    shown = np.isfinite(where) & np.isfinite(table.fraction)
    x = _across(a, ruler, where[shown] if shown.any() else where, size)
    # What was left out may lie anywhere: it must not flatten what was used.
    used = shown & table.used
    y = _up(a, table.fraction[used if used.any() else shown], size)
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
    _words(labels, a, x, y, size, dates=dates)
    _event_marks(drawing, marked_events(events), ruler, a, x, y, size)
    axis = "dates" if dates else "running hours"
    return drawing.render(f"Available output over {axis}", _described(a, axis), size.kind)


def _across(a: Assessment, ruler: _Ruler, where: Floats, size: Size) -> Scale:
    low, high = float(np.nanmin(where)), float(np.nanmax(where))
    if not ruler.dates:
        low = 0.0 if low < 0.4 * high else low
    ends_at = [high]
    if a.at_runtime_h is not None:
        reach = a.remaining_h.high or a.remaining_h.median or a.remaining_h.low or 0.0
        now = a.at_runtime_h
        # A forecast further ahead than what has been seen would squeeze what has been seen.
        ends_at.append(float(ruler.place(np.array([now + min(1.08 * reach, 1.2 * now)]))[0]))
    high = max(ends_at)
    room = 0.02 * (high - low) or (DAY_S if ruler.dates else 1.0)
    return Scale(low - (room if ruler.dates else 0), high + room, size.left, size.width - 8)


def _lowest(a: Assessment, fractions: Floats) -> float:
    """Return the fraction of rated at which the vertical axis begins."""
    seen = fractions[np.isfinite(fractions)]
    lowest = min([a.replace_below, *np.quantile(seen, [0.01]).tolist()]) if seen.size else 0.0
    return float(max(0.0, 0.1 * np.floor(10 * (lowest - 0.06))))


def _up(a: Assessment, fractions: Floats, size: Size) -> Scale:
    seen = fractions[np.isfinite(fractions)]
    highest = max([1.0, *np.quantile(seen, [0.995]).tolist()]) if seen.size else 1.0
    return Scale(
        _lowest(a, fractions), highest + 0.06, size.height - 3.4 * size.font, 2.2 * size.font
    )


def _axes(drawing: Drawing, x: Scale, y: Scale, size: Size, *, dates: bool) -> None:
    for value in ticks(y.low, y.high, 7):
        drawing.line(x.start, y.at(value), x.end, y.at(value), "grid")
        label = f"{round(100 * value)} %"
        drawing.text(x.start - 6, y.at(value) + 0.35 * size.font, label, "lab", "end")
    marks = (
        date_ticks(x.low, x.high, size.ticks)
        if dates
        else [(v, f"{v:.0f}") for v in ticks(x.low, x.high, size.ticks)]
    )
    for value, label in marks:
        drawing.line(x.at(value), y.start, x.at(value), y.start + 4, "axis")
        half = 0.5 * DIGIT * size.font * len(label)
        at = min(max(x.at(value), x.start), x.end - half)
        drawing.text(at, y.start + 4 + 1.1 * size.font, label, "lab", "middle")
    drawing.line(x.start, y.start, x.end, y.start, "axis")
    words = "date" if dates else "running hours of this charger, h"
    drawing.text((x.start + x.end) / 2, size.height - 0.4 * size.font, words, "lab", "middle")
    drawing.text(4, 1.1 * size.font, "available output, % of rated", "lab")


def _stretches(a: Assessment, ruler: _Ruler, x: Scale) -> tuple[Floats, list[tuple[Flags, str]]]:
    """Return where the points of the curve stand, and which are seen and which are forecast."""
    if a.curve is None or len(a.curve.runtime_h) < 2:
        return np.zeros(0), []
    at = ruler.place(a.curve.runtime_h)
    inside = (at >= x.low) & (at <= x.high)
    past = inside & (a.curve.runtime_h <= a.curve.forecast_from_h)
    ahead = inside & (a.curve.runtime_h >= a.curve.forecast_from_h)
    return at, [(past, ""), (ahead, " ahead")]


def _bands(
    drawing: Drawing, labels: Labels, a: Assessment, ruler: _Ruler, x: Scale, y: Scale
) -> None:
    at, stretches = _stretches(a, ruler, x)
    for chosen, kind in stretches:
        if a.curve is None:
            continue
        xs = [x.at(v) for v in at[chosen]]
        low, mid, high = (
            [y.at(v) for v in np.clip(values[chosen], y.low, y.high)]
            for values in (a.curve.low, a.curve.median, a.curve.high)
        )
        drawing.band(xs, low, high, f"band{kind}")
        for line in (low, mid, high):
            labels.keep_clear_of_line(xs, line)


def _fit(drawing: Drawing, a: Assessment, ruler: _Ruler, x: Scale, y: Scale) -> None:
    at, stretches = _stretches(a, ruler, x)
    for chosen, kind in stretches:
        if a.curve is None:
            continue
        visible = chosen & (a.curve.median >= y.low)
        ys = [y.at(v) for v in np.minimum(a.curve.median[visible], y.high)]
        drawing.path([x.at(v) for v in at[visible]], ys, f"fit{kind}")


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


def below_the_plot(a: Assessment) -> list[int]:
    """Return the rows of the run table that were left out and lie below what the plot shows."""
    table = a.run_table
    if table is None or not len(table):
        return []
    shown = np.isfinite(table.runtime_h) & np.isfinite(table.fraction)
    used = shown & table.used
    low = _lowest(a, table.fraction[used if used.any() else shown])
    return [int(k) for k in np.flatnonzero(shown & ~table.used & (table.fraction < low))]


def _event_marks(
    drawing: Drawing,
    events: Sequence[Event],
    ruler: _Ruler,
    a: Assessment,
    x: Scale,
    y: Scale,
    size: Size,
) -> None:
    table = a.run_table
    for number, event in enumerate(events, start=1):
        at = event.time_s
        if not ruler.dates and table is not None:
            at = float(np.interp(at, table.start_s, table.runtime_h))
        if x.holds(at):
            drawing.line(x.at(at), y.end, x.at(at), y.end + 0.8 * size.font, "event")
            drawing.text(x.at(at), y.end - 0.2 * size.font, str(number), "lab strong", "middle")


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


def use_plot(quarters: Sequence[Quarter], events: Sequence[Event], size: Size, name: str) -> str:
    """Return the bars of energy by quarter of the year, and a stroke for each event of fuel."""
    size = Size(size.kind, size.width, 130, size.font, size.ticks)
    drawing = Drawing(size.width, size.height, f"{name}-{size.kind}")
    start, end = quarters[0].start_s, quarters[-1].end_s
    x = Scale(start, end, size.left, size.width - 8)
    fuel = [e.time_s for e in events if e.kind == "fuel" and not e.struck and x.holds(e.time_s)]
    most = max(q.energy_kwh for q in quarters) or 1.0
    y = Scale(0.0, (1.25 if fuel else 1.08) * most, size.height - 3.4 * size.font, 1.9 * size.font)
    for value in ticks(0.0, y.high, 4):
        drawing.line(x.start, y.at(value), x.end, y.at(value), "grid")
        drawing.text(x.start - 6, y.at(value) + 0.35 * size.font, f"{value:g}", "lab", "end")
    for quarter in quarters:
        left, right = x.at(quarter.start_s), x.at(quarter.end_s)
        gap = min(2.0, 0.1 * (right - left))
        top = y.at(quarter.energy_kwh)
        if quarter.energy_kwh > 0:
            drawing.box(left + gap, top, right - left - 2 * gap, y.start - top, "bar")
    place: Callable[[float], float] = x.at
    for value, label in date_ticks(start, end, size.ticks):
        drawing.line(place(value), y.start, place(value), y.start + 4, "axis")
        half = 0.5 * DIGIT * size.font * len(label)
        at = min(max(place(value), x.start), x.end - half)
        drawing.text(at, y.start + 4 + 1.1 * size.font, label, "lab", "middle")
    drawing.line(x.start, y.start, x.end, y.start, "axis")
    drawing.text((x.start + x.end) / 2, size.height - 0.4 * size.font, "date", "lab", "middle")
    drawing.marks([(x.at(at), y.end) for at in sorted(fuel)], "event fine", f"v{0.7 * size.font:g}")
    strokes = "; strokes: fuel" if fuel else ""
    drawing.text(4, 1.1 * size.font, f"energy per quarter of the year, kWh{strokes}", "lab")
    years = datetime.fromtimestamp(start, UTC).year, datetime.fromtimestamp(end - 1, UTC).year
    described = (
        f"Energy by quarter from {years[0]} to {years[1]}; the most in one quarter was "
        f"{most:.1f} kWh. The table beside it gives the figures by year."
    )
    if fuel:
        described += f" Strokes above the bars: {len(fuel)} events of fuel."
    return drawing.render("Energy delivered by quarter of the year", described, size.kind)
