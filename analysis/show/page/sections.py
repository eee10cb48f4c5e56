"""The sections of the report page, each a function from what is known to a piece of HTML."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import (
    date_ends,
    date_figure,
    day,
    ends,
    energy,
    figure,
    figure_with_ends,
    rounded,
)
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.freshness import as_of
from analysis.show.page import inputs_part, load_part
from analysis.show.page.identity import Identity, block, signatures
from analysis.show.page.output_plot import (
    NARROW,
    WIDE,
    below_the_plot,
    marked_events,
    output_plot,
    use_plot,
)
from analysis.show.page.svg import AT_LEAST, CIRCLE, CROSS
from analysis.show.phrases import (
    actions,
    decline_sentence,
    remaining_sentence,
    sentence,
    until_clause,
    verdict_sentence,
)
from analysis.show.service import last_done, when_due
from analysis.show.tables import (
    PERSON_WORDS,
    faults,
    noted,
    quarters,
    use_rows,
    years,
)
from analysis.text import BEFORE_UNIT, counted, for_html, harmless

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.assessment.document import Assessment
    from analysis.load.daily import LoadResult
    from analysis.show.comparison import Comparison
    from logger.event import Event

#: More rows of events than this are summed up; the report stays a few pages.
MOST_EVENTS = 10


@dataclass(frozen=True, slots=True)
class Matter:
    """All that a report is written from."""

    assessment: Assessment
    events: tuple[Event, ...]
    made_s: float
    """Unix time at which the report was made."""
    version: str
    comparison: Comparison | None = None
    load: LoadResult | None = None
    identity: Identity = field(default_factory=Identity)


#: Units in plain letters, for terminals, and in the signs that a page can print.
_SIGNS = {
    "mOhm": "m\N{GREEK CAPITAL LETTER OMEGA}",
    "mm2": "mm\N{SUPERSCRIPT TWO}",
    "cm2": "cm\N{SUPERSCRIPT TWO}",
    "m3": "m\N{SUPERSCRIPT THREE}",
    "degC": "\N{DEGREE SIGN}C",
    "degF": "\N{DEGREE SIGN}F",
}
_PLAIN = re.compile(rf"\b({'|'.join(_SIGNS)})\b")


def text(words: str) -> str:
    """Escape a text of our own, units in signs; a figure keeps its unit beside it."""
    words = _PLAIN.sub(lambda found: _SIGNS[found[1]], words)
    return escape(BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", words), quote=False)


_DATE = re.compile(r"\d{4}-\d\d-\d\d")


def _whole(cell: str) -> str:
    """Keep each date in a piece of HTML on one line."""
    return _DATE.sub(r'<span class="whole">\g<0></span>', cell)


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]], numeric: str) -> str:
    """Return a table; cells are HTML already; ``numeric`` has an 'n' for each column of figures."""

    def kind(place: int) -> str:
        return ' class="n"' if numeric[place] == "n" else ""

    head = "".join(f'<th scope="col"{kind(i)}>{text(h)}</th>' for i, h in enumerate(heads))
    body = "".join(
        "<tr>"
        + "".join(
            f'<th scope="row"{kind(i)}>{cell}</th>' if i == 0 else f"<td{kind(i)}>{cell}</td>"
            for i, cell in enumerate(row)
        )
        + "</tr>"
        for row in rows
    )
    return (
        f'<div class="scroll"><table><caption>{text(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def paragraphs(*texts: str) -> str:
    """Return paragraphs of our own texts."""
    return "".join(f"<p>{text(t)}</p>" for t in texts if t)


def listing(items: Iterable[str], kind: str = "ul") -> str:
    """Return a list; items are HTML already."""
    inside = "".join(f"<li>{item}</li>" for item in items)
    return f"<{kind}>{inside}</{kind}>" if inside else ""


def verdict(matter: Matter) -> str:
    """Return the verdict box and the row of key figures."""
    a = matter.assessment
    reasons = [for_html(sentence(r.text), 400) for r in a.reasons]
    facts = [
        (f"available output {as_of(a.observed_to_s)}", _watts(a)),
        ("running hours seen", f"{a.running_hours:.0f} h in {counted(a.runs, 'run')}"),
        ("energy and charge", f"{energy(a.energy_kwh)}, {a.charge_ah:.0f} Ah"),
        ("log", _observed(a)),
    ]
    if a.since_start.median is not None:
        facts.insert(1, ("of what it gave when the log began", _since_start(a)))
    inside = "".join(
        f"<div><dt>{_whole(text(name))}</dt><dd>{_whole(text(value))}</dd></div>"
        for name, value in facts
    )
    return (
        f'<div class="verdict {a.verdict}"><p><strong>{text(verdict_sentence(a))}</strong></p>'
        f"{paragraphs(remaining_sentence(a)) if a.runs else ''}</div>"
        f'<dl class="facts">{inside}</dl>{listing(reasons)}'
    )


def _watts(a: Assessment) -> str:
    return figure_with_ends(a.output, "W", a.rated_w)


def _since_start(a: Assessment) -> str:
    return figure_with_ends(a.since_start, "%", 100)


def _observed(a: Assessment) -> str:
    if a.observed_from_s is None or a.observed_to_s is None:
        return "empty"
    return f"{day(a.observed_from_s)} to {day(a.observed_to_s)}"


#: What the marks of the plots mean, each with the class by which it is found in a plot.
_KEY = (
    (f'<path class="seen" d="M14 7{CIRCLE}"/>', "run: the charger itself set the current", "seen"),
    (
        f'<path class="atleast" d="M14 7{AT_LEAST}"/>',
        "run: the battery set it, a lower bound",
        "atleast",
    ),
    (f'<path class="out" d="M14 7{CROSS}"/>', "run left out", "out"),
    (
        '<rect class="band" width="28" height="14"/><path class="fit" d="M0 7h28"/>',
        "fit, 90 %",
        "fit",
    ),
    (
        '<rect class="band ahead" width="28" height="14"/><path class="fit ahead" d="M0 7h28"/>',
        "forecast, 90 %",
        "fit ahead",
    ),
    (
        (
            '<path class="span" d="M2 7h24M2 2v10M26 2v10"/><path class="middle" '
            'd="M9.5 7l4.5-4.5l4.5 4.5l-4.5 4.5z"/>'
        ),
        "when the replacement limit is met, 90 %",
        "span",
    ),
)


def output(matter: Matter) -> str:
    """Return the two plots of available output, their key, and the fit in figures."""
    a = matter.assessment
    runs = a.run_table
    drawable = runs is not None and bool(
        np.any(np.isfinite(runs.fraction) & np.isfinite(runs.runtime_h))
    )
    if not drawable:
        return "<h2>Available output</h2>" + paragraphs(
            "There is nothing to draw yet: no run in the log tells the output."
        )
    figures = _figure(matter, "hours", "Available output over running hours: wear follows hours.")
    key = "".join(
        f'<li><svg viewBox="0 0 28 14" aria-hidden="true">{mark}</svg> {text(words)}</li>'
        for mark, words, kind in _KEY
        if f'class="{kind}"' in figures
    )
    marks = [
        f"{day(e.time_s)} {PERSON_WORDS[e.kind]}: {for_html(e.text)}"
        for e in marked_events(matter.events)
    ]
    numbered = (
        "<div class='marks'><p class='small'>Numbers at the top of the plots:</p>"
        f"{listing(marks, 'ol')}</div>"
        if marks
        else ""
    )
    return (
        f'<h2>Available output</h2><ul class="key">{key}</ul>{figures}{numbered}'
        f"{paragraphs(decline_sentence(a), *_steps(a), _below(a))}"
    )


def over_dates(matter: Matter) -> str:
    """Return the plot of available output over dates, and the fit in figures."""
    runs = matter.assessment.run_table
    if runs is None or not np.any(np.isfinite(runs.fraction) & np.isfinite(runs.runtime_h)):
        return ""
    words = (
        "The same over dates: what the owner remembers follows dates. Marks as on the plot before."
    )
    return (
        f"<h2>Available output over dates</h2>{_figure(matter, 'dates', words)}"
        f"{_course(matter.assessment)}"
    )


def _figure(matter: Matter, name: str, words: str) -> str:
    plots = _both(matter.assessment, matter.events, dates=name == "dates", name=name)
    return f"<figure>{plots}<figcaption>{text(words)}</figcaption></figure>"


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
        days = ", ".join(day(float(runs.start_s[row])) for row in rows[:3])
        more = f" and {len(rows) - 3} more" if len(rows) > 3 else ""
        parts.append(f"{harmless(reason, 120).removeprefix('left out: ')} ({days}{more})")
    return f"Runs below the plot were left out: {'; '.join(parts)}."


def _both(a: Assessment, events: Sequence[Event], *, dates: bool, name: str) -> str:
    sizes = [replace(size, height=size.height - 80) if dates else size for size in (WIDE, NARROW)]
    return "".join(output_plot(a, events, size, dates=dates, name=name) for size in sizes)


def _steps(a: Assessment) -> list[str]:
    return [
        f"A sudden change of {100 * s.change:+.0f} % of rated at {s.runtime_h:.0f} h, "
        f"{day(s.time_s)} ({100 * s.low:+.0f} to {100 * s.high:+.0f} %); it is kept out of the "
        f"decline."
        for s in a.steps
    ]


def _course(a: Assessment) -> str:
    """Return the fitted course as a table: the plot in figures."""
    curve = a.curve
    if curve is None or len(curve.runtime_h) < 2:
        return ""
    last = curve.runtime_h[-1]
    stops = np.unique(
        np.round(
            np.append(
                np.linspace(curve.runtime_h[0], min(curve.forecast_from_h, last), 5),
                np.linspace(min(curve.forecast_from_h, last), last, 4),
            ),
            0,
        )
    )
    rows = []
    for stop in stops:
        low, mid, high = (
            100 * float(np.interp(stop, curve.runtime_h, c))
            for c in (curve.low, curve.median, curve.high)
        )
        kind = "forecast" if stop > curve.forecast_from_h else "seen"
        rows.append((f"{stop:.0f}", f"{mid:.0f} %", f"{low:.0f} to {high:.0f} %", kind))
    return (
        "<details><summary>The course in figures</summary>"
        + table(
            "Fitted available output, % of rated, with its 90 % interval",
            ("running hours", "output", "90 % interval", ""),
            rows,
            "nnnt",
        )
        + "</details>"
    )


def remaining(matter: Matter) -> str:
    """Return remaining life as hours and as dates."""
    a = matter.assessment
    head = "<h2>Remaining life</h2>"
    if a.remaining_h.median is None or a.remaining_h.median <= 0:
        return head + paragraphs(remaining_sentence(a))
    rows = [
        ("running hours", figure(a.remaining_h, "h"), ends(a.remaining_h, "h") or "open"),
    ]
    if a.remaining_date.median is not None:
        rows.append(
            (
                "date, as this boat uses it",
                date_figure(a.remaining_date),
                date_ends(a.remaining_date) or "open",
            )
        )
    return (
        head
        + table(
            "Until the first limit is met",
            ("", "middle estimate", "90 % interval"),
            [tuple(text(c) for c in row) for row in rows],
            "ttt",
        )
        + paragraphs(
            f"Then it {until_clause(a)}. The date supposes that the boat is used as before."
        )
    )


def what_was_used(matter: Matter) -> str:
    """Return which runs entered the estimate, and what was left out, with reasons."""
    rows = [
        (
            for_html(row.what, 120),
            "used" if row.used else "left out",
            "" if row.runs is None else str(row.runs),
            rounded(row.hours, 0 if row.hours >= 10 else 1),
        )
        for row in use_rows(matter.assessment)
    ]
    total = ("all running hours", "", str(matter.assessment.runs),
             rounded(matter.assessment.running_hours, 0))  # fmt: skip
    head = "<h2>What was used and what was left out</h2>"
    if not rows:
        return head + paragraphs("The log holds no run.")
    return head + table(
        "Running hours by their use in the estimate, each hour once",
        ("what", "", "runs", "h"),
        [*rows, total],
        "ttnn",
    )


def use(matter: Matter) -> str:
    """Return use and energy by season."""
    a = matter.assessment
    head = "<h2>Use by season</h2>"
    by_quarter = quarters(a.run_table)
    if not by_quarter:
        return head + paragraphs("No energy was logged.")
    plots = "".join(use_plot(by_quarter, matter.events, size, "use") for size in (WIDE, NARROW))
    rows = [
        (y.label, str(y.runs), f"{y.hours:.0f}", f"{y.energy_kwh:.1f}", f"{y.charge_ah:.0f}")
        for y in years(a.run_table)
    ]
    total = (
        "all",
        str(a.runs),
        f"{a.running_hours:.0f}",
        f"{a.energy_kwh:.1f}",
        f"{a.charge_ah:.0f}",
    )
    return (
        f"{head}<figure>{plots}<figcaption>Energy delivered, by quarter of the year (UTC)."
        "</figcaption></figure>"
        + table(
            "Use by calendar year",
            ("year", "runs", "hours", "energy, kWh", "charge, Ah"),
            [*rows, total],
            "tnnnn",
        )
    )


def load(matter: Matter) -> str:
    """Return what the boat draws a day."""
    if matter.load is None:
        return ""
    found = matter.load
    return f"<h2>Load</h2>{load_part.figures(found)}{paragraphs(load_part.words(found))}"


def service(matter: Matter) -> str:
    """Return the service calendar, nothing where there is none."""
    jobs = matter.assessment.service
    if not jobs:
        return ""
    rows = [
        (for_html(due.name), text(when_due(due, matter.made_s)), text(last_done(due)))
        for due in jobs
    ]
    return "<h2>Service</h2>" + table(
        "Jobs by the unit's own manual, as this boat uses it", ("job", "when", ""), rows, "ttt"
    )


def log_events(matter: Matter) -> str:
    """Return what people noted and what went wrong with the log itself."""
    everything = noted(matter.events)
    rows = [
        (
            _whole(day(row.time_s)),
            text(row.what),
            "" if row.amount_l is None else f"{row.amount_l:g} L",
            for_html(row.note),
        )
        for row in everything[:MOST_EVENTS]
    ]
    parts = ["<h2>Events, and faults of the log</h2>"]
    if rows:
        caption = "What people noted, newest first"
        if len(everything) > len(rows):
            caption += f" ({len(everything) - len(rows)} earlier ones are not shown)"
        parts.append(table(caption, ("date", "event", "", "note"), rows, "ttnt"))
    else:
        parts.append(paragraphs("Nobody noted an event ('ebbwatt event add' does)."))
    wrong = [
        (text(f.text), str(f.count), text(f.amount), _whole(day(f.last_s)))
        for f in faults(matter.events)
    ]
    if wrong:
        parts.append(
            table("Faults of the log itself", ("what", "count", "in all", "last"), wrong, "tnnt")
        )
    else:
        parts.append(paragraphs("The logger noted no fault of its own."))
    return "".join(parts)


def action(matter: Matter) -> str:
    """Return what to do next, in order, each with whose work it is."""
    rows = [
        (str(number), for_html(item.text, 400), text(item.who))
        for number, item in enumerate(actions(matter.assessment, matter.made_s), start=1)
    ]
    return (
        "<h2>Recommended next action</h2>"
        + table("In order of weight", ("no.", "what to do", "who"), rows, "ttt")
        + signatures(
            ("technician (name, firm)", "date", "technician's signature", "owner's signature")
        )
    )


def since(matter: Matter) -> str:
    """Return what changed since an earlier visit, if there was one."""
    comparison = matter.comparison
    if comparison is None:
        return ""
    rows = [tuple(text(cell) for cell in change.cells()) for change in comparison.changes]
    return (
        f"<h2>Since the last visit</h2>{paragraphs(comparison.headline)}"
        + table("What changed", ("", "then", "now", "change"), rows, "tttt")
        + listing(for_html(note, 300) for note in comparison.notes)
    )


def method(_: Matter) -> str:
    """Return the method in short."""
    return "<h2>Method in short</h2>" + paragraphs(
        "A run counts with its settled early output where the charger itself set the current. "
        "Where the battery set it (at the charge ceiling, with the current falling), the output "
        "seen is taken as the least that the charger can give. Warm-up, shutting down, faults, "
        "heat and gaps are left out. Where the compartment's temperature is logged, the output is "
        "brought to a warm unit at 25 \N{DEGREE SIGN}C.",
        "A line is fitted to these outputs over running hours; it may dip and recover slowly, as "
        "real chargers do. Sudden steps, and the loss that a rest brings back, are kept apart. "
        "The remaining life ends when the forecast falls below the replacement limit for good; "
        "its interval comes from level, slope and chance. Where the data cannot say, a reason "
        "stands in its place.",
        "All intervals are 90 %: in nine of ten boats the truth should lie inside.",
    )


_PREPARING = (
    (
        "Discharge the battery well below full, so that it takes all that is offered; switch off "
        "every other source."
    ),
    (
        "Let the charger rest, start it, and wait until the current has settled (warm, some 20 to "
        "60 minutes; common practice, no source)."
    ),
    (
        "Read the current with a DC clamp meter on one output conductor and the voltage at the "
        "charger's output terminals at the same time; note the compartment temperature."
    ),
)


def by_hand(matter: Matter) -> str:
    """Return how to check the main figure with a clamp meter and a voltmeter."""
    a = matter.assessment
    volts = 1000 * a.energy_kwh / a.charge_ah if a.charge_ah > 0 else None
    steps = list(_PREPARING)
    if a.output.median is not None and volts is not None:
        amps = a.output.median * a.rated_w / volts
        low, high = (
            (None, None)
            if a.output.low is None or a.output.high is None
            else (a.output.low * a.rated_w / volts, a.output.high * a.rated_w / volts)
        )
        span = f" ({low:.1f} to {high:.1f} A)" if low is not None and high is not None else ""
        steps.append(
            f"Volts times amperes is the output. This report expects {_watts(a)}, that is about "
            f"{amps:.1f} A{span} at {volts:.1f} V; a hot compartment gives less. Mind the meter: "
            f"a DC clamp may be 2 % and a few digits off."
        )
    else:
        steps.append(
            f"Volts times amperes is the output; divide it by the rated {a.rated_w:.0f} W. A "
            f"single such measurement says more than this log does so far."
        )
    steps.append(
        "Energy: any SQLite program opens the database; the column energy_mj of its table "
        "intervals, divided by 3.6e9, adds up to the figure above in kWh."
    )
    return "<h2>How to check it by hand</h2>" + listing((text(s) for s in steps), "ol")


def cautions(_: Matter) -> str:
    """Return the cautions with their sources."""
    items = [
        f"<strong>{text(c.title)}.</strong> {text(c.text)} "
        f'<span class="quiet">({text(c.source)})</span>'
        for c in CAUTIONS
    ]
    return (
        f'<section class="cautions" aria-label="Cautions"><h2>Cautions</h2>{listing(items)}'
        f"{paragraphs(LIMITS)}</section>"
    )


def identity(matter: Matter) -> str:
    """Return whose charger this is, and who looked at it."""
    a = matter.assessment
    unit = f"{a.label}, {a.rated_w:.0f} W"
    return block(matter.identity, unit, a.at_runtime_h, day(matter.made_s))


def inputs_checked(matter: Matter) -> str:
    """Return what the log was asked before anything was concluded from it, and the answers."""
    if matter.assessment.runs == 0:
        return ""
    return f"<h2>What was checked of the inputs</h2>{inputs_part.answers(matter.assessment.inputs)}"


def inputs(matter: Matter) -> str:
    """Return what the data say about themselves."""
    return inputs_part.section(matter.assessment.inputs)


#: The page from top to bottom.
ORDER = (
    # The first page: what was found, and what to do.
    identity,
    verdict,
    output,
    inputs_checked,
    action,
    # The evidence.
    since,
    inputs,
    over_dates,
    remaining,
    what_was_used,
    use,
    load,
    service,
    log_events,
    method,
    cautions,
    by_hand,
)
