"""The plots of available output, their key, and the fit in figures."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.show.page.pieces import (
    NOTHING,
    heading,
    joined,
    listing,
    mark,
    paragraphs,
    table,
    tag,
    text,
)
from analysis.show.page.plots.axes import NARROW, WIDE
from analysis.show.page.plots.output_plot import marked_events, output_plot
from analysis.show.page.plots.ruler import below_the_plot
from analysis.show.page.plots.svg import AT_LEAST, CIRCLE, CROSS
from analysis.show.phrases import decline_sentence
from analysis.show.tables import PERSON_WORDS
from analysis.text import for_html, harmless

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.assessment.document import Assessment
    from analysis.show.matter import Matter


def _band(kind: str) -> Markup:
    return joined(
        mark("rect", class_=f"band{kind}", width="28", height="14"),
        mark("path", class_=f"fit{kind}", d="M0 7h28"),
    )


#: What the marks of the plots mean, each with the class by which it is found in a plot.
_KEY = (
    (
        mark("path", class_="seen", d=f"M14 7{CIRCLE}"),
        "run: the charger itself set the current",
        "seen",
    ),
    (
        mark("path", class_="atleast", d=f"M14 7{AT_LEAST}"),
        "run: the battery or a setting held the current, a lower bound",
        "atleast",
    ),
    (mark("path", class_="out", d=f"M14 7{CROSS}"), "run left out", "out"),
    (_band(""), "fit, 90 %", "fit"),
    (_band(" ahead"), "forecast, 90 %", "fit ahead"),
    (
        joined(
            mark("path", class_="span", d="M2 7h24M2 2v10M26 2v10"),
            mark("path", class_="middle", d="M9.5 7l4.5-4.5l4.5 4.5l-4.5 4.5z"),
        ),
        "when the replacement limit is met, 90 %",
        "span",
    ),
)


def drawable(a: Assessment) -> bool:
    """Tell whether any run tells an output."""
    runs = a.run_table
    return runs is not None and bool(
        np.any(np.isfinite(runs.fraction) & np.isfinite(runs.runtime_h))
    )


def output(matter: Matter) -> Markup:
    """Return the plot over running hours, its key, and the decline in words."""
    a = matter.assessment
    head = heading("Available output")
    if not drawable(a):
        return joined(
            head, paragraphs("There is nothing to draw yet: no run in the log tells the output.")
        )
    plots = _figure(matter, "hours", "Over running hours.")
    key = [
        joined(tag("svg", drawn, viewBox="0 0 28 14", aria_hidden="true"), " ", text(words))
        for drawn, words, kind in _KEY
        if f'class="{kind}"' in plots
    ]
    marks = [
        joined(text(f"{day(e.time_s)} {PERSON_WORDS[e.kind]}: "), for_html(e.text))
        for e in marked_events(matter.events)
    ]
    caption = tag("p", "Numbers at the top of the plots:", class_="small")
    numbered = tag("div", caption, listing(marks, "ol"), class_="marks") if marks else NOTHING
    return joined(
        head,
        listing(key, class_="key"),
        plots,
        numbered,
        paragraphs(decline_sentence(a), *_steps(a), _below(a)),
    )


def over_dates(matter: Matter) -> Markup:
    """Return the plot of available output over dates, and the fit in figures."""
    if not drawable(matter.assessment):
        return NOTHING
    words = "The same over dates, since an owner remembers dates. Marks as on the first page."
    return joined(_figure(matter, "dates", words), course(matter.assessment))


def _figure(matter: Matter, name: str, words: str) -> Markup:
    dates = name == "dates"
    sizes = [replace(size, height=size.height - 80) if dates else size for size in (WIDE, NARROW)]
    plots = [
        output_plot(matter.assessment, matter.events, size, dates=dates, name=name)
        for size in sizes
    ]
    return tag("figure", *plots, tag("figcaption", text(words)))


def _below(a: Assessment) -> str:
    """Say which runs lie below the plot, and why they were left out."""
    below, runs = below_the_plot(a), a.run_table
    if not below or runs is None:
        return ""
    reasons: dict[str, list[int]] = {}
    for row in below:
        reasons.setdefault(runs.reason[row], []).append(row)
    parts = []
    for reason, rows in sorted(reasons.items(), key=lambda item: -len(item[1])):
        last = day(max(float(runs.start_s[row]) for row in rows))
        when = last if len(rows) == 1 else f"{len(rows)}, the last {last}"
        parts.append(f"{harmless(reason, 120).removeprefix('left out: ')} ({when})")
    return f"Runs below the plot were left out: {'; '.join(parts)}."


def _steps(a: Assessment) -> list[str]:
    return [
        f"A sudden change of {100 * s.change:+.0f} % of rated at {s.runtime_h:.0f} h, "
        f"{day(s.time_s)} ({100 * s.low:+.0f} to {100 * s.high:+.0f} %); it is kept out of the "
        f"decline."
        for s in a.steps
    ]


def course(a: Assessment) -> Markup:
    """Return the fitted course as a table: the plot in figures."""
    curve = a.curve
    if curve is None or len(curve.runtime_h) < 2:
        return NOTHING
    last = curve.runtime_h[-1]
    seen = np.linspace(curve.runtime_h[0], min(curve.forecast_from_h, last), 5)
    ahead = np.linspace(min(curve.forecast_from_h, last), last, 4)
    rows = []
    for stop in np.unique(np.round(np.append(seen, ahead), 0)):
        low, mid, high = (
            100 * float(np.interp(stop, curve.runtime_h, c))
            for c in (curve.low, curve.median, curve.high)
        )
        kind = "forecast" if stop > curve.forecast_from_h else "seen"
        cells = (f"{stop:.0f}", f"{mid:.0f} %", f"{low:.0f} to {high:.0f} %", kind)
        rows.append(tuple(text(cell) for cell in cells))
    return table(
        "Fitted available output, % of rated, with its 90 % interval",
        ("running hours", "output", "90 % interval", ""),
        rows,
        "nnnt",
    )
