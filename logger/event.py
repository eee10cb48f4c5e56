"""An event: something that people or the logger noted of a charger."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time

from logger.durations import DAY_S
from logger.errors import UsageError

#: Kinds that a person records with ``ebbwatt event add``.
PERSON_KINDS = ("fuel", "service", "renewal", "replacement", "reading", "note")
#: Kinds that a command records for a person: a ticked item of the fitter's check list.
COMMAND_KINDS = ("check",)
#: The kind that records an exchange of the charger.
EXCHANGE = "replacement"
#: What a command records of itself: an import was taken back. ``amount`` is its intervals.
IMPORT_UNDONE = "import_undone"
#: Most characters of an event's text: a remark of some sentences (judgement).
LONGEST_TEXT = 500
#: Longest name of whoever ticks something, characters.
LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Event:
    """One event. ``amount`` is litres for fuel, seconds or a count for the logger's own kinds."""

    id: int
    time_s: float
    """Unix time, corrected like everything else of its session."""
    kind: str
    amount: float | None = None
    text: str = ""
    struck: bool = False


def day_begins_s(day: str) -> float:
    """Return the earliest Unix time of a day (ISO date) in any time zone."""
    midnight = datetime.combine(date.fromisoformat(day), time.min, UTC)
    return midnight.timestamp() - DAY_S


def clean_text(text: str) -> str:
    """Return the text on one line, without control characters, at most 500 characters long."""
    printable = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(printable.split())[:LONGEST_TEXT]


def by_whom(who: str, remark: str) -> str:
    """Return who ticked something, and a remark, as the text of an event says it.

    Raises
    ------
    UsageError
        If nobody is named, or at great length.
    """
    name = clean_text(who).replace(":", " ").strip()
    if not name or len(name) > LONGEST_NAME:
        raise UsageError(
            f"--by {who!r}: say who looked at it, in at most {LONGEST_NAME} characters"
        )
    remark = clean_text(remark)
    return f"ticked by {name}" + (f": {remark}" if remark else "")
