"""The exchange sheet: the old unit's record, the new one's first hours, and what to measure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.estimate import Span
from analysis.exchange.record import counter_words, plain
from analysis.figures import charge, clock, day, energy, figure_with_ends
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.page.html import frame, page_kind
from analysis.show.page.identity import Identity, block, signatures
from analysis.show.page.pieces import heading, joined, listing, paragraphs, table, tag, text
from analysis.show.phrases import decline_sentence, output_clause, sentence
from analysis.show.verdict_words import VERDICT_WORDS
from analysis.text import counted, for_html
from analysis.units import owner

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.exchange.record import Unit
    from analysis.exchange.units import Exchanged
    from analysis.installation.result import Figures

_TITLE = "Exchange sheet"
SHEET = page_kind("exchange sheet", _TITLE)
_BLANK = tag("span", "\N{NO-BREAK SPACE}", class_="pen")
_MEASURE = (
    ("counter of the old unit, read off", "h"),
    ("counter of the new unit, read off", "h"),
    ("current of the new unit at full output, clamp meter", "A"),
    ("voltage at its terminals, in that run", "V"),
    ("voltage at the battery's posts, in that run", "V"),
    ("voltage lost along both leads, added", "V"),
)
_WARM = "compartment, after an hour of running"
_NEXT = (
    "Restart the logger, so that the new unit has a log of its own.",
    "Look at type, design_life_h and [unit] in the configuration: they may be another unit's.",
    (
        "Let the new unit run from a battery well below full, for 20 hours in all; then 'ebbwatt "
        "exchange --sheet-only FILE' puts both units side by side."
    ),
    "Compare the current with a clamp meter in a run: 'ebbwatt event add reading'.",
    "Tick the fitter's check list: 'ebbwatt event tick'; 'ebbwatt report --commissioning FILE'.",
)


def sheet(found: Exchanged, who: Identity, made_s: float, version: str) -> str:
    """Return the sheet as one self-contained page; ``made_s`` is Unix time."""
    e = found.exchange
    body = joined(
        block(who, found.label, e.new.counter_h, day(made_s)),
        tag("p", text(f"Exchanged {clock(found.time_s)} by "), for_html(e.who), "."),
        _units(found),
        _record(found),
        _side_by_side(found),
        _measure(),
        heading("What to do next"),
        listing((text(step) for step in _NEXT), "ol"),
        tag(
            "section",
            heading("Cautions"),
            listing(
                joined(tag("strong", text(f"{c.title}.")), " ", text(c.brief)) for c in CAUTIONS
            ),
            class_="cautions",
            aria_label="Cautions",
        ),
        signatures(("exchanged by (name, firm)", "date", "signature", "owner's signature")),
    )
    footer = (
        f"Dates are year-month-day, {owner().days_of()}. Intervals are 90 %. Output in % of "
        f"rated. {LIMITS}"
    )
    made = f"Made {clock(made_s)} by ebbwatt {version}."
    return frame(_TITLE, found.label, made, body, footer, version)


def _units(found: Exchanged) -> Markup:
    def cells(unit: Unit) -> tuple[Markup, Markup, Markup]:
        serial = for_html(unit.serial) if unit.serial else _BLANK
        rated = f"{plain(unit.rated_w)} W"
        return serial, text(rated), text(counter_words(unit.counter_h))

    old, new = cells(found.exchange.old), cells(found.exchange.new)
    names = ("serial number", "rated output", "hour counter")
    rows = [(text(n), a, b) for n, a, b in zip(names, old, new, strict=True)]
    return table("The two units at the exchange", ("", "old", "new"), rows, "ttt")


def _record(found: Exchanged) -> Markup:
    """Return what the old unit was at its end."""
    a = found.old
    span = "the log is empty"
    if a.observed_from_s is not None and a.observed_to_s is not None:
        span = f"{day(a.observed_from_s)} to {day(a.observed_to_s)}"
    use = f"{a.running_hours:.0f} h in {counted(a.runs, 'run')}, {energy(a.energy_kwh)}"
    said = [
        f"Log: {span}; {use}, {charge(a.charge_ah)}.",
        f"Verdict at its end: {VERDICT_WORDS[a.verdict]}. The charger {output_clause(a)}.",
        decline_sentence(a),
        *(
            f"A sudden change of {100 * s.change:+.0f} % of rated at {s.runtime_h:.0f} h, "
            f"{day(s.time_s)}."
            for s in a.steps
        ),
    ]
    counter = found.exchange.old.counter_h
    if counter is not None and a.at_runtime_h is not None and abs(counter - a.at_runtime_h) > 2.0:
        said.append(
            f"Its counter was read as {counter_words(counter)}; the log knows "
            f"{a.at_runtime_h:.0f} h."
        )
    return joined(
        heading("The old unit's record"), paragraphs(*(sentence(words) for words in said))
    )


def _side_by_side(found: Exchanged) -> Markup:
    """Return the old unit's last running hours against the new one's first."""
    head = heading("The new unit's first hours against the old unit's last")
    old, new = found.old_end, found.new_begin
    if new is None:
        words = (
            "The log holds no running of the new unit yet. Make this sheet again when it has run "
            "for 20 hours: 'ebbwatt exchange --sheet-only FILE'."
        )
        return joined(head, paragraphs(words))
    rows: list[tuple[str, ...]] = [
        (text(name), text(_shown(old, name)), text(_shown(new, name)))
        for name in _FIGURES
        if any(_span(f, name)[0] != Span() for f in (old, new) if f is not None)
    ]
    rows.append((text("running hours"), *(text(_hours(f)) for f in (old, new))))
    rows.append((text("dates"), *(text(_dates(f)) for f in (old, new))))
    note = "Output in % of each unit's own rating."
    few = "" if new.running_hours >= 19.5 else "The comparison is surer after 20 h."
    return joined(
        head,
        table("By the log", ("", "old, at its end", "new, at its beginning"), rows, "ttt"),
        paragraphs(f"{note} {few}".strip()),
    )


_FIGURES = ("reached output", "loop resistance", "compartment warms by")


def _span(f: Figures, name: str) -> tuple[Span, str, float]:
    return {
        "reached output": (f.output, "%", 100.0),
        "loop resistance": (f.loop.ohm, "mOhm", 1000.0),
        "compartment warms by": (f.rise_k, "K", 1.0),
    }[name]


def _shown(f: Figures | None, name: str) -> str:
    return "not known" if f is None else figure_with_ends(*_span(f, name))


def _hours(f: Figures | None) -> str:
    return "none" if f is None else f"{f.running_hours:.0f} h"


def _dates(f: Figures | None) -> str:
    return "" if f is None else f"{day(f.from_s)} to {day(f.to_s)}"


def _measure() -> Markup:
    rows = [
        (text(what), tag("span", _BLANK, " ", text(unit), class_="whole"))
        for what, unit in (*_MEASURE, (_WARM, owner().units.degree))
    ]
    return joined(
        heading("Measured at the exchange"), table("For the pen", ("what", "seen"), rows, "tt")
    )
