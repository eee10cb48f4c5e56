"""Reads the database without ever changing it."""

from __future__ import annotations

import json
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

from logger.errors import StoreEmptyError, UsageError
from logger.event import Event
from logger.recordings.times import EARLIEST_S, latest_s
from logger.store.boots import Clocks, find_clocks
from logger.store.file_format.accepted import refuse_foreign
from logger.store.file_format.carried import LONGEST_CARRIED, key_of
from logger.store.files import open_reader, translated
from logger.store.placement import Placed

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Sequence
    from pathlib import Path

#: Columns of :meth:`Reader.intervals`, in order; integers scaled as in the schema.
COLUMNS = (
    "start_ms",
    "duration_ms",
    "state",
    "readings",
    "charge_mc",
    "energy_mj",
    "voltage_min_mv",
    "voltage_max_mv",
    "voltage_mean_mv",
    "voltage_last_mv",
    "runtime_s",
    "temperature_cc",
    "battery_charge_mc",
    "fuel_ml",
    "session",
)

#: A block that claims more rows than this was not packed by Ebbwatt.
MOST_ROWS = 1 << 16


@dataclass(frozen=True, slots=True)
class Fitting:
    """One charger fitted at one time."""

    id: int
    label: str
    rated_w: float
    fitted: str | None
    """ISO date on which it was fitted, if known."""


@dataclass(frozen=True, slots=True)
class Session:
    """One process run, or one import."""

    id: int
    fitting: int
    boot_id: str | None
    source: str
    started_ms: int
    ended_ms: int | None
    offset_ms: int
    offset_quality: int
    version: str | None = None
    digest: str | None = None
    origin: str | None = None
    """The database that it was merged from, None if it was written here."""


