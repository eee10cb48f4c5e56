"""The fleet as one self-contained page: who needs a visit, what to order, how each one fades."""

from __future__ import annotations

import os
from datetime import UTC
from typing import TYPE_CHECKING
from urllib.parse import quote

from markupsafe import Markup

from analysis.figures import chance_words, day, ends, figure, minute
from analysis.fleet.listing import QUARTER_S
from analysis.fleet.ranking import MEASURE_FIRST, STANDING_WORDS, Standing, may_order
from analysis.show.cautions import SHORT
from analysis.show.page.html import frame, page_kind
from analysis.show.page.pieces import (
    NOTHING,
    heading,
    joined,
    listing,
    paragraphs,
    table,
    tag,
    text,
)
from analysis.show.page.plots.svg import Drawing, Scale
from analysis.show.page.style import STYLE
from analysis.show.screen.fleet import WHEN, forecasts, not_counted
from analysis.text import counted, for_html, harmless

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.fleet.listing import FleetList, Group
    from analysis.fleet.ranking import Boat

_TITLE = "Fleet"
FLEET_PAGE = page_kind("fleet page", _TITLE)
#: More small plots than this are no overview; the most urgent boats are drawn.
MOST_CURVES = 60
_WIDTH, _HEIGHT = 200.0, 120.0
#: The small plots begin at half of rated output: it is below any usual limit. If a boat gives less,
#: they begin at nothing.
_LEAST = 0.5
_STYLE = STYLE + Markup("""
.many { display: grid; grid-template-columns: repeat(auto-fill, minmax(10.5rem, 1fr));
  gap: .5rem 1rem; margin: .5rem 0; }
.many figure { margin: 0; }
.many figcaption { overflow-wrap: anywhere; }
.many .odd { stroke-width: 3.5; }
svg .bar { fill: var(--band); stroke: var(--seen); }
li .whole { display: inline-block; white-space: normal; }
""")


def fleet_page(listed: FleetList, label: str, version: str, folder: Path | None = None) -> str:
    """Return the page.

    Parameters
    ----------
    listed
        The fleet.
    label
        Names the fleet (its folder).
    version
        Of the program.
    folder
        Where the page will lie, for the links to the boats' own reports; none if left out.
    """
    body = [_counts(listed), _visits(listed, folder)]
    body += [_demand(group, k, listed.now_s) for k, group in enumerate(listed.groups)]
    body += [_fuel(listed), _curves(listed), _cautions()]
    return frame(
        _TITLE,
        label,
        f"{counted(len(listed.boats), 'boat')}. Made {minute(listed.now_s, UTC)} UTC by "
        f"ebbwatt {version}.",
        joined(*body),
        "Percentages are of rated output unless said otherwise. Dates are year-month-day by each "
        "boat's own days. "
        "Intervals are 90 %.",
        version,
        _STYLE,
    )


def _counts(listed: FleetList) -> Markup:
    inside = [
        tag("div", tag("dt", text(STANDING_WORDS[s])), tag("dd", str(n)))
        for s in Standing
        if (n := sum(b.standing is s for b in listed.boats))
    ]
    return tag("dl", *inside, class_="facts")


def _visits(listed: FleetList, folder: Path | None) -> Markup:
    """Return the ranked boats as a list, which reads on a phone as well as on a desk."""
    items = [
        joined(
            tag("strong", text(STANDING_WORDS[boat.standing])),
            " ",
            _linked(boat, folder),
            ": ",
            tag("bdi", text(harmless(boat.reason, 240))),
            Markup("<br>"),
            tag("span", unbroken(_facts(boat)), class_="quiet small"),
        )
        for boat in listed.boats
    ]
    return joined(
        heading("Who needs a visit"),
        paragraphs(
            "The most urgent first. The chance is that of meeting any of the limits within "
            f"{listed.horizon_days} days.",
            "Sisters are chargers of the same type. Where they tell more, the hours left stand "
            "twice: by the boat's own log alone, and with the sisters."
            if any(boat.with_sisters is not None for boat in listed.boats)
            else "",
            MEASURE_FIRST if may_order(listed.boats) else "",
        ),
        listing(items, "ol"),
    )


