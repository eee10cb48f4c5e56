"""Intervals that cannot be true: left out of everything, and told."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.inputs.finding import Finding, Severity, by_day
from analysis.text import counted

if TYPE_CHECKING:
    from collections.abc import Iterator

    from analysis.history.history import History


def impossible_dates(history: History) -> Iterator[Finding]:
    """Yield the finding if intervals have dates or values that no logger writes."""
    if not history.impossible:
        return
    some = counted(history.impossible, "interval")
    yield Finding(
        "dates",
        Severity.DOUBT,
        None,
        f"{some} lie before the year 2000 or in the future, or hold numbers that no logger writes. "
        f"They are left out.",
        "Look at the imports with 'ebbwatt import --undo', take back the one with wrong dates, "
        "correct its file and import it again. If none has, another program has changed the log: "
        "go back to a backup.",
        "dates from 2000 to now, and numbers that a charger can have",
        some,
        by_day("hours in the log by day, without them", "h", history, history.duration_s, None),
    )
