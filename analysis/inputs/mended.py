"""Reports whether the mending of a damaged database lost a part of the log."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.inputs.finding import Finding, Severity

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analysis.inputs.finding import Series
    from logger.event import Event

KIND = "store_damaged"
#: A smaller part of the log that is lost changes no conclusion (judgement).
LEAST_SHARE = 0.001


def mended_findings(
    events: Iterable[Event], intervals: int, left: Series | None = None
) -> list[Finding]:
    """Return a finding for each mending that lost more than a thousandth of the log.

    Parameters
    ----------
    events
        Events of the log; the amount is the number of intervals that a mending lost.
    intervals
        Number of intervals in the log.
    left
        Hours that are left in the log, by day.
    """
    return [
        Finding(
            code="log_lost_intervals",
            severity=Severity.DOUBT,
            since_s=event.time_s,
            text=f"A part of the log is lost: {event.text}.",
            what_to_do=(
                "Import the newest backup ('ebbwatt import BACKUP.db': nothing counts twice), and "
                "keep the file that was set aside; until then the report uses only the rest."
            ),
            expected=f"about {intervals + round(event.amount)} intervals",
            seen=f"{intervals} intervals",
            series=left,
        )
        for event in events
        if event.kind == KIND
        and not event.struck
        and event.amount is not None
        and event.amount > LEAST_SHARE * max(intervals, 1)
    ]
