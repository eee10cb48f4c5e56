"""The part of the page that tells what the data say about themselves, each with a small plot."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.show.inputs import WORDS, checked
from analysis.show.page.svg import Drawing, Scale, date_ticks, ticks
from analysis.text import BEFORE_UNIT, for_html

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.inputs.finding import Finding, Series

_WIDTH, _HEIGHT = 360, 130


def answers(findings: Sequence[Finding]) -> str:
    """Return what was asked of the inputs, what was found first, as HTML."""
    asked = checked(findings)
    wrong = "".join(
        f"<li><strong>{WORDS[f.severity][0]}:</strong> {for_html(f.text, 600)}</li>"
        for _, found in asked
        for f in found
    )
    sound = "".join(f"<li>{_text(words)}</li>" for words, found in asked if not found)
    parts = [f"<ul>{wrong}</ul>"] if wrong else []
    if sound:
        parts.append(f'<p>The log says nothing against these:</p><ul class="checks">{sound}</ul>')
    return "".join(parts)


def section(findings: Sequence[Finding]) -> str:
    """Return the findings as HTML, nothing where there are none."""
    if not findings:
        return ""
    items = "".join(_item(finding, number) for number, finding in enumerate(findings))
    return f"<h2>What the data say about themselves</h2>{items}"


def _item(finding: Finding, number: int) -> str:
    word, meaning = WORDS[finding.severity]
    since = "" if finding.since_s is None else f", since {day(finding.since_s)}"
    facts = "".join(
        f"<li>{name}: {_text(value)}</li>"
        for name, value in (("expected", finding.expected), ("seen", finding.seen))
    )
    plot = "" if finding.series is None else _figure(finding.series, number)
    return (
        f"<h3>{word}: {meaning}{since}</h3><p>{for_html(finding.text, 600)}</p><ul>{facts}</ul>"
        f"<p><strong>What to do.</strong> {for_html(finding.what_to_do, 600)}</p>{plot}"
    )


def _text(words: str) -> str:
    return escape(BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", words), quote=False)


def _figure(seen: Series, number: int) -> str:
    """Return a small plot of what was seen over time, with a line where it should have been."""
    if len(seen.values) < 2 or seen.time_s[-1] <= seen.time_s[0]:
        return ""
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
    drawing.marks(
        ((x.at(t), y.at(v)) for t, v in zip(seen.time_s, seen.values, strict=True)), "seen"
    )
    expected = (
        "" if seen.expected is None else f", expected {seen.expected:.3g} {seen.unit} (dotted)"
    )
    words = f"{seen.name}, {seen.unit}{expected}"
    picture = drawing.render(words, f"From {low:.3g} to {high:.3g} {seen.unit}.", "small")
    return f"<figure>{picture}<figcaption>{_text(words)}</figcaption></figure>"
