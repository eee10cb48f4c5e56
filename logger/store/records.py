"""Writes the rows of fittings, sessions, intervals and events.

:mod:`logger.store.writer` decides how often, and what happens while the disk is full.
"""

from __future__ import annotations

import itertools
import json
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from logger.reading import OperatingState
from logger.store.blocks import drop_blocks, pack, rows_behind
from logger.store.file_format.carried import KEY, key_of, note_absent
from logger.store.files import open_writer, translated

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    from logger.config import ChargerConfig
    from logger.interval import Interval

    Row = tuple[int | None, ...]
    from logger.store.blocks import PackedColumns

#: The number of each state in the file; the table ``states`` holds the same.
STATE_NUMBER = {state: number for number, state in enumerate(OperatingState)}

_COLUMNS = """
INSERT INTO intervals (session, start_ms, duration_ms, state, readings, charge_mc, energy_mj,
    voltage_min_mv, voltage_max_mv, voltage_mean_mv, voltage_last_mv, runtime_s, temperature_cc,
    battery_charge_mc, fuel_ml)
VALUES """
INSERT_INTERVAL = f"{_COLUMNS}(?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
#: Columns of a stored row without its session.
ROW_WIDTH = 14
#: Rows that one statement adds: a third faster than one each (measured). SQLite built with its old
#: limit takes 999 values.
ROWS_TOGETHER = 50
#: A fitting begins with its first session. If that one is of this session's boot, date it again.
_DATE_FITTINGS = """
UPDATE fittings SET started_ms = first.started_ms + first.offset_ms FROM sessions AS first
WHERE first.id = (SELECT min(id) FROM sessions WHERE fitting = fittings.id)
    AND first.boot_id = (SELECT boot_id FROM sessions WHERE id = ?)
"""
_FITTING_OF = "SELECT id FROM fittings WHERE label = ? AND fitted IS ?"
_CARRY = (
    "INSERT INTO about (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET "
    "value = excluded.value WHERE value IS NOT excluded.value"
)
_DELETE_ALONE = """
DELETE FROM intervals WHERE duration_ms = 0 AND session IN
    (SELECT id FROM sessions WHERE boot_id IS NULL AND offset_ms = 0
        AND fitting = (SELECT fitting FROM sessions WHERE id = ?))
    AND start_ms IN (SELECT value FROM json_each(?))
"""
INSERT_EVENT = "INSERT INTO events (session, at_ms, kind, amount, text) VALUES (?, ?, ?, ?, ?)"


@dataclass(frozen=True, slots=True)
class Lot:
    """Rows without their session, put together for few statements."""

    holds: Sequence[bool]
    """For each column of a row whether ``values`` holds it; the others are absent throughout."""
    rows: int
    """Rows in each item of ``values``, :data:`ROWS_TOGETHER` at the most."""
    values: Iterable[Sequence[int | None]]


@runtime_checkable
class Lots(Protocol):
    """Rows that put themselves together."""

    def put_together(self) -> Iterator[Lot]:
        """Yield the rows in their order."""


@dataclass(frozen=True, slots=True)
class SessionStart:
    """What is known when a session begins.

    ``boot_id`` is None for recordings, whose clock is Unix time. ``offset_s`` is UTC minus the
    session's clock; ``offset_quality`` is 0 unknown, 1 as the board believed, 2 true.
    """

    source: str
    started_s: float
    boot_id: str | None = None
    offset_s: float = 0.0
    offset_quality: int = 2
    digest: str | None = None
    version: str = ""
    configuration: str | None = None
    """Result of ``carry`` (:mod:`logger.store.file_format.carried`); it replaces the stored one and
    that of its fitting."""


def interval_row(interval: Interval) -> Row:
    """Return the stored row of an interval without its session.

    Both ends are rounded, so that neighbours still meet.
    """
    start_ms = round(interval.start_s * 1000.0)
    return (
        start_ms,
        round(interval.end_s * 1000.0) - start_ms,
        STATE_NUMBER[interval.state],
        interval.readings,
        _scaled(interval.charge_c, 1000.0),
        _scaled(interval.energy_j, 1000.0),
        _scaled(interval.voltage_min_v, 1000.0),
        _scaled(interval.voltage_max_v, 1000.0),
        _scaled(interval.voltage_mean_v, 1000.0),
        _scaled(interval.voltage_last_v, 1000.0),
        _scaled(interval.runtime_h, 3600.0),
        _scaled(interval.temperature_c, 100.0),
        _scaled(interval.battery_charge_c, 1000.0),
        _scaled(interval.fuel_l, 1000.0),
    )


def _scaled(value: float | None, factor: float) -> int | None:
    return None if value is None else round(value * factor)


def begin_session(
    connection: sqlite3.Connection, charger: ChargerConfig, session: SessionStart
) -> tuple[int, int]:
    """Add a session of the configured fitting inside a transaction; return the ids of both."""
    fitting = _fitting(connection, charger, session)
    if session.configuration is not None:
        for key in (KEY, key_of(fitting)):
            connection.execute(_CARRY, (key, session.configuration))
    return fitting, _session(connection, fitting, session)


def keep_configuration(path: Path, charger: ChargerConfig, configuration: str) -> None:
    """Keep a configuration as that of its fitting, if the log holds that fitting.

    Raises
    ------
    StoreError
        If the database cannot be written.
    """
    fitted = None if charger.fitted is None else charger.fitted.isoformat()
    with closing(open_writer(path)) as connection, translated(path), connection:
        row = connection.execute(_FITTING_OF, (charger.label, fitted)).fetchone()
        if row is not None:
            connection.execute(_CARRY, (key_of(int(row[0])), configuration))


