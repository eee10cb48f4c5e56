"""The part of the page that tells what the data say about themselves, each with a small plot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.inputs.finding import stops, worst_first
from analysis.show.inputs import WORDS, checked
from analysis.show.page.pieces import NOTHING, joined, listing, paragraphs, tag, text
from analysis.show.page.plots.svg import DOT, Drawing, Scale, date_ticks, ticks
from analysis.text import for_html, harmless

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from analysis.inputs.finding import Finding, Series

_WIDTH, _HEIGHT = 360, 130


def answers(findings: Sequence[Finding]) -> Markup:
    """Return what was asked of the inputs: what was found, the worst first, then the rest.

    Where nothing can be concluded from the data, that nothing else was found says nothing.
    """
    wrong = [
        joined(tag("strong", f"{WORDS[f.severity][0]}:"), " ", _said(f))
        for f in worst_first(findings)
    ]
    if stops(findings):
        return listing(wrong)
    sound = [text(words) for words, found in checked(findings) if not found]
    clear = listing(sound, class_="checks")
    head = paragraphs("Nothing in the log speaks against these:") if clear else NOTHING
    return joined(listing(wrong), head, clear)


def section(findings: Sequence[Finding]) -> Markup:
    """Return each finding with what was expected, what was seen, and what to do."""
    return joined(*(_item(finding, number) for number, finding in enumerate(findings)))


def _said(finding: Finding) -> Markup:
    """Return what was found, with units in signs; words from outside may stand in it."""
    return tag("bdi", text(harmless(finding.text, 600)))


def _item(finding: Finding, number: int) -> Markup:
    word, meaning = WORDS[finding.severity]
    since = "" if finding.since_s is None else f", since {day(finding.since_s)}"
    facts = listing(
        text(f"{name}: {value}")
        for name, value in (("expected", finding.expected), ("seen", finding.seen))
    )
    plot = NOTHING if finding.series is None else _figure(finding.series, number, finding.since_s)
    return joined(
        tag("h3", f"{word}{since}: {meaning}"),
        tag("p", _said(finding)),
        facts,
        tag("p", tag("strong", "What to do."), " ", for_html(finding.what_to_do, 600)),
        plot,
    )


def _figure(seen: Series, number: int, since_s: float | None) -> Markup:
    """Return a small plot of what was seen over time, with a line where it should have been."""
    if len(seen.values) < 2 or seen.time_s[-1] <= seen.time_s[0]:
        return NOTHING
    level = [] if seen.expected is None else [seen.expected]
    low, high = min(*seen.values, *level), max(*seen.values, *level)
    room = 0.08 * (high - low) or max(abs(high), 1.0) * 0.08
    y = Scale(float(low - room), float(high + room), _HEIGHT - 20, 6)
    x = Scale(float(seen.time_s[0]), float(seen.time_s[-1]), 42, _WIDTH - 6)
    drawing = Drawing(_WIDTH, _HEIGHT, f"input-{number}")
    for mark in ticks(y.low, y.high, 4):
        drawing.line(x.start, y.at(mark), x.end, y.at(mark), "grid")
        drawing.text(x.start - 4, y.at(mark) + 4, f"{mark:g}", anchor="end")
    for when, label in date_ticks(x.low, x.high, 4):
        if x.at(when) < _WIDTH - 26:
            drawing.text(x.at(when), _HEIGHT - 5, label, anchor="middle")
    if seen.expected is not None:
        drawing.line(x.start, y.at(seen.expected), x.end, y.at(seen.expected), "limit")
    begins = since_s is not None and x.low < since_s < x.high
    if since_s is not None and begins:
        drawing.line(x.at(since_s), y.start, x.at(since_s), y.end, "step")
    drawing.marks(
        ((x.at(t), y.at(v)) for t, v in zip(seen.time_s, seen.values, strict=True)), "seen", DOT
    )
    expected = (
        "" if seen.expected is None else f", expected {seen.expected:.3g} {seen.unit} (dotted)"
    )
    since = ", since the dashed line" if begins else ""
    span = f"; {day(x.low)} to {day(x.high)}"
    words = f"{seen.name}, {seen.unit}{expected}{since}{span}"
    picture = drawing.render(words, f"From {low:.3g} to {high:.3g} {seen.unit}.", "small")
    return tag("figure", picture, tag("figcaption", text(words)))
