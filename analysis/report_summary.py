"""The report in the terminal: about 25 lines that say the same as the page."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.cautions import SHORT
from analysis.figures import date_ends, date_figure, day, ends, energy, figure, figure_with_ends
from analysis.report_tables import faults_in_words, use_rows, years
from analysis.report_words import (
    VERDICT_SIGNS,
    VERDICT_WORDS,
    decline_sentence,
    next_actions,
    output_clause,
    remaining_sentence,
    sentence,
    until_clause,
)
from analysis.text import for_encoding, harmless

if TYPE_CHECKING:
    from analysis.report_sections import Matter

#: Width of the names at the left.
_NAMES = 11


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the summary; ``strong`` ones are shown bold where the terminal can."""

    text: str
    strong: bool = False


def summary(matter: Matter, width: int = 80, encoding: str = "utf-8") -> list[Line]:
    """Return the summary as lines of at most ``width`` columns that ``encoding`` can carry."""
    width = max(40, min(width, 100))
    a = matter.assessment
    lines = [
        Line(_fit(f"{harmless(a.label, 40)}, rated {a.rated_w:.0f} W{_fitted(matter)}", width)),
        *_strong(f"[{VERDICT_SIGNS[a.verdict].strip()}] {VERDICT_WORDS[a.verdict]}", width),
    ]
    for name, text in _entries(matter):
        lines.extend(_entry(name, text, width))
    if matter.comparison is not None:
        lines.extend(_comparison(matter, width))
    lines.extend(Line(piece) for piece in textwrap.wrap(SHORT, width))
    return [Line(for_encoding(line.text, encoding), line.strong) for line in lines]


def _fitted(matter: Matter) -> str:
    fitted = matter.assessment.fitted
    return f", fitted {fitted}" if fitted else ""


def _strong(text: str, width: int) -> list[Line]:
    return [Line(piece, strong=True) for piece in textwrap.wrap(text, width)]


def _entry(name: str, text: str, width: int) -> list[Line]:
    first = f"{name:<{_NAMES}}"
    pieces = textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=" " * _NAMES, break_on_hyphens=False
    )
    return [Line(piece) for piece in pieces]


def _entries(matter: Matter) -> list[tuple[str, str]]:
    a = matter.assessment
    if a.runs == 0:
        return [
            ("output", "The log holds no running of this charger, so nothing can be said."),
            *[("why", sentence(harmless(r.text, 300))) for r in a.reasons],
            ("log", _log(matter)),
            *_advice(matter),
        ]
    return [
        ("output", f"The charger {output_clause(a)}{_watts(matter)}."),
        ("decline", decline_sentence(a)),
        *[("step", _step(matter, i)) for i in range(len(a.steps))][-3:],
        *_remaining(matter),
        *[("why", sentence(harmless(r.text, 300))) for r in a.reasons[:3]],
        ("used", _used(matter)),
        ("use", _use(matter)),
        ("log", _log(matter)),
        *_advice(matter),
    ]


def _watts(matter: Matter) -> str:
    a = matter.assessment
    if a.output.median is None:
        return ""
    return f": {figure_with_ends(a.output, 'W', a.rated_w)}"


def _step(matter: Matter, place: int) -> str:
    step = matter.assessment.steps[place]
    return (
        f"{100 * step.change:+.0f} % of rated at {step.runtime_h:.0f} h, {day(step.time_s)} "
        f"({100 * step.low:+.0f} to {100 * step.high:+.0f} %)"
    )


def _remaining(matter: Matter) -> list[tuple[str, str]]:
    a = matter.assessment
    if a.remaining_h.median is None or a.remaining_h.median <= 0:
        return [("remaining", remaining_sentence(a))]
    hours = f"{figure(a.remaining_h, 'h')}"
    both = ends(a.remaining_h, "h")
    entries = [("remaining", f"{hours}{f' ({both})' if both else ''} until it {until_clause(a)}.")]
    if a.remaining_date.median is not None:
        span = date_ends(a.remaining_date)
        date = f"{date_figure(a.remaining_date)}{f' ({span})' if span else ''}"
        entries.append(("date", f"{date}, if the boat is used as before"))
    return entries


def _used(matter: Matter) -> str:
    used = [row for row in use_rows(matter.assessment) if row.used]
    out = [row for row in use_rows(matter.assessment) if not row.used]
    inside = "; ".join(f"{row.runs} runs, {harmless(row.what)}" for row in used) or "no run"
    if not out:
        return f"{inside}. Nothing was left out."
    reasons = ", ".join(f"{harmless(row.what, 60)} {row.hours:.0f} h" for row in out[:3])
    further = len(out) - 3
    more = f" and {further} more reason{'s' * (further > 1)}" if further > 0 else ""
    return f"{inside}. Left out: {reasons}{more}."


def _use(matter: Matter) -> str:
    a = matter.assessment
    text = f"{a.running_hours:.0f} h, {energy(a.energy_kwh)}, {a.charge_ah:.0f} Ah in {a.runs} runs"
    last = years(a.run_table)[-3:]
    if len(last) > 1:
        text += "; by year " + ", ".join(f"{y.label}: {y.energy_kwh:.1f} kWh" for y in last)
    return text


def _log(matter: Matter) -> str:
    a = matter.assessment
    span = "empty"
    if a.observed_from_s is not None and a.observed_to_s is not None:
        span = f"{day(a.observed_from_s)} to {day(a.observed_to_s)}"
    return f"{span}; faults: {faults_in_words(matter.events)}"


def _advice(matter: Matter) -> list[tuple[str, str]]:
    actions = [harmless(item, 300) for item in next_actions(matter.assessment)]
    return [("next", actions[0]), *[("", item) for item in actions[1:3]]]


def _comparison(matter: Matter, width: int) -> list[Line]:
    assert matter.comparison is not None  # noqa: S101 - the caller has looked
    lines = [*_strong(matter.comparison.headline, width)]
    for change in matter.comparison.changes:
        tail = f" ({change.change})" if change.change else ""
        lines.extend(_wide_entry(change.what, f"{change.then} -> {change.now}{tail}", width))
    for note in matter.comparison.notes:
        lines.extend(_entry("mind", note, width))
    return lines


def _wide_entry(name: str, text: str, width: int) -> list[Line]:
    pieces = textwrap.wrap(text, width, initial_indent=f"{name:<20}", subsequent_indent=" " * 20)
    return [Line(piece) for piece in pieces]


def _fit(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 3] + "..."
