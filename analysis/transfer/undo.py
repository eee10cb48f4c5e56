"""Takes back an import as a whole: its intervals, its notes, and a fitting that it alone made."""

from __future__ import annotations

import json
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import StoreEmptyError, UsageError
from logger.event import IMPORT_UNDONE
from logger.refusals import printable
from logger.store.blocks import pack
from logger.store.file_format.accepted import refuse_foreign
from logger.store.file_format.carried import note_absent
from logger.store.files import is_there, open_reader, open_writer, translated

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

#: Sessions that were written at once, from a file; a merged database is one import of many.
_SESSIONS = """
SELECT sessions.id, coalesce(origin, ''), source, coalesce(digest, ''), fittings.label
FROM sessions JOIN fittings ON fittings.id = fitting
WHERE origin IS NOT NULL OR (boot_id IS NULL AND source LIKE 'import %') ORDER BY sessions.id
"""
_EXTENT = """
SELECT count(*), min(start_ms + offset_ms), max(start_ms + duration_ms + offset_ms)
FROM intervals JOIN sessions ON sessions.id = session
WHERE session IN (SELECT value FROM json_each(?))
"""
_IN = "(SELECT value FROM json_each(?))"


@dataclass(frozen=True, slots=True)
class Import:
    """One file that was taken in, or one database that was merged."""

    number: int
    """By which a person names it: the first of its sessions."""
    name: str
    label: str
    """Of the charger that it went to, the first of them."""
    sessions: tuple[int, ...]
    intervals: int
    first_s: float | None
    """Where it begins and ends, Unix time; None without intervals."""
    last_s: float | None


def imports(path: Path) -> list[Import]:
    """Return the imports that a database holds, oldest first.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    with closing(open_reader(path)) as connection, translated(path):
        refuse_foreign(connection, path)
        return _imports(connection)


def undo(path: Path, number: int, now_s: float) -> Import:
    """Take back one import in one transaction, note that in the log, and return what it was.

    Raises
    ------
    UsageError
        If there is no import of that number.
    StoreError
        If the database cannot be written.
    """
    if not is_there(path):
        raise StoreEmptyError(f"{path}: there is no such database yet")
    with closing(open_writer(path)) as connection, translated(path), connection:
        connection.execute("BEGIN IMMEDIATE")
        refuse_foreign(connection, path)
        found = next((one for one in _imports(connection) if one.number == number), None)
        if found is None:
            raise UsageError(f"there is no import {number}; 'ebbwatt import --undo' lists them")
        _take_out(connection, json.dumps(found.sessions))
        connection.execute(
            "INSERT INTO events (session, at_ms, kind, amount, text) VALUES (NULL, ?, ?, ?, ?)",
            (round(now_s * 1000.0), IMPORT_UNDONE, float(found.intervals), found.name),
        )
    return found


def _imports(connection: sqlite3.Connection) -> list[Import]:
    groups: dict[tuple[str, ...], list[tuple[int, str, str]]] = {}
    for session, origin, source, digest, label in connection.execute(_SESSIONS):
        merged = (str(origin),)
        group = merged if origin else (str(source), str(digest))
        groups.setdefault(group, []).append((session, str(source), str(label)))
    found = []
    for about, members in groups.items():
        sessions = tuple(session for session, _, _ in members)
        count, *ends_ms = connection.execute(_EXTENT, (json.dumps(sessions),)).fetchone()
        first_s, last_s = (None if at_ms is None else at_ms / 1000.0 for at_ms in ends_ms)
        _, source, label = members[0]
        name = f"database {about[0]}" if len(about) == 1 else source.removeprefix("import ")
        found.append(
            Import(sessions[0], printable(name, 200), label, sessions, count, first_s, last_s)
        )
    return found


def _take_out(connection: sqlite3.Connection, sessions: str) -> None:
    first = connection.execute(
        f"SELECT min(id) FROM intervals WHERE session IN {_IN}",  # noqa: S608 - our own words
        (sessions,),
    ).fetchone()[0]
    # Packed anew below: else each row that goes would look for its block.
    connection.execute("DELETE FROM blocks WHERE last_id >= coalesce(?, 9e18)", (first,))
    for table in ("intervals", "events", "raw"):
        connection.execute(f"DELETE FROM {table} WHERE session IN {_IN}", (sessions,))  # noqa: S608
    connection.execute(f"DELETE FROM sessions WHERE id IN {_IN}", (sessions,))  # noqa: S608
    connection.execute("DELETE FROM fittings WHERE id NOT IN (SELECT fitting FROM sessions)")
    note_absent(connection)
    pack(connection)
