"""The plot of an early run beside a recent one: output above, temperature below, one time axis."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.show.page.plots.axes import bottom_axis, left_axis, plain_marks
from analysis.show.page.plots.labels import Labels, Place
from analysis.show.page.plots.svg import Drawing, Scale
from analysis.units import owner

if TYPE_CHECKING:
    from markupsafe import Markup
    from numpy.typing import NDArray

    from analysis.assessment.two_runs import RunCourse, TwoRuns
    from analysis.show.page.plots.axes import Size

    Floats = NDArray[np.float64]

_HEIGHT, _TEMPERATURE = 170.0, 75.0


def two_runs_plot(pair: TwoRuns, size: Size, name: str) -> Markup:
    """Return both runs over the hours since their start."""
    warm, font = pair.temperature_known, size.font
    both = (("early", pair.early, "early"), ("recent", pair.recent, "recent"))
    height = _HEIGHT + (_TEMPERATURE if warm else 0.0)
    drawing = Drawing(size.width, height, f"{name}-{size.kind}")
    labels = Labels(drawing, font)
    longest = max(float(run.hours[-1]) for _, run, _ in both)
    x = size.across(0.0, longest)
    top = max(1.0, *(float(np.nanmax(run.fraction)) for _, run, _ in both))
    panel = _HEIGHT - 3.4 * font
    y = Scale(0.0, 1.06 * top, panel, 1.9 * font)
    words = "output, % of rated"
    left_axis(drawing, x, y, size, words, label=lambda v: f"{round(100 * v)} %")
    for _, run, kind in both:
        _line(drawing, labels, x, y, run.hours, run.fraction, kind)
    for word, run, _ in both:
        _named(labels, x, y, run, f"{word}: {day(run.start_s)}, at {run.runtime_h:.0f} h", font)
    lowest = y
    if warm:
        lowest = _temperature(drawing, labels, pair, x, size, height)
        drawing.line(x.start, y.start, x.end, y.start, "axis")
    bottom_axis(drawing, x, lowest, size, plain_marks(x, size), "hours since the start of the run")
    return drawing.render("An early run beside a recent one", described(pair), size.kind)


def _temperature(
    drawing: Drawing, labels: Labels, pair: TwoRuns, x: Scale, size: Size, height: float
) -> Scale:
    """Draw the lower panel, and return its vertical scale."""
    known = np.concatenate([_shown(run) for run in (pair.early, pair.recent)])
    low, high = float(np.nanmin(known)), float(np.nanmax(known))
    room = max(0.15 * (high - low), 1.0)
    y = Scale(low - room, high + room, height - 3.4 * size.font, _HEIGHT - 0.6 * size.font)
    words = f"compartment, {_degree()}"
    left_axis(drawing, x, y, size, words, most=3)
    for run, kind in ((pair.early, "early"), (pair.recent, "recent")):
        _line(drawing, labels, x, y, run.hours, _shown(run), kind)
    return y


def _shown(run: RunCourse) -> Floats:
    """Return the compartment's temperature in the owner's unit."""
    return owner().units.degrees(run.temperature_c)


def _degree() -> str:
    return owner().units.degree.replace("deg", "\N{DEGREE SIGN}")


def _line(
    drawing: Drawing, labels: Labels, x: Scale, y: Scale, hours: Floats, values: Floats, kind: str
) -> None:
    seen = np.isfinite(values)
    xs = [x.at(h) for h in hours[seen].tolist()]
    ys = [y.at(v) for v in np.clip(values[seen], y.low, y.high).tolist()]
    drawing.path(xs, ys, kind)
    labels.keep_clear_of_line(xs, ys)


def _named(labels: Labels, x: Scale, y: Scale, run: RunCourse, words: str, font: float) -> None:
    """Write the name of a run near its line: just above or below it, from the right end on."""
    level = y.at(float(np.nanmedian(run.fraction[len(run.fraction) // 2 :])))
    labels.put(
        words,
        [
            Place(x.start + share * (x.end - x.start), level + shift * font, "end")
            for share in (0.97, 0.8, 0.6)
            for shift in (-0.7, 1.4, -1.8, 2.5)
        ],
    )


def described(pair: TwoRuns) -> str:
    """Return the text alternative: the settled output of both, and their temperatures."""
    told = []
    for word, run in (("early", pair.early), ("recent", pair.recent)):
        late = run.hours >= 0.5 * run.hours[-1]
        said = (
            f"The {word} run, {day(run.start_s)} at {run.runtime_h:.0f} running hours, gave "
            f"{100 * float(np.nanmedian(run.fraction[late])):.0f} % of rated in its second half"
        )
        if np.isfinite(run.temperature_c[late]).any():
            said += f" at {float(np.nanmedian(_shown(run)[late])):.0f} {_degree()}"
        told.append(f"{said}.")
    return " ".join(told)
