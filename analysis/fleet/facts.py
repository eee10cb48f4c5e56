"""What a fleet's list needs of an assessment document, checked: it may come from outside."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, tzinfo
from typing import Any

from analysis.estimate import Span
from logger.local import zone_of

#: No figure of a document is as large (our choice, so that sums stay finite).
_LARGEST = 1e12
_VERDICTS = ("sound", "plan", "replace", "undetermined")


@dataclass(frozen=True, slots=True)
class Job:
    """A job of the service calendar, and when it is due next (Unix time)."""

    name: str
    due_s: float | None
    left_h: float | None = None
    """Running hours until it is due at the end of the log, negative where it is overdue."""
    by_hours: bool = False
    """Whether its hours make it due then: the date supposes that the boat is used as before."""
    estimated: bool = False
    """Whether hours before its log began are estimated."""


@dataclass(frozen=True, slots=True)
class Facts:
    """One boat's assessment in short; texts come from outside."""

    label: str
    rated_w: float
    until_s: float
    """End of the log, Unix time."""
    running_hours: float
    output: Span
    decline: Span
    until: str | None
    hours: Span
    date: Span
    """Unix times."""
    withheld: str | None
    verdict: str
    reason: str
    findings: tuple[str, ...]
    """Those that qualify or stop, the worst first."""
    course: tuple[tuple[float, float], ...]
    """Running hours and output, as far as it is known."""
    service: tuple[Job, ...] = ()
    timezone: str | None = field(default="UTC", compare=False)
    """In which the boat's days are told, None for that of this machine; a document does not say."""

    @property
    def zone(self) -> tzinfo:
        """Return the zone in which the boat's days are told."""
        return zone_of(self.timezone)


def facts_of(document: dict[str, Any]) -> Facts:
    """Read a document.

    Raises
    ------
    ValueError, LookupError, TypeError, AttributeError
        If it is not of the kind.
    """
    charger, left = document["charger"], document["remaining"]
    verdict = str(document["verdict"])
    if verdict not in _VERDICTS:
        raise ValueError("no such verdict")
    inputs = [f for f in document.get("inputs", []) if f["severity"] in {"doubt", "stop"}]
    reasons = document["reasons"]
    course = document.get("course") or {"runtime_h": [], "median": []}
    return Facts(
        label=str(charger["label"]),
        rated_w=_number(charger["rated_w"]),
        until_s=_time(document["observed"]["to"]) or 0.0,
        running_hours=_number(document["observed"]["running_hours"]),
        output=_span(document["output"], "fraction"),
        decline=_span(document["decline"], "per_1000h"),
        until=None if left["until"] is None else str(left["until"]),
        hours=_span(left["hours"], "median"),
        date=Span(*(_time(left["date"][n]) for n in ("low", "median", "high"))),
        withheld=None if left["withheld"] is None else str(left["withheld"]),
        verdict=verdict,
        reason=str(reasons[0]["text"]) if reasons else "",
        findings=tuple(str(f["text"]) for f in inputs),
        course=_course(course["runtime_h"], course["median"]),
        service=tuple(_job(j) for j in document.get("service") or ()),
    )


def _job(table: dict[str, Any]) -> Job:
    left = table.get("hours_left")
    left_h = None if left is None else _number(left)
    # Earlier documents do not say which of the two it is.
    by_hours = table["due_by"] == "hours" if "due_by" in table else left_h is not None
    return Job(
        str(table["name"]), _day(table["due"]), left_h, by_hours, bool(table.get("hours_estimated"))
    )


def _course(hours: Any, outputs: Any) -> tuple[tuple[float, float], ...]:  # noqa: ANN401
    import numpy as np  # the command itself does without: workers read the documents

    # All at once: ten thousand documents have a million of these.
    columns = np.array([hours, outputs], dtype=float)
    if columns.size == 0:
        return ()
    if columns.ndim != 2 or not np.all(np.abs(columns) < _LARGEST):
        raise ValueError("no such course")
    return tuple(zip(*columns.tolist(), strict=True))


def _span(table: dict[str, Any], middle: str) -> Span:
    return Span(*(None if table[n] is None else _number(table[n]) for n in ("low", middle, "high")))


def _number(value: Any) -> float:  # noqa: ANN401 - it comes from outside
    number = float(value)
    if isinstance(value, bool) or not abs(number) < _LARGEST:
        raise ValueError("no such number")
    return number


def _day(value: str | None) -> float | None:
    """Return the Unix time at which a day begins, UTC."""
    if value is None:
        return None
    return datetime.combine(date.fromisoformat(value), time(), UTC).timestamp()


def _time(value: str | None) -> float | None:
    return None if value is None else datetime.fromisoformat(value).timestamp()
