"""Events: what people and the logger noted, kept for ever; wrong ones are struck, never erased.

One short transaction, so that an event can be added while the daemon writes.
"""

from __future__ import annotations

import contextlib
import math
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from logger.errors import StoreEmptyError, StoreError, UsageError
from logger.event import COMMAND_KINDS, PERSON_KINDS, Event, clean_text, day_begins_s
from logger.recordings.times import CALENDAR_END_S, EARLIEST_S
from logger.store.files import is_there, open_writer, translated
from logger.store.repair.leftovers import note_leftovers

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator
    from pathlib import Path

#: A time ahead of the clock by no more than this is a clock that runs a little late, not a slip.
CLOCK_TOLERANCE_S = 60.0


def add_event(
    path: Path,
    kind: str,
    *,
    time_s: float,
    now_s: float,
    amount: float | None = None,
    text: str = "",
    container_l: float | None = None,
    fitted: str | None = None,
    insert: bool = False,
) -> Event:
    """Record an event of a person and return it.

    Parameters
    ----------
    path
        The database; it must exist.
    kind
        One of :data:`PERSON_KINDS` or :data:`COMMAND_KINDS`.
    time_s, now_s
        When it happened, and the present, Unix seconds.
    amount
        Litres for a fuel change; refused for other kinds.
    text
        What to remember, one line.
    container_l
        Size of the usual fuel container; sizes far from it are refused.
    fitted
        ISO date on which the charger was fitted: nothing but a note is accepted from before.
    insert
        Accept a fuel change that is older than one already recorded.

    Raises
    ------
    UsageError
        If the event cannot be true or makes no sense; the text says why.
    StoreError
        If the database is missing, is not ours, or stays locked.
    """
    if kind not in PERSON_KINDS + COMMAND_KINDS:
        raise UsageError(f"event kind {kind!r} is not known; accepted: {', '.join(PERSON_KINDS)}")
    _check_time(time_s, now_s)
    if fitted is not None and kind != "note" and time_s < day_begins_s(fitted):
        raise UsageError(
            f"{_stamp(time_s)} lies before the charger was fitted; accepted for a {kind}: "
            f"{fitted} to {_stamp(now_s)}; what was before can be kept as a note"
        )
    _check_amount(kind, amount, container_l)
    text = clean_text(text)
    if kind in ("note", "check") and not text:
        raise UsageError(f"a {kind} needs a text: say what is to be remembered with --text")
    with _writing(path) as db:
        known = [event for event in _rows(db) if not event.struck]
        _check_order(Event(0, time_s, kind, amount, text), known, insert=insert)
        cursor = db.execute(
            "INSERT INTO events (session, at_ms, kind, amount, text, struck_ms)"
            " VALUES (NULL, ?, ?, ?, ?, NULL)",
            (round(time_s * 1000.0), kind, amount, text),
        )
        number = cursor.lastrowid
    if number is None:
        raise StoreError(f"{path}: the event was not stored")
    return Event(number, time_s, kind, amount, text)


def list_events(path: Path, *, struck: bool = False) -> tuple[Event, ...]:
    """Return the events in order of time; struck ones only if asked for."""
    from logger.store.reader import Reader

    with Reader(path) as reader:
        return tuple(event for event in reader.events() if struck or not event.struck)


def strike_event(path: Path, number: int, *, now_s: float) -> Event:
    """Strike an event that a person recorded: it stays in the store but no longer counts.

    Raises
    ------
    UsageError
        If there is no such event, it is struck already, or the logger itself recorded it.
    """
    with _writing(path) as db:
        event = next((e for e in _rows(db) if e.id == number), None)
        if event is None:
            raise UsageError(f"there is no event {number}; 'ebbwatt event list' shows the numbers")
        if event.struck:
            raise UsageError(f"event {number} ({event.kind}) is struck already")
        if event.kind not in PERSON_KINDS + COMMAND_KINDS:
            raise UsageError(
                f"event {number} ({event.kind}) was recorded by the logger itself and stays"
            )
        db.execute("UPDATE events SET struck_ms = ? WHERE id = ?", (round(now_s * 1000.0), number))
    return Event(event.id, event.time_s, event.kind, event.amount, event.text, struck=True)


def _check_time(time_s: float, now_s: float) -> None:
    if not math.isfinite(time_s) or time_s < EARLIEST_S:
        raise UsageError("the time of an event must lie after the year 2000 began")
    if time_s > now_s + CLOCK_TOLERANCE_S:
        raise UsageError(
            f"{_stamp(time_s)} lies in the future: this machine's clock says {_stamp(now_s)}"
        )


def _check_amount(kind: str, amount: float | None, container_l: float | None) -> None:
    if kind != "fuel":
        if amount is not None:
            raise UsageError(f"only a fuel change takes litres, not {kind}")
        return
    if amount is None:
        raise UsageError("a fuel change needs --litres: how much the new container holds")
    if not math.isfinite(amount) or not 0.1 <= amount <= 2000.0:
        raise UsageError(f"{amount:g} L is no possible container; accepted: 0.1 to 2000 L")
    if container_l is not None and not container_l / 20.0 <= amount <= container_l * 4.0:
        raise UsageError(
            f"{amount:g} L is far from the usual container of {container_l:g} L; accepted: "
            f"{container_l / 20.0:g} to {container_l * 4.0:g} L, or set container_l in [fuel]"
        )


def _check_order(new: Event, known: list[Event], *, insert: bool) -> None:
    """Refuse the same event twice, and a fuel change older than one already recorded."""
    kind, time_s = new.kind, new.time_s
    same = [event for event in known if event.kind == kind]
    for event in same:
        near = kind != "note" and abs(event.time_s - time_s) < 60.0
        # Several items of a check list, or jobs of a service, are ticked at one time: their texts
        # tell them apart.
        alike = kind not in ("check", "service") or event.text == new.text
        if near and event.amount == new.amount and alike:
            raise UsageError(f"event {event.id} already records this {kind} at that time")
    later = [event for event in same if event.time_s > time_s]
    if kind == "fuel" and later and not insert:
        raise UsageError(
            f"out of order: a fuel change at {_stamp(later[0].time_s)} (event {later[0].id}) is "
            f"already recorded and is later; add --insert if one before it was forgotten"
        )


def _stamp(time_s: float) -> str:
    if time_s >= CALENDAR_END_S:
        return "a time after the year 9999"
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%MZ")


def _rows(db: sqlite3.Connection) -> list[Event]:
    """Read all events, their times corrected by what is now known of each session's clock."""
    rows = db.execute(
        "SELECT e.id, e.at_ms + coalesce(s.offset_ms, 0), e.kind, e.amount, e.text, e.struck_ms"
        " FROM events e LEFT JOIN sessions s ON s.id = e.session ORDER BY 2, 1"
    )
    return [
        Event(number, at_ms / 1000.0, kind, amount, text or "", struck=struck_ms is not None)
        for number, at_ms, kind, amount, text, struck_ms in rows
    ]


@contextlib.contextmanager
def _writing(path: Path) -> Iterator[sqlite3.Connection]:
    """Open an existing database for one short transaction; rolled back if anything is raised."""
    if not is_there(path):
        raise StoreEmptyError(
            f"{path}: there is no such database yet; 'ebbwatt log' or 'ebbwatt import' makes it"
        )
    note_leftovers(path)
    db = open_writer(path)
    try:
        with translated(path):
            db.execute("BEGIN IMMEDIATE")
            yield db
            db.execute("COMMIT")
    finally:
        db.close()
