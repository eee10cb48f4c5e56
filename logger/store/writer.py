"""The one writer: keeps new intervals in memory and commits them in few, synchronised transactions.

Wear of a memory card is set by the number of commits, so a commit is made at most every
``commit_s`` and the WAL is never truncated while running.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from logger.reading import OperatingState
from logger.store.faults import session_cut_short
from logger.store.files import open_writer, translated

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable
    from pathlib import Path

    from logger.config import ChargerConfig
    from logger.interval import Interval

#: The number that stands for each state in the file; the table ``states`` says so as well.
STATE_NUMBER = {state: number for number, state in enumerate(OperatingState)}

INSERT_INTERVAL = """
INSERT INTO intervals (session, start_ms, duration_ms, state, readings, charge_mc, energy_mj,
    voltage_min_mv, voltage_max_mv, voltage_mean_mv, voltage_last_mv, runtime_s, temperature_cc,
    battery_charge_mc, fuel_ml)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""
INSERT_EVENT = "INSERT INTO events (session, at_ms, kind, amount, text) VALUES (?, ?, ?, ?, ?)"

#: Events that may wait for a commit.
MOST_EVENTS = 500


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


def interval_row(session: int, interval: Interval) -> tuple[int | None, ...]:
    """Return the stored row of an interval; ends are rounded, so neighbours still meet."""
    start_ms = round(interval.start_s * 1000.0)
    return (
        session,
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


class Writer:
    """Writes one session of one fitting. Use as a context manager, or call ``close``.

    Raises
    ------
    StoreError
        On opening and on committing; what is not committed stays in memory.
    """

    def __init__(self, path: Path, charger: ChargerConfig, session: SessionStart) -> None:
        self.path = path
        self.start = session
        self._connection = open_writer(path)
        self._waiting: list[tuple[int | None, ...]] = []
        self._events: list[tuple[int, int, str, float | None, str]] = []
        #: How the live session before ended, if without notice: a kind of event.
        self.cut_before: str | None = None
        with translated(path), self._connection:
            self._connection.execute("BEGIN IMMEDIATE")
            if (cut := session_cut_short(self._connection, session.boot_id)) is not None:
                before, at_ms, self.cut_before = cut
                self._connection.execute(INSERT_EVENT, (before, at_ms, self.cut_before, None, ""))
            self.fitting = _fitting(self._connection, charger, session)
            self.session = _session(self._connection, self.fitting, session)

    def add(self, interval: Interval) -> None:
        """Keep an interval for the next commit."""
        self._waiting.append(interval_row(self.session, interval))

    @property
    def waiting(self) -> int:
        """Number of intervals that are not committed yet."""
        return len(self._waiting)

    def commit(self) -> None:
        """Write what waits, in one synchronised transaction."""
        if not self._waiting and not self._events:
            return
        with translated(self.path), self._connection:
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.executemany(INSERT_INTERVAL, self._waiting)
            self._connection.executemany(INSERT_EVENT, self._events)
        self._waiting.clear()
        self._events.clear()

    def add_event(
        self, at_s: float, kind: str, amount: float | None = None, text: str = ""
    ) -> None:
        """Keep an event of this session for the next commit; ``at_s`` is on its clock.

        At most :data:`MOST_EVENTS` wait: a fault that repeats must not fill the memory.
        """
        if len(self._events) < MOST_EVENTS:
            self._events.append((self.session, round(at_s * 1000.0), kind, amount, text))

    def set_offset(self, offset_s: float, quality: int) -> None:
        """Correct the wall time of every session of this boot."""
        with translated(self.path), self._connection:
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.execute(
                "UPDATE sessions SET offset_ms = ?, offset_quality = ? WHERE id = ? OR "
                "boot_id = (SELECT boot_id FROM sessions WHERE id = ?)",
                (round(offset_s * 1000.0), quality, self.session, self.session),
            )

    def close(self, ended_s: float | None = None) -> None:
        """Commit what waits, mark the session as ended if ``ended_s`` is given, and close."""
        try:
            self.commit()
            if ended_s is not None:
                with translated(self.path), self._connection:
                    self._connection.execute("BEGIN IMMEDIATE")
                    self._connection.execute(
                        "UPDATE sessions SET ended_ms = ? WHERE id = ?",
                        (round(ended_s * 1000.0), self.session),
                    )
        finally:
            self._connection.close()

    def __enter__(self) -> Self:
        """Return the writer itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Commit and close, without marking the session as ended."""
        self.close()


def write_import(
    path: Path,
    charger: ChargerConfig,
    session: SessionStart,
    rows: Iterable[tuple[int | None, ...]],
    events: Iterable[tuple[float, str, float | None, str]] = (),
    into: int | None = None,
) -> int:
    """Write a whole session at once, or nothing of it; return its id.

    ``rows`` are stored rows without their session; ``events`` are (time on the session's clock,
    kind, amount, text). ``into`` continues a session instead of beginning one.
    """
    with closing(open_writer(path)) as connection, translated(path), connection:
        connection.execute("BEGIN IMMEDIATE")
        number = into
        if number is None:
            number = _session(connection, _fitting(connection, charger, session), session)
        connection.executemany(INSERT_INTERVAL, ((number, *row) for row in rows))
        connection.executemany(
            INSERT_EVENT,
            ((number, round(at_s * 1000.0), *values) for at_s, *values in events),
        )
    return number


def _fitting(connection: sqlite3.Connection, charger: ChargerConfig, session: SessionStart) -> int:
    """Return the id of the configured fitting, making it if it is new.

    A fitting is known by its label and the day on which it was fitted: a changed rated output is
    a correction of the same fitting.
    """
    fitted = None if charger.fitted is None else charger.fitted.isoformat()
    row = connection.execute(
        "SELECT id FROM fittings WHERE label = ? AND fitted IS ?", (charger.label, fitted)
    ).fetchone()
    if row is not None:
        connection.execute(
            "UPDATE fittings SET rated_w = ? WHERE id = ? AND rated_w <> ?",
            (charger.rated_w, row[0], charger.rated_w),
        )
        return int(row[0])
    started_ms = round((session.started_s + session.offset_s) * 1000.0)
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