def unbroken(facts: list[str]) -> Markup:
    """Return the facts so that a line breaks only between them or before a date."""
    pieces: list[str] = []
    for fact in facts:
        first, *later = fact.split(WHEN)
        whole = [first, *(f"{WHEN.removeprefix(', ')}{part}" for part in later)]
        # The mark belongs to what stands before it: no line begins with one.
        pieces += [f"{piece}," for piece in whole[:-1]] + [f"{whole[-1]};"]
    pieces[-1] = pieces[-1].removesuffix(";")
    return Markup(" ").join(tag("span", text(piece), class_="whole") for piece in pieces)


def _linked(boat: Boat, folder: Path | None) -> Markup:
    """Return the boat's name, which leads to its own report where there is one."""
    name = for_html(boat.label, 80)
    if boat.report is None or folder is None:
        return name
    path = os.path.relpath(boat.report.absolute(), folder.absolute())
    return tag("a", name, href=quote(path))


def _facts(boat: Boat) -> list[str]:
    """Return the figures of a boat, each in a few words."""
    facts = boat.facts
    if facts is None:
        return [boat.key]
    told = []
    if facts.output.median is not None:
        told.append(f"output {figure(facts.output, '%', 100.0)}")
    told += forecasts(boat)
    # Where a limit is near, the reason has said it.
    if (
        facts.verdict != "replace"
        and boat.chance is not None
        and boat.standing is not Standing.LIMIT_NEAR
    ):
        told.append(f"chance {chance_words(boat.chance)}")
    return [*told, f"log until {day(facts.until_s, facts.zone)}"]