class Reader:
    """One read-only connection; a context manager.

    Raises
    ------
    StoreError
        If the database is missing, not ours, newer than this program, or locked, or if another
        program wrote into it.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._connection = open_reader(path)
        try:
            with translated(path):
                refuse_foreign(self._connection, path)
        except BaseException:
            self._connection.close()
            raise
        self._clocks: Clocks | None = None

    def __enter__(self) -> Self:
        """Return the reader itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the connection."""
        self._connection.close()

    def fittings(self) -> list[Fitting]:
        """Return every fitting, oldest first."""
        rows = self._rows("SELECT id, label, rated_w, fitted FROM fittings ORDER BY started_ms, id")
        return [Fitting(*row) for row in rows]

    def fitting(self, number: int | None = None) -> Fitting:
        """Return the fitting of that id, or the newest one.

        Raises
        ------
        StoreEmptyError
            If the log holds none.
        UsageError
            If it holds none of this number.
        """
        known = self.fittings()
        if number is None and known:
            return known[-1]
        for fitting in known:
            if fitting.id == number:
                return fitting
        if not known:
            raise StoreEmptyError(f"{self.path}: holds no log yet")
        ids = ", ".join(str(fitting.id) for fitting in known)
        raise UsageError(f"{self.path}: there is no fitting {number}; known: {ids}")

    def configuration(self, fitting: int) -> str | None:
        """Return the newest configuration of a fitting as it was carried, None where there is none.

        An earlier version kept that of the newest fitting only.
        """
        rows = self._rows(
            "SELECT value FROM about WHERE key = ? AND length(value) <= ?",
            key_of(fitting),
            LONGEST_CARRIED,
        )
        return str(rows[0][0]) if rows else None

    def sessions(self, fitting: int) -> list[Session]:
        """Return the sessions of a fitting, oldest first."""
        rows = self._rows(
            "SELECT id, fitting, boot_id, source, started_ms, ended_ms, offset_ms, offset_quality, "
            "version, digest, origin FROM sessions WHERE fitting = ? ORDER BY id",
            fitting,
        )
        return [Session(*row) for row in rows]

    def clocks(self) -> dict[int, Placed]:
        """Return for every session what to add to its clock; see :mod:`logger.store.boots`."""
        return self._found_clocks().placed

    def _found_clocks(self) -> Clocks:
        if self._clocks is None:
            with translated(self.path):
                self._clocks = find_clocks(self._connection)
        return self._clocks

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Let everything inside read the same state, whatever the daemon writes meanwhile."""
        with translated(self.path):
            self._connection.execute("BEGIN")
        try:
            yield
        finally:
            self._connection.rollback()

    def intervals(
        self,
        fitting: int,
        first_id: int,
        last_id: int,
        columns: Sequence[str] = COLUMNS,
        *,
        doubted: bool = False,
    ) -> Iterator[tuple[float, ...]]:
        """Yield the columns of a fitting's rows from one id to another, in order of writing.

        An absent value is infinite: a number, so that arrays are filled without a look at each.
        In rows that are ``doubted`` so is any value that is no whole number, which takes longer.
        """
        value = (
            "iif(typeof(intervals.{0}) = 'integer', intervals.{0}, 9e999)"
            if doubted
            else "coalesce(intervals.{0}, 9e999)"
        )
        names = ", ".join(value.format(name) for name in columns)
        with translated(self.path):
            yield from self._each(
                f"SELECT {names} FROM intervals "  # noqa: S608 - our own column names
                "WHERE id BETWEEN ? AND ? AND session IN "
                "(SELECT id FROM sessions WHERE fitting = ?) ORDER BY id",
                (first_id, last_id, fitting),
            )

    def _each(self, query: str, values: tuple[int | str, ...]) -> Iterator[Any]:
        """Yield the rows of a query one by one.

        Left early, as a signal does it, the rows are let go, not closed: the connection may be
        closed before them.
        """
        # 'yield from' would close the rows.
        for row in self._connection.execute(query, values):  # noqa: UP028
            yield row

    def count(self, fitting: int, first_id: int, last_id: int) -> int:
        """Return how many rows :meth:`intervals` yields."""
        rows = self._rows(
            "SELECT count(*) FROM intervals WHERE id BETWEEN ? AND ? AND session IN "
            "(SELECT id FROM sessions WHERE fitting = ?)",
            first_id,
            last_id,
            fitting,
        )
        return int(rows[0][0])

    def blocks(self) -> list[tuple[int, int, int]]:
        """Return (first id, last id, rows) of each packed block, in order of writing."""
        if not self._rows("SELECT 1 FROM sqlite_master WHERE name = 'blocks'"):
            return []  # an older schema
        return self._rows(
            "SELECT first_id, last_id, rows FROM blocks WHERE typeof(first_id) = 'integer' AND "
            "typeof(rows) = 'integer' AND rows BETWEEN 1 AND ? ORDER BY 2",
            MOST_ROWS,
        )

    def block(self, last_id: int, columns: Sequence[str]) -> tuple[bytes | None, ...]:
        """Return columns of the block that ends with a row, as :mod:`logger.store.blocks` packs."""
        names = ", ".join(columns)
        return self._rows(
            f"SELECT {names} FROM blocks WHERE last_id = ?",  # noqa: S608 - our own column names
            last_id,
        )[0]

    def raw_hours(self, fitting: int) -> list[tuple[int, int, int]]:
        """Return (row, session, hour on its clock) of the raw readings that are kept."""
        if not self._rows("SELECT 1 FROM sqlite_master WHERE name = 'raw'"):
            return []  # an older schema
        return self._rows(
            "SELECT raw.id, session, hour FROM raw JOIN sessions ON sessions.id = session "
            "WHERE fitting = ? ORDER BY raw.id",
            fitting,
        )

    def raw_hour(self, row: int, columns: Sequence[str]) -> tuple[Any, ...]:
        """Return the number of readings and packed columns; none if the ring dropped it by now."""
        names = ", ".join(columns)
        rows = self._rows(
            f"SELECT readings, {names} FROM raw WHERE id = ?",  # noqa: S608 - our own column names
            row,
        )
        return rows[0] if rows else (0, *[None] * len(columns))

    def first_id_since(self, fitting: int, time_s: float) -> int:
        """Return the id of the first row that was written of the time since ``time_s`` (UTC)."""
        found, since_ms = self._found_clocks(), round(time_s * 1000.0)
        clocks = found.placed
        unknown = [number for number, placed in clocks.items() if not placed.known]
        row = self._rows(
            "SELECT min(intervals.id) FROM intervals JOIN sessions "
            "ON sessions.id = intervals.session WHERE sessions.fitting = ? "
            "AND intervals.start_ms + intervals.duration_ms + sessions.offset_ms >= ? "
            "AND sessions.id NOT IN (SELECT value FROM json_each(?))",
            fitting,
            since_ms,
            json.dumps(unknown),
        )[0]
        first = [] if row[0] is None else [int(row[0])]
        for number in unknown:
            # Placed sessions are few: one that reaches so far counts from its beginning.
            extent = found.extents.get(number)
            if extent and extent.end_ms + clocks[number].offset_ms >= since_ms:
                first.append(extent.first_id)
        # Nothing so late: everything that is still to be written.
        return min(first, default=2**62)

    def newest_s(self, fitting: int) -> float | None:
        """Return the end of the fitting's row that was written last, UTC; None without any.

        An import with dates that cannot be true does not count.
        """
        rows = self._rows(
            "SELECT session, start_ms + duration_ms FROM intervals JOIN sessions "
            "ON sessions.id = session WHERE fitting = ? AND (boot_id IS NOT NULL OR "
            "start_ms + duration_ms + offset_ms BETWEEN ? AND ?) ORDER BY intervals.id DESC "
            "LIMIT 1",
            fitting,
            round(EARLIEST_S * 1000.0),
            round(latest_s() * 1000.0),
        )
        if not rows:
            return None
        session, end_ms = rows[0]
        return float(end_ms + self.clocks()[session].offset_ms) / 1000.0

    def name(self) -> str:
        """Return the random name of this database."""
        return str(self._rows("SELECT value FROM about WHERE key = 'store'")[0][0])

    def session_rows(self, session: int) -> Iterator[tuple[int | None, ...]]:
        """Yield the stored rows of one session without the session itself."""
        names = ", ".join(COLUMNS[:-1])
        with translated(self.path):
            yield from self._each(
                f"SELECT {names} FROM intervals WHERE session = ? ORDER BY id",  # noqa: S608 - ours
                (session,),
            )

    def spans(self, fitting: int, *, known: bool = True) -> Iterator[tuple[int, int]]:
        """Yield start and duration of every interval, ms, UTC.

        Those whose true time is ``known``, or else those whose time is estimated.
        """
        clocks = self.clocks()
        with translated(self.path):
            if known:
                yield from self._each(
                    "SELECT intervals.start_ms + sessions.offset_ms, intervals.duration_ms "
                    "FROM intervals JOIN sessions ON sessions.id = intervals.session "
                    "WHERE sessions.fitting = ? AND sessions.id IN "
                    "(SELECT value FROM json_each(?))",
                    (fitting, json.dumps([k for k, placed in clocks.items() if placed.known])),
                )
                return
            for session in self.sessions(fitting):  # few are estimated
                if not clocks[session.id].known:
                    yield from self._each(
                        "SELECT start_ms + ?, duration_ms FROM intervals WHERE session = ?",
                        (clocks[session.id].offset_ms, session.id),
                    )

    def voltages(self, fitting: int) -> Iterator[tuple[int, int, int, int]]:
        """Yield start and duration, ms, UTC, and lowest and highest voltage, mV, by interval.

        Only of intervals with a voltage, whose true time is known.
        """
        known = [k for k, placed in self.clocks().items() if placed.known]
        with translated(self.path):
            yield from self._each(
                "SELECT intervals.start_ms + sessions.offset_ms, intervals.duration_ms, "
                "voltage_min_mv, voltage_max_mv "
                "FROM intervals JOIN sessions ON sessions.id = intervals.session "
                "WHERE sessions.fitting = ? AND voltage_min_mv IS NOT NULL AND sessions.id IN "
                "(SELECT value FROM json_each(?))",
                (fitting, json.dumps(known)),
            )

    def events(self) -> list[Event]:
        """Return every event with its time in UTC, in order of time."""
        rows = self._rows(
            "SELECT id, session, at_ms, kind, amount, coalesce(text, ''), struck_ms IS NOT NULL "
            "FROM events"
        )
        clocks, utc = self.clocks(), Placed(0, known=True)
        events = [
            Event(
                number,
                (at_ms + clocks.get(session, utc).offset_ms) / 1000.0,
                kind,
                amount,
                text,
                struck=bool(struck),
            )
            for number, session, at_ms, kind, amount, text, struck in rows
        ]
        return sorted(events, key=lambda event: (event.time_s, event.id))

    def stored_events(self) -> list[tuple[Any, ...]]:
        """Return (session, at_ms, offset_ms, kind, amount, text, struck_ms) as stored."""
        return self._rows(
            "SELECT events.session, events.at_ms, coalesce(sessions.offset_ms, 0), kind, amount, "
            "coalesce(text, ''), struck_ms FROM events "
            "LEFT JOIN sessions ON sessions.id = events.session ORDER BY events.id"
        )

    def _rows(self, statement: str, *values: object) -> list[tuple[Any, ...]]:
        with translated(self.path):
            cursor: sqlite3.Cursor = self._connection.execute(statement, values)
            return cursor.fetchall()
