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
    Severity.DOUBT: ("doubt", "use the figures with care"),
    Severity.NOTE: ("note", "the figures stand"),
}
_LONGEST = 600

#: Findings after which the hour counter is not used.
COUNTER_WRONG = frozenset(
    {
        "counter_stuck",
        "counter_unit",
        "counter_switched_on",
        "counter_differs",
        "counter_begins_again",
        "counter_falls",
    }
)

#: What the log is asked before anything is concluded from it, and the findings that answer it.
CHECKS: tuple[tuple[str, frozenset[str]], ...] = (
    (
        "no part of the log was lost to damage, and its dates are possible",
        frozenset({"log_lost_intervals", "dates", "fitted_late"}),
    ),
    (
        "voltage and current are logged while it runs",
        frozenset({"voltage_missing", "current_missing", "current_silent"}),
    ),
    (
        "current and voltage are the charger's own",
        frozenset({"net_current", "current_late", "voltage_drop", "voltage_elsewhere"}),
    ),
    ("the current reads zero at rest", frozenset({"current_zero", "current_zero_unsure"})),
    ("the bank can hold what it gives", frozenset({"capacity_too_small"})),
    ("running hours confirm what the current shows", frozenset({"gain_drift"})),
    (
        "no value is stuck",
        frozenset({"current_stuck", "voltage_stuck", "temperature_stuck", "state_stuck"}),
    ),
    ("the current sensor reaches far enough", frozenset({"current_saturates"})),
    (
        "the output is that of a rated unit",
        frozenset({"above_rated", "weak_from_new", "current_peaks"}),
    ),
    (
        "no jump and no setting shows in the output",
        frozenset({"output_step", "flat_cap", "two_levels"}),
    ),
    (
        "the hour counter follows the running",
        COUNTER_WRONG,
    ),
    (
        "log and hour counter belong to one unit",
        frozenset(
            {
                "two_counters",
                "two_recordings",
                "counter_break",
                "counter_jumps",
                "exchange_proposed",
            }
        ),
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


def first_sentence(finding: Finding) -> str:
    """Return the first sentence about a finding with its weight; it stands by itself."""
    first = harmless(finding.text, _LONGEST).split(". ")[0].rstrip(".")
    return f"[{finding.severity}] {first}."


def worst(findings: Sequence[Finding]) -> str:
    """Return the worst finding in its first sentence, and how many more there are."""
    more = len(findings) - 1
    also = f" (and {more} more: ebbwatt check --log)" if more else ""
    return first_sentence(findings[0]) + also


def listed(findings: Sequence[Finding], width: int, *, ran: bool = True) -> list[str]:
    """Return all findings with what was measured and what to do, wrapped to a width.

    Without a run (``ran``), that nothing was found says nothing.
    """
    if not findings and not ran:
        return ["The log holds no run of the charger, so its inputs could not be checked."]
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
