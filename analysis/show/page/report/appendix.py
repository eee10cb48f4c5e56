"""The appendix: what a customer need not read; it folds away on a screen."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.glossary import GLOSSARY
from analysis.show.page.pieces import (
    NOTHING,
    joined,
    listing,
    paragraphs,
    table,
    tag,
    text,
)
from analysis.show.page.plots.axes import NARROW, WIDE
from analysis.show.page.plots.use_plot import use_plot
from analysis.show.page.report import inputs_part, load_part
from analysis.show.page.report.evidence import remaining
from analysis.show.page.report.output import over_dates
from analysis.show.tables import faults, noted, quarters, years
from analysis.text import for_html
from analysis.units import in_degrees, owner

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.show.matter import Matter

WORDS = "What the words mean"
#: More rows of events than this are summed up; the report stays a few pages.
MOST_EVENTS = 10


def inputs(matter: Matter) -> Markup:
    """Return what the data say about themselves."""
    return inputs_part.section(matter.assessment.inputs)


def use(matter: Matter) -> Markup:
    """Return use and energy by season."""
    a = matter.assessment
    by_quarter = quarters(a.run_table)
    if not by_quarter:
        return paragraphs("No energy was logged.")
    plots = [use_plot(by_quarter, matter.events, size, "use") for size in (WIDE, NARROW)]
    rows = [
        (y.label, str(y.runs), f"{y.hours:.0f}", f"{y.energy_kwh:.1f}", f"{y.charge_ah:.0f}")
        for y in years(a.run_table)
    ]
    sums = (f"{a.running_hours:.0f}", f"{a.energy_kwh:.1f}", f"{a.charge_ah:.0f}")
    caption = text(f"Energy delivered, by quarter of the year ({owner().days_of()}).")
    return joined(
        tag("figure", *plots, tag("figcaption", caption)),
        table(
            "Use by calendar year",
            ("year", "runs", "hours", "energy, kWh", "charge, Ah"),
            [*rows, ("all", str(a.runs), *sums)],
            "tnnnn",
        ),
    )


def load(matter: Matter) -> Markup:
    """Return what the boat draws a day."""
    if matter.load is None:
        return NOTHING
    return joined(load_part.figures(matter.load), paragraphs(load_part.words(matter.load)))


def log_events(matter: Matter) -> Markup:
    """Return what people noted and what went wrong with the log itself."""
    everything = noted(matter.events)
    rows = [
        (
            text(day(row.time_s)),
            text(row.what),
            "" if row.amount_l is None else text(owner().units.litres(row.amount_l)),
            for_html(row.note),
        )
        for row in everything[:MOST_EVENTS]
    ]
    parts = []
    if rows:
        caption = "What people noted, newest first"
        if len(everything) > len(rows):
            caption += f" ({len(everything) - len(rows)} earlier ones are not shown)"
        parts.append(table(caption, ("date", "event", "", "note"), rows, "ttnt"))
    else:
        parts.append(paragraphs("No event is recorded ('ebbwatt event add' records one)."))
    wrong = [
        (text(f.text), str(f.count), text(f.amount), text(day(f.last_s)))
        for f in faults(matter.events)
    ]
    if wrong:
        heads = ("what", "count", "in all", "last")
        parts.append(table("Faults of the log itself", heads, wrong, "tnnt"))
    else:
        parts.append(paragraphs("The logger noted no fault of its own."))
    return joined(*parts)


def cautions(_: Matter) -> Markup:
    """Return the cautions whole, with the published source of each."""
    items = [
        joined(
            tag("strong", text(f"{c.title}.")),
            " ",
            text(in_degrees(c.text)),
            " ",
            tag("span", "(", text(c.source), ")", class_="quiet"),
        )
        for c in CAUTIONS
    ]
    return joined(listing(items), paragraphs(LIMITS))


def energy_check(_: Matter) -> Markup:
    """Return how the energy is added up by hand."""
    return paragraphs(
        "Any SQLite program opens the database; the column energy_mj of its table intervals, "
        "divided by 3.6e9, adds up to the energy of the first page in kWh."
    )


def words(_: Matter) -> Markup:
    """Return what the words of the report mean."""
    return listing(
        joined(
            tag("strong", text(word)),
            ": ",
            text(in_degrees(told)),
            ".",
        )
        for word, told in GLOSSARY
    )


#: The parts, each with its title.
PARTS = (
    (WORDS, words),
    ("Cautions in full, with their sources", cautions),
    ("Remaining life in figures", remaining),
    ("What the data say about themselves", inputs),
    ("Available output over dates", over_dates),
    ("Use by season", use),
    ("Load", load),
    ("Events, and faults of the log", log_events),
    ("How to add up the energy by hand", energy_check),
)


def _anchor(title: str) -> str:
    """Return the name by which a part of the page is linked to."""
    return "-".join(re.findall(r"[a-z]+", title.lower()))


#: Where the words are explained, for links in the page.
LINK_TO_WORDS = f"#{_anchor(WORDS)}"


def appendix(matter: Matter) -> Markup:
    """Return each part under a title that opens it; all are open in the full report."""
    opened = {"open": ""} if matter.full else {}
    return joined(
        *(
            tag("details", tag("summary", text(title)), inside, id=_anchor(title), **opened)
            for title, part in PARTS
            if (inside := part(matter))
        )
    )