def correct_boot(
    connection: sqlite3.Connection, session: int, offset_ms: int, quality: int
) -> None:
    """Give every session of this one's boot the same offset, and date their fittings by it."""
    connection.execute(
        "UPDATE sessions SET offset_ms = ?, offset_quality = ? WHERE id = ? OR "
        "boot_id = (SELECT boot_id FROM sessions WHERE id = ?)",
        (offset_ms, quality, session, session),
    )
    connection.execute(_DATE_FITTINGS, (session,))


def write_import(
    path: Path,
    charger: ChargerConfig,
    session: SessionStart,
    rows: Lots | Iterable[Row],
    events: Iterable[tuple[float, str, float | None, str]] = (),
    into: int | None = None,
    superseded_ms: Sequence[int] = (),
    packing: Callable[[int, int | None], PackedColumns] | None = None,
) -> int:
    """Write a whole session at once, or nothing of it; return its id.

    ``rows`` are stored rows without their session; ``events`` are (time on the session's clock,
    kind, amount, text). ``into`` continues a session instead of beginning one. Earlier imported
    rows of a single reading at ``superseded_ms`` (UTC) are part of the new rows and are deleted.
    ``packing`` returns what packs the new rows, by their session and what
    :func:`insert_intervals` returns.
    """
    with closing(open_writer(path)) as connection, translated(path), connection:
        connection.execute("BEGIN IMMEDIATE")
        number = into
        if number is None:
            _, number = begin_session(connection, charger, session)
        if superseded_ms:
            connection.execute(_DELETE_ALONE, (number, json.dumps(list(superseded_ms))))
        with rows_behind(connection):
            first_id = insert_intervals(connection, number, rows)
        if first_id is None:  # a row may lie inside a block
            drop_blocks(connection)
        if superseded_ms:
            note_absent(connection)
        pack(connection, packed_columns=packing(number, first_id) if packing else None)
        connection.executemany(
            INSERT_EVENT,
            ((number, round(at_s * 1000.0), *values) for at_s, *values in events),
        )
    return number


def insert_intervals(
    connection: sqlite3.Connection, session: int, rows: Lots | Iterable[Row]
) -> int | None:
    """Add rows to a session inside a transaction; they come without their session.

    Returns
    -------
    The id of the first one, if the others follow it one by one.
    """
    newest = "SELECT coalesce(max(id), 0) FROM intervals"
    (before,) = connection.execute(newest).fetchone()
    count = 0
    for lot in rows.put_together() if isinstance(rows, Lots) else _put_together(rows):
        marks = ", ".join("?" if held else "NULL" for held in lot.holds)
        together = ", ".join([f"({session:d}, {marks})"] * lot.rows)
        count += connection.executemany(_COLUMNS + together, lot.values).rowcount
    (last,) = connection.execute(newest).fetchone()
    # Only a log with the highest of all ids has no next one; then they are drawn at random.
    return int(before) + 1 if last == before + count else None


def _put_together(rows: Iterable[Row]) -> Iterator[Lot]:
    following = iter(rows)
    while some := list(itertools.islice(following, 100 * ROWS_TOGETHER)):
        rest = len(some) - len(some) % ROWS_TOGETHER
        together = [
            tuple(itertools.chain.from_iterable(some[k : k + ROWS_TOGETHER]))
            for k in range(0, rest, ROWS_TOGETHER)
        ]
        yield Lot((True,) * ROW_WIDTH, ROWS_TOGETHER, together)
        yield Lot((True,) * ROW_WIDTH, 1, some[rest:])


def write_sessions(
    path: Path,
    charger: ChargerConfig,
    sessions: Iterable[tuple[SessionStart, Lots | Iterable[Row]]],
    packed_columns: PackedColumns | None = None,
) -> None:
    """Write new sessions, each with its rows, at once, or nothing of them."""
    with closing(open_writer(path)) as connection, translated(path), connection:
        connection.execute("BEGIN IMMEDIATE")
        for session, rows in sessions:
            _, number = begin_session(connection, charger, session)
            insert_intervals(connection, number, rows)
            pack(connection, packed_columns=packed_columns)


def _fitting(connection: sqlite3.Connection, charger: ChargerConfig, session: SessionStart) -> int:
    """Return the id of the configured fitting; add the fitting if it is new.

    Label and day of fitting identify a fitting. A changed rated output corrects the same fitting.
    """
    fitted = None if charger.fitted is None else charger.fitted.isoformat()
    row = connection.execute(_FITTING_OF, (charger.label, fitted)).fetchone()
    if row is not None:
        connection.execute(
            "UPDATE fittings SET rated_w = ? WHERE id = ? AND rated_w <> ?",
            (charger.rated_w, row[0], charger.rated_w),
        )
        return int(row[0])
    started_ms = round((session.started_s + session.offset_s) * 1000.0)
    if session.boot_id is not None:
        # The fitting of a live session is the newest, whatever an unset clock shows.
        row = connection.execute("SELECT max(started_ms) FROM fittings").fetchone()
        started_ms = started_ms if row[0] is None else max(started_ms, row[0] + 1)
    cursor = connection.execute(
        "INSERT INTO fittings (label, rated_w, fitted, started_ms) VALUES (?, ?, ?, ?)",
        (charger.label, charger.rated_w, fitted, started_ms),
    )
    return int(cursor.lastrowid or 0)


def _session(connection: sqlite3.Connection, fitting: int, session: SessionStart) -> int:
    cursor = connection.execute(
        "INSERT INTO sessions (fitting, boot_id, source, version, started_ms, offset_ms, "
        "offset_quality, digest) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            fitting,
            session.boot_id,
            session.source,
            session.version,
            round(session.started_s * 1000.0),
            round(session.offset_s * 1000.0),
            session.offset_quality,
            session.digest,
        ),
    )
    return int(cursor.lastrowid or 0)
