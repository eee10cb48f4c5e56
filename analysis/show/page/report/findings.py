"""The first page: whose charger it is, what was found, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.estimate import Span
from analysis.figures import charge, day, energy, figure_with_ends
from analysis.inputs.finding import stops
from analysis.inputs.meters import MEASURE
from analysis.installation.findings import columns, rows
from analysis.installation.judge import judged, limits
from analysis.show.freshness import as_of
from analysis.show.page.identity import block, signatures
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
from analysis.show.page.report import inputs_part
from analysis.show.page.report.appendix import LINK_TO_WORDS, WORDS
from analysis.show.phrases import actions, remaining_sentence, sentence, verdict_sentence
from analysis.text import counted, for_html
from logger.sections import CHECK_LIST

if TYPE_CHECKING:
    from markupsafe import Markup

    from analysis.assessment.document import Assessment
    from analysis.show.matter import Matter


def identity(matter: Matter) -> Markup:
    """Return whose charger this is, and who looked at it."""
    a = matter.assessment
    return block(matter.identity, a.label, a.at_runtime_h, day(matter.made_s))


#: Reasons whose figures stand in the box of the verdict, or in the table of what was used.
_IN_THE_BOX = frozenset(
    {"below_plan", "below_replace", "output_sound", "limit_near", "lower_bounds"}
)


def verdict(matter: Matter) -> Markup:
    """Return the verdict box and the row of key figures."""
    a = matter.assessment
    # What the box says already is not said twice.
    reasons = [
        for_html(sentence(r.text), 400)
        for r in a.reasons
        if r.code not in _IN_THE_BOX and not (a.runs and r.text == a.withheld)
    ]
    hours = f"{a.running_hours:.0f} h, {counted(a.runs, 'run')}"
    use = [
        ("running hours seen", hours),
        ("energy and charge", f"{energy(a.energy_kwh)}, {charge(a.charge_ah)}"),
    ]
    facts = [
        (f"available output {as_of(a.observed_to_s)}", watts(a)),
        # Hours and energy of data that stop every conclusion are not the charger's.
        *([] if stops(a.inputs) else use),
        ("log", _observed(a)),
    ]
    if a.since_start.median is not None:
        since = figure_with_ends(a.since_start, "%", 100)
        facts.insert(1, ("of its output when the log began", since))
    inside = [tag("div", tag("dt", text(name)), tag("dd", text(value))) for name, value in facts]
    said = tag("p", tag("strong", text(verdict_sentence(a))))
    left = paragraphs(remaining_sentence(a)) if a.runs else NOTHING
    return joined(
        tag("div", said, left, class_=f"verdict {a.verdict}"),
        tag("p", tag("a", text(WORDS), href=LINK_TO_WORDS), class_="small words"),
        # Five beside each other: none stands alone in a second line.
        tag("dl", *inside, class_="facts five" if len(inside) == 5 else "facts"),
        listing(reasons),
    )


def watts(a: Assessment) -> str:
    """Return the available output in watts."""
    return figure_with_ends(a.output, "W", a.rated_w)


def _observed(a: Assessment) -> str:
    if a.observed_from_s is None or a.observed_to_s is None:
        return "empty"
    return f"{day(a.observed_from_s)} to {day(a.observed_to_s)}"


def inputs_checked(matter: Matter) -> Markup:
    """Return what the log was asked before anything was concluded from it, and the answers."""
    if matter.assessment.runs == 0:
        return NOTHING
    answers = inputs_part.answers(matter.assessment.inputs)
    return joined(heading("What was checked in the data"), answers)


def installation(matter: Matter) -> Markup:
    """Return what of the installation keeps its limit and what does not."""
    check = matter.fit
    if check is None or (check.latest or check.first) is None:
        return NOTHING
    shown, heads = columns(check)
    known, newest = limits(check), len(shown) - 1
    lines = []
    for name, cells in rows(check):
        span, unit, scale = cells[newest]
        if name not in known or span == Span():
            continue
        limit, words = known[name]
        verdict = tag("strong", judged(span, limit))
        lines.append((text(name), text(figure_with_ends(span, unit, scale)), text(words), verdict))
    missing = [item for item in CHECK_LIST if item not in check.ticks]
    ticked = f"Fitter's check list: {len(check.ticks)} of {len(CHECK_LIST)} ticked"
    ticked += f"; open: {', '.join(missing)}." if missing else "."
    said = [*check.against_manual, ticked]
    if not lines:
        said.insert(
            0, "No figure of the log can be compared with a limit: 'ebbwatt fitting' says why."
        )
        return joined(heading("Installation"), paragraphs(" ".join(said)))
    figures = table(
        f"By the log, {heads[newest]}",
        ("", "seen", "at most", ""),
        lines,
        "tttt",
    )
    return joined(heading("Installation"), figures, paragraphs(" ".join(said)))


def _told(action: str) -> Markup:
    """Return an action; what may come from outside is made harmless."""
    return text(action) if action == f"{MEASURE}." else for_html(action, 400)


def action(matter: Matter) -> Markup:
    """Return what to do next, in order, each with whose work it is."""
    rows = [
        (str(number), _told(item.text), text(item.who))
        for number, item in enumerate(actions(matter.assessment, matter.made_s), start=1)
    ]
    return joined(
        heading("Recommended next action"),
        table("Most important first", ("no.", "what to do", "who"), rows, "ttt"),
        signatures(
            ("technician (name, firm)", "date", "technician's signature", "owner's signature")
        ),
    )
