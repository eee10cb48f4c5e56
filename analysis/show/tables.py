"""Tables of the report: what was used and left out, use by quarter and year, faults of the log."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import age, day
from analysis.health.run_table import Limit
from analysis.text import harmless
from analysis.units import owner

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.assessment.document import Assessment
    from analysis.health.run_table import RunTable
    from logger.event import Event

#: What the logger notes by itself, as 'one of it' and 'several of it', and what its amount is.
FAULT_WORDS: dict[str, tuple[str, str, str]] = {
    "power_cut": ("power cut", "power cuts", ""),
    "logger_killed": ("sudden end of the logger", "sudden ends of the logger", ""),
    "clock_correction": ("clock correction", "clock corrections", ""),
    "clock_unknown": ("start without a known time", "starts without a known time", ""),
    "refused": ("stretch of refused data", "stretches of refused data", "s"),
    "gap": ("gap in the readings", "gaps in the readings", "s"),
    "store_damaged": (
        "damage to the database",
        "times the database was damaged",
        "intervals lost",
    ),
    "store_full": (
        "time without room for the log",
        "times without room for the log",
        "intervals lost",
    ),
    "store_locked": (
        "time in which another program held the log",
        "times in which another program held the log",
        "intervals lost",
    ),
    "store_unwritable": (
        "time in which the log could not be written",
        "times in which the log could not be written",
        "intervals lost",
    ),
    "store_replaced": (
        "deletion or exchange of the database",
        "deletions or exchanges of the database",
        "",
    ),
    "raw_dropped": (
        "time without room for raw readings",
        "times without room for raw readings",
        "of them lost",
    ),
    "state_word": (
        'state word that [source.states] does not name: "{word}"',
        'times a state word that [source.states] does not name: "{word}"',
        "readings",
    ),
    "import_undone": ("import taken back", "imports taken back", "intervals of them"),
    "source_lost": ("loss of the source", "losses of the source", "s"),
    "counter_reset": ("reset of the hour counter", "resets of the hour counter", ""),
}

#: What people note, as it is called in tables.
PERSON_WORDS: dict[str, str] = {
    "reading": "clamp meter",
    "fuel": "fuel",
    "service": "service",
    "renewal": "renewal",
    "replacement": "replacement",
    "note": "note",
    "check": "check",
}
#: Kinds of which more than so many are summed up in one row: they would crowd out the others.
_SUMMED = {"fuel": 3, "check": 1}

_LIMIT_WORDS = {
    Limit.SOURCE: "the charger itself set the current",
    Limit.BATTERY: "the battery set the current: a lower bound",
    Limit.HEAT: "held back by heat",
    Limit.UNUSABLE: "not usable",
}


@dataclass(frozen=True, slots=True)
class UseRow:
    """One row of 'what was used and what was left out'."""

    what: str
    used: bool
    runs: int | None
    """None where only hours are known."""
    hours: float


@dataclass(frozen=True, slots=True)
class Quarter:
    """Use in one calendar quarter (or year), of the owner's days."""

    start_s: float
    end_s: float
    label: str
    runs: int
    hours: float
    energy_kwh: float
    charge_ah: float


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of what went wrong with the log itself."""

    text: str
    count: int
    amount: str
    """Its amount in words, empty if it has none."""
    last_s: float


def use_rows(a: Assessment) -> list[UseRow]:
    """Return the account of hours, each hour once: what was used, then what was left out."""
    return [
        UseRow(row.what if row.limit is None else _LIMIT_WORDS[row.limit], row.used, row.runs,
               row.hours)
        for row in a.account
    ]  # fmt: skip


def quarters(table: RunTable | None) -> list[Quarter]:
    """Return use by calendar quarter, every quarter from the first run to the last."""
    return _periods(table, months=3)


def years(table: RunTable | None) -> list[Quarter]:
    """Return use by calendar year."""
    return _periods(table, months=12)


def _periods(table: RunTable | None, months: int) -> list[Quarter]:
    if table is None or not len(table):
        return []
    edges: list[float] = []
    zone = owner().zone
    first = datetime.fromtimestamp(float(table.start_s.min()), zone)
    month = (first.year * 12 + first.month - 1) // months * months
    last = float(table.start_s.max())
    while not edges or edges[-1] <= last:
        edges.append(datetime(month // 12, month % 12 + 1, 1, tzinfo=zone).timestamp())
        month += months
    place = np.searchsorted(np.array(edges), table.start_s, side="right") - 1
    size = len(edges) - 1

    def total(column: np.ndarray) -> np.ndarray:
        return np.bincount(place, np.nan_to_num(column), size)

    opens = np.ones(len(table)) if table.opens is None else table.opens
    runs, hours = np.bincount(place, opens, size), total(table.hours)
    energy, charge = total(table.energy_kwh), total(table.charge_ah)
    return [
        Quarter(
            edges[i],
            edges[i + 1],
            day(edges[i])[: 4 if months == 12 else 7],
            int(runs[i]),
            float(hours[i]),
            float(energy[i]),
            float(charge[i]),
        )
        for i in range(size)
    ]


def faults(events: Sequence[Event]) -> list[Fault]:
    """Return what went wrong with the log itself, by kind, most frequent first."""
    kinds: dict[tuple[str, str], list[Event]] = {}
    for event in events:
        if event.kind in FAULT_WORDS and not event.struck:
            word = harmless(event.text, 40) if event.kind == "state_word" else ""
            kinds.setdefault((event.kind, word), []).append(event)
    found = []
    for (kind, word), of_kind in kinds.items():
        one, several, unit = (text.format(word=word) for text in FAULT_WORDS[kind])
        total = sum(e.amount or 0.0 for e in of_kind)
        amount = age(total) if unit == "s" else f"{total:.0f} {unit}"
        found.append(
            Fault(
                one if len(of_kind) == 1 else several,
                len(of_kind),
                amount if unit and total > 0 else "",
                max(e.time_s for e in of_kind),
            )
        )
    return sorted(found, key=lambda f: (-f.count, f.text))


def faults_in_words(events: Sequence[Event]) -> str:
    """Return '3 power cuts, 2 clock corrections, 14 gaps in the readings (2 h)'."""
    words = [f"{f.count} {f.text}" + (f" ({f.amount})" if f.amount else "") for f in faults(events)]
    return ", ".join(words) if words else "none noted"


@dataclass(frozen=True, slots=True)
class Noted:
    """One row of what people noted: one event, or several of a kind summed up."""

    time_s: float
    """Of the newest."""
    what: str
    amount_l: float | None
    note: str
    """Comes from outside where it is that of one event."""


def noted(events: Sequence[Event]) -> list[Noted]:
    """Return what people noted, newest first, struck ones included each by itself."""
    rows = []
    kept = [e for e in events if e.kind in PERSON_WORDS]
    for kind, word in PERSON_WORDS.items():
        of_kind = sorted((e for e in kept if e.kind == kind), key=lambda e: e.time_s)
        counted = [e for e in of_kind if not e.struck]
        if len(counted) > _SUMMED.get(kind, len(counted)):
            litres = sum(e.amount or 0.0 for e in counted) if kind == "fuel" else None
            since = f"{len(counted)} since {day(counted[0].time_s)}"
            rows.append(Noted(counted[-1].time_s, word, litres, since))
            of_kind = [e for e in of_kind if e.struck]
        for e in of_kind:
            amount_l = e.amount if kind == "fuel" else None
            struck = " (struck)" if e.struck else ""
            rows.append(Noted(e.time_s, word + struck, amount_l, e.text))
    return sorted(rows, key=lambda row: -row.time_s)