def _demand(group: Group, number: int, now_s: float) -> Markup:
    """Return the units that one type will need, as a plot and in figures."""
    most = max(1, *(q.high for q in group.demand))
    most += most % 2 if most > 1 else 0  # so that half of it is a whole unit
    drawing = Drawing(380.0, 170.0, f"demand-{number}")
    across = Scale(0.5, len(group.demand) + 0.5, 40.0, 372.0)
    up = Scale(0.0, float(most), 140.0, 12.0)
    for level in sorted({0, most // 2, most}):
        drawing.line(40.0, up.at(level), 372.0, up.at(level), "grid")
        drawing.text(34.0, up.at(level) + 4.0, str(level), anchor="end")
    for q in group.demand:
        x = across.at(q.number)
        drawing.box(x - 12.0, up.at(q.mean), 24.0, 140.0 - up.at(q.mean), "bar")
        drawing.line(x, up.at(q.low), x, up.at(q.high), "span")
        drawing.text(x, 158.0, str(q.number), anchor="middle")
    name = harmless(group.name)
    words = "; ".join(f"quarter {q.number}: {q.low} to {q.high}" for q in group.demand)
    plot = drawing.render(f"Units needed by quarter, {name}", words, "small")
    heard = (
        f"{group.old} of them have lost more than half of what a charger may lose; "
        + ("forecasts with sisters rest on these." if group.old >= 3 else
           "forecasts with sisters need three of these.")
    )  # fmt: skip
    rows = [
        (str(q.number), day(now_s + QUARTER_S * q.number, UTC), f"{q.mean:.1f}",
         f"{q.low} to {q.high}")
        for q in group.demand
    ]  # fmt: skip
    caption = (
        "Units that meet the replacement limit, by quarter from now: mean (bar) and 90 % interval "
        "(line). The last quarters come out low: a limit too far ahead for a log is not in it."
    )
    head = ("quarter", "until", "mean", "90 % interval")
    figures = table("Units by quarter from now", head, rows, "nnnn")
    return joined(
        tag("h2", "Units needed: ", for_html(group.name)),
        paragraphs(f"{counted(group.boats, 'boat')}. {heard}", not_counted(group)),
        tag("figure", plot, tag("figcaption", caption)),
        tag("details", tag("summary", "In figures"), figures),
    )


def _fuel(listed: FleetList) -> Markup:
    rows = [
        (
            for_html(group.name),
            text(f"{group.fuel.boats} of {group.boats}"),
            text(figure(group.fuel.litres)),
            text(ends(group.fuel.litres)),
        )
        for group in listed.groups
        if group.fuel.litres.median is not None
    ]
    if not rows:
        return NOTHING
    head = ("type", "boats", "L a year", "90 % interval")
    caption = "Fuel a year, by the last year of each log"
    why = (
        "A boat that has not logged a whole year may be laid up in the rest of it: so the low end "
        "can lie further from the figure than the high one."
    )
    return joined(heading("Fuel by type"), table(caption, head, rows, "tnnn"), paragraphs(why))


def _curves(listed: FleetList) -> Markup:
    """Return the fade of each charger as a small plot on one scale."""
    drawn = [b for b in listed.boats if b.facts is not None and len(b.facts.course) > 1]
    if not drawn:
        return NOTHING
    outputs = [y for b in drawn if b.facts is not None for _, y in b.facts.course]
    edges = (
        max(b.facts.course[-1][0] for b in drawn if b.facts is not None),
        _LEAST if min(outputs) >= _LEAST else 0.0,
        min(max(1.1, *outputs), 2.0),
    )
    plots = [_curve(boat, k, *edges) for k, boat in enumerate(drawn[:MOST_CURVES])]
    odd = [for_html(b.label) for b in drawn if b.odd]
    faster = paragraphs("These fade faster than their sisters, and are drawn bold:")
    named = joined(faster, listing(odd)) if odd else NOTHING
    left = len(drawn) - MOST_CURVES
    more = paragraphs(f"{left} more boats are not drawn.") if left > 0 else NOTHING
    scale = (
        f"Output, {100 * edges[1]:.0f} to {100 * edges[2]:.0f} % of rated, over 0 to "
        f"{edges[0]:.0f} running hours, all on one scale; the dotted line is rated output."
    )
    head = heading("How each one fades")
    return joined(head, named, paragraphs(scale), tag("div", *plots, class_="many"), more)


def _curve(boat: Boat, number: int, longest_h: float, lowest: float, highest: float) -> Markup:
    course = () if boat.facts is None else boat.facts.course
    drawing = Drawing(_WIDTH, _HEIGHT, f"fade-{number}")
    across = Scale(0.0, max(longest_h, 1.0), 2.0, _WIDTH - 2.0)
    up = Scale(lowest, highest, _HEIGHT - 2.0, 2.0)
    drawing.line(2.0, up.at(lowest), _WIDTH - 2.0, up.at(lowest), "axis")
    drawing.line(2.0, up.at(1.0), _WIDTH - 2.0, up.at(1.0), "limit")
    shown = [(h, y) for h, y in course if up.holds(y) and across.holds(h)]
    pen = "fit odd" if boat.odd else "fit"
    drawing.path([across.at(h) for h, _ in shown], [up.at(y) for _, y in shown], pen)
    last = f"{100 * shown[-1][1]:.0f} % at {shown[-1][0]:.0f} h" if shown else "nothing to draw"
    return tag(
        "figure",
        drawing.render(f"Output of {harmless(boat.label)}", last),
        tag("figcaption", for_html(boat.label), text(f": {STANDING_WORDS[boat.standing]}, {last}")),
    )


def _cautions() -> Markup:
    words = SHORT.removeprefix("Cautions: ")
    replaces = "The list ranks visits; it does not replace an inspection on board."
    return tag(
        "section",
        heading("Cautions"),
        paragraphs(words[0].upper() + words[1:], replaces),
        class_="cautions",
    )
