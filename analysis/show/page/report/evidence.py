"""The second page: what the findings rest on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import date_ends, date_figure, ends, figure, rounded
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
from analysis.show.page.plots.course_plots import fuel_plot, loop_plot
from analysis.show.page.plots.svg import n
from analysis.show.page.plots.two_runs_plot import two_runs_plot
from analysis.show.phrases import other_limits, remaining_sentence, until_clause
from analysis.show.service import last_done, when_due
from analysis.show.tables import use_rows
from analysis.text import for_html

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.show.matter import Matter


def since(matter: Matter) -> Markup:
    """Return what changed since an earlier visit, if there was one."""
    comparison = matter.comparison
    if comparison is None:
        return NOTHING
    rows = [tuple(text(cell) for cell in change.cells()) for change in comparison.changes]
    return joined(
        heading("Since the last visit"),
        paragraphs(comparison.headline),
        table("What changed", ("", "then", "now", "change"), rows, "tttt"),
        listing(for_html(note, 300) for note in comparison.notes),
    )


def remaining(matter: Matter) -> Markup:
    """Return remaining life as hours and as dates."""
    a = matter.assessment
    if a.remaining_h.median is None or a.remaining_h.median <= 0:
        return paragraphs(remaining_sentence(a))
    rows = [("running hours", figure(a.remaining_h, "h"), ends(a.remaining_h, "h") or "open")]
    if a.remaining_date.median is not None:
        date = date_figure(a.remaining_date)
        rows.append(("date, as this boat uses it", date, date_ends(a.remaining_date) or "open"))
    cells = [tuple(text(c) for c in row) for row in rows]
    heads = ("", "middle estimate", "90 % interval")
    then = f"Then it {until_clause(a)}. The date supposes that the boat is used as before."
    figures = table("Until the first limit is met", heads, cells, "ttt")
    return joined(figures, paragraphs(then, *([other] if (other := other_limits(a)) else [])))


def two_runs(matter: Matter) -> Markup:
    """Return an early run beside a recent one, on one time axis, with the temperature."""
    pair = matter.two_runs
    if pair is None:
        return NOTHING
    plots = [two_runs_plot(pair, size, "pair") for size in (WIDE, NARROW)]
    words = "In both the charger itself set the current."
    return joined(
        heading("An early run beside a recent one"),
        tag("figure", *plots, tag("figcaption", text(words))),
    )


#: Use and output come from the same sensor, so one does not prove the other.
_FUEL = "Fuel per kWh by container. It comes from the same current sensor: no second proof."


def courses(matter: Matter) -> Markup:
    """Return fuel per kilowatt-hour beside the output, and the loop resistance over time."""
    figures = []
    for draw, words in (
        (fuel_plot, _FUEL),
        (loop_plot, "Loop resistance."),
    ):
        plots = [plot for size in (WIDE, NARROW) if (plot := draw(matter, size))]
        if plots:
            figures.append(tag("figure", *plots, tag("figcaption", text(words))))
    return joined(heading("Fuel and wiring over time"), *figures) if figures else NOTHING


def what_was_used(matter: Matter) -> Markup:
    """Return which runs entered the estimate, and what was left out, with reasons."""
    rows, before_h = [], 0.0
    for row in use_rows(matter.assessment):
        rows.append(
            (
                for_html(row.what, 120),
                _bar(before_h, row.hours, matter.assessment.running_hours, used=row.used),
                "" if row.runs is None else str(row.runs),
                rounded(row.hours, 0 if row.hours >= 10 else 1),
            )
        )
        before_h += row.hours
    head = heading("What was used and what was left out")
    if not rows:
        return joined(head, paragraphs("The log holds no run."))
    all_hours = rounded(matter.assessment.running_hours, 0)
    total = (text("all running hours"), "", str(matter.assessment.runs), all_hours)
    return joined(
        head,
        table(
            "Each running hour once",
            ("what", "", "runs", "h"),
            [*rows, total],
            "ttnn",
        ),
    )


def _bar(before_h: float, hours: float, all_h: float, *, used: bool) -> Markup:
    """Return where a row's hours lie among all of them: the bars add up to the whole width."""
    scale = 100.0 / max(all_h, 1e-9)
    drawn = mark(
        "rect",
        class_="bar" if used else "rest",
        x=n(before_h * scale),
        y="1",
        width=n(max(hours * scale, 0.4)),
        height="8",
    )
    words = "used" if used else "left out"
    bar = tag("svg", drawn, class_="row", viewBox="0 0 100 10", aria_hidden="true")
    return tag("div", bar, " ", tag("span", text(words), class_="whole"), class_="bars")


def service(matter: Matter) -> Markup:
    """Return the service calendar, nothing where there is none."""
    jobs = matter.assessment.service
    if not jobs:
        return NOTHING
    rows = [
        (for_html(due.name), text(when_due(due, matter.made_s)), text(last_done(due)))
        for due in jobs
    ]
    caption = "Jobs by the unit's manual, as this boat uses it"
    return joined(heading("Service"), table(caption, ("job", "when", ""), rows, "ttt"))
