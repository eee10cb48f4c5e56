"""Findings about the inputs in words: for the summary, the dashboard, the page and ``check``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day
from analysis.inputs.finding import Severity
from analysis.show.wrapping import wrap_plain
from analysis.text import harmless

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.inputs.finding import Finding

#: What each weight is called, and its sign.
WORDS = {
    Severity.STOP: ("stop", "no conclusion is drawn from such data"),
    Severity.DOUBT: ("doubt", "the figures are qualified by it"),
    Severity.NOTE: ("note", "the figures stand"),
}
_LONGEST = 600

#: What the log is asked before anything is concluded from it, and the findings that answer it.
CHECKS: tuple[tuple[str, frozenset[str]], ...] = (
    (
        "no part of the log was lost to damage, and its dates are possible",
        frozenset({"log_lost_intervals", "dates"}),
    ),
    ("a current is logged while it runs", frozenset({"current_missing"})),
    ("the current is the charger's own", frozenset({"net_current"})),
    ("the current reads zero at rest", frozenset({"current_zero", "current_zero_unsure"})),
    ("the bank can hold what it gives", frozenset({"capacity_too_small"})),
    ("running hours bear out what the current shows", frozenset({"gain_drift"})),
    (
        "the current moves, and its sensor reaches far enough",
        frozenset({"current_stuck", "current_saturates"}),
    ),
    ("the output is not above rated", frozenset({"above_rated"})),
    ("the output never changes suddenly", frozenset({"output_step"})),
    ("no setting holds the output at one figure or at two", frozenset({"flat_cap", "two_levels"})),
    (
        "the hour counter follows the running",
        frozenset({"counter_stuck", "counter_unit", "counter_switched_on", "counter_differs"}),
    ),
    (
        "the hour counter belongs to one unit",
        frozenset({"two_counters", "counter_break", "exchange_proposed"}),
    ),
)


def checked(findings: Sequence[Finding]) -> list[tuple[str, list[Finding]]]:
    """Return each question with the findings that answer it, none where nothing was found.

    A finding that answers none of the questions is a question of its own.
    """
    rows = [(words, [f for f in findings if f.code in codes]) for words, codes in CHECKS]
    known = frozenset[str]().union(*(codes for _, codes in CHECKS))
    return rows + [("further findings", [f]) for f in findings if f.code not in known]


def one_line(finding: Finding) -> str:
    """Return a finding in one sentence with its weight."""
    return f"[{finding.severity}] {harmless(finding.text, _LONGEST)}"


def worst(findings: Sequence[Finding]) -> str:
    """Return the worst finding in its first sentence, and how many more there are."""
    first = harmless(findings[0].text, _LONGEST).split(". ")[0].rstrip(".")
    more = len(findings) - 1
    also = f" (and {more} more: ebbwatt check --log)" if more else ""
    return f"[{findings[0].severity}] {first}.{also}"


def listed(findings: Sequence[Finding], width: int) -> list[str]:
    """Return all findings with what was measured and what to do, wrapped to a width."""
    if not findings:
        return ["Nothing in the log contradicts itself: no finding about its inputs."]
    lines: list[str] = []
    for finding in findings:
        word, meaning = WORDS[finding.severity]
        since = "" if finding.since_s is None else f", since {day(finding.since_s)}"
        lines.append(f"[{word}] {finding.code}{since}: {meaning}")
        for name, text in (
            ("", finding.text),
            ("expected", finding.expected),
            ("seen", finding.seen),
            ("do", finding.what_to_do),
        ):
            pieces = wrap_plain(harmless(text, _LONGEST), width - 11)
            lines += [
                f"  {name if i == 0 else '':<9}{piece}".rstrip() for i, piece in enumerate(pieces)
            ]
    return lines
