"""Which of the three limits comes first, and which others may: one rule for screens, page, verdict.

Where one limit is likely to come first, it is named alone. Else the others whose chance is not
small are named beside it, each with its chance.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.estimate import Span

#: From this chance on, the limit that is named as the first one is named alone; and the least
#: chance of another to be named beside it (judgement).
SURE, WORTH_NAMING = 0.8, 0.1
#: The limits by name.
LIMITS = {
    "output": "the replacement limit",
    "design_hours": "the design hours",
    "load": "this boat's load",
}


def may_last(hours: Span) -> bool:
    """Tell whether hours may be left although the median is none."""
    return hours.high is None or hours.high >= 1.0


def others(until: str | None, first: dict[str, float], left: Span) -> str:
    """Name the limits that may come before ``until``, with their chances; empty if there are none.

    Parameters
    ----------
    until
        The limit that is named as the first one.
    first
        The chance of each limit to come first; empty where it is not known.
    left
        Running hours left.

    >>> from analysis.estimate import Span
    >>> others("output", {"output": 0.6, "load": 0.38, "design_hours": 0.02}, Span(90, 200, 400))
    "this boat's load (chance 38 %)"
    """
    if until is None or left.median is None or first.get(until, 1.0) >= SURE:
        return ""
    if left.median <= 0.0 and not may_last(left):
        return ""
    likely = sorted(
        ((p, name) for name, p in first.items() if name != until and p >= WORTH_NAMING),
        reverse=True,
    )
    return " or ".join(f"{LIMITS[name]} (chance {100.0 * p:.0f} %)" for p, name in likely)


def others_sentence(until: str | None, first: dict[str, float], left: Span) -> str:
    """Say in a sentence which other limits may come first; empty where there are none."""
    said = others(until, first, left)
    return f"Another limit may come first: {said}." if said else ""
