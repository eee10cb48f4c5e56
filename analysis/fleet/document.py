"""The list of a fleet for programs: a JSON document, and a table whose texts no program runs."""

from __future__ import annotations

import csv
import io
from datetime import UTC
from typing import TYPE_CHECKING, Any, TypeVar

from analysis.figures import day, iso
from analysis.fleet.ranking import STANDING_WORDS
from analysis.text import harmless
from analysis.units import days_in
from logger.system.output import Kind

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.estimate import Span
    from analysis.fleet.listing import FleetList
    from analysis.fleet.ranking import Boat

SCHEMA = "ebbwatt/fleet/1"
_Told = TypeVar("_Told")

COLUMNS = (
    "place", "boat", "key", "type", "standing", "reason", "verdict", "log_until",
    "output_low", "output", "output_high", "hours_low", "hours", "hours_high",
    "with_sisters_low", "with_sisters", "with_sisters_high", "sisters", "chance",
    "date", "date_with_sisters",
)  # fmt: skip
#: Columns by which a table is recognised, also one of an earlier version.
_FIRST = ",".join(COLUMNS[:8])
#: A text that begins so is a formula to spreadsheets (OWASP, CSV injection).
_ACTING = ("=", "+", "-", "@", "\t", "\r")

DOCUMENT = Kind(
    "fleet document",
    lambda head, _: head.startswith(b"{") and b'"schema": "ebbwatt/fleet/' in head[:200],
)
TABLE = Kind("fleet table", lambda head, _: head.startswith(_FIRST.encode()))


def document(listed: FleetList) -> dict[str, Any]:
    """Return the list as a document; fields are added to version 1, never changed or taken away."""
    return {
        "schema": SCHEMA,
        "as_of": iso(listed.now_s),
        "horizon_days": listed.horizon_days,
        "boats": [_boat(place, boat) for place, boat in enumerate(listed.boats, 1)],
        "types": [
            {
                "type": group.name,
                "boats": group.boats,
                "passed_half": group.old,
                "not_in_demand": group.unknown,
                "litres_per_year": _span(group.fuel.litres, 1),
                "boats_in_litres": group.fuel.boats,
                "demand": [
                    {"quarter": q.number, "mean": round(q.mean, 3), "low": q.low, "high": q.high}
                    for q in group.demand
                ],
            }
            for group in listed.groups
        ],
    }


def _boat(place: int, boat: Boat) -> dict[str, Any]:
    facts = boat.facts
    with days_in(UTC if facts is None else facts.zone):
        alone = None if facts is None else _ends_as(day, facts.date)
        sisters = None if boat.date_with_sisters is None else _ends_as(day, boat.date_with_sisters)
    return {
        "place": place,
        "boat": boat.label,
        "key": boat.key,
        "type": boat.group,
        "standing": STANDING_WORDS[boat.standing],
        "reason": boat.reason,
        "verdict": None if facts is None else facts.verdict,
        "log_until": None if facts is None else iso(facts.until_s),
        "output": None if facts is None else _span(facts.output, 5),
        # By its own log; the figure with sisters stands beside it, where there is one.
        "remaining_hours": None if facts is None else _span(facts.hours, 1),
        "remaining_hours_with_sisters": None
        if boat.with_sisters is None
        else _span(boat.with_sisters, 1),
        # In the boat's own days.
        "remaining_date": alone,
        "remaining_date_with_sisters": sisters,
        "sisters": boat.sisters,
        "chance": None if boat.chance is None else round(boat.chance, 4),
        "shorter_lived_sisters": None if boat.tail is None else round(boat.tail, 5),
    }


def _span(span: Span, digits: int) -> dict[str, float | None]:
    return _ends_as(lambda value: round(value, digits), span)


def _ends_as(told: Callable[[float], _Told], span: Span) -> dict[str, _Told | None]:
    return {
        name: None if value is None else told(value)
        for name, value in (("low", span.low), ("median", span.median), ("high", span.high))
    }


def table(listed: FleetList) -> str:
    """Return the list as CSV (RFC 4180); texts from outside can be no formula."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for place, boat in enumerate(listed.boats, 1):
        told = _boat(place, boat)
        writer.writerow(
            [
                told["place"],
                *(_text(told[name]) for name in ("boat", "key", "type", "standing", "reason")),
                told["verdict"],
                told["log_until"],
                *_ends(told["output"]),
                *_ends(told["remaining_hours"]),
                *_ends(told["remaining_hours_with_sisters"]),
                told["sisters"],
                told["chance"],
                *(
                    None if told[name] is None else told[name]["median"]
                    for name in ("remaining_date", "remaining_date_with_sisters")
                ),
            ]
        )
    return out.getvalue()


def _ends(span: dict[str, float | None] | None) -> list[float | None]:
    return [None] * 3 if span is None else [span["low"], span["median"], span["high"]]


def _text(words: str) -> str:
    shown = harmless(words, 400)
    return f"'{shown}" if shown.startswith(_ACTING) else shown
