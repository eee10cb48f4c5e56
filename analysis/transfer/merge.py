"""Merges the log of another database: of what both hold, each stretch of time counts once."""

from __future__ import annotations

import itertools
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.cover import Cover
from analysis.transfer.packing import packed_columns
from logger.errors import StoreError
from logger.store.blocks import pack
from logger.store.file_format.carried import key_of
from logger.store.files import open_writer, translated
from logger.store.reader import COLUMNS, Reader
from logger.store.records import INSERT_EVENT, insert_intervals

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence
    from pathlib import Path

    from logger.store.reader import Fitting, Session

    Row = tuple[int | None, ...]

#: Columns of a row (without its session) that are sums over the interval.
_SUMS = tuple(
    COLUMNS.index(name) for name in ("readings", "charge_mc", "energy_mj", "battery_charge_mc")
)
#: Rows that are compared with the log at a time.
_LOT = 20_000


@dataclass(slots=True)
class MergeResult:
    """What became of another database."""

    intervals: int = 0
    """Intervals that were new, parts of intervals included."""
    known: int = 0
    """Intervals whose time was covered already."""
    sessions: int = 0
    fittings: int = 0
    """Fittings that were new."""
    events: int = 0


def merge(path: Path, other: Path) -> MergeResult:
    """Add to the database at ``path`` what only ``other`` holds, in one transaction.

    Fittings are matched by label and day of fitting. Intervals are compared by true time, and on
    the clock of the boot where both hold the same boot (a backup, for instance), however its
    offset was corrected since. Of an interval that is covered in part, the rest goes in with its
    sums in proportion.

    Raises
    ------
    StoreError
        If either cannot be opened, or both are the same file.
    """
    if path.exists() and path.samefile(other):
        raise StoreError(f"{other}: is the log itself; name another database")
    with (
        Reader(other) as source,
        closing(open_writer(path)) as connection,
        translated(path),
        connection,
    ):
        connection.execute("BEGIN IMMEDIATE")
        return _Merge(source, connection).run()


class _Merge:
    def __init__(self, source: Reader, connection: sqlite3.Connection) -> None:
        self._source = source
        self._connection = connection
        self._result = MergeResult()
        self._origin = source.name()
        self._offsets: dict[int | None, int] = {}

    def run(self) -> MergeResult:
        sessions: dict[int, int] = {}
        for fitting in self._source.fittings():
            self._fitting(fitting, sessions)
        pack(self._connection, packed_columns=packed_columns)
        self._events(sessions)
        return self._result

    def _fitting(self, fitting: Fitting, sessions: dict[int, int]) -> None:
        """Merge one fitting; ``sessions`` learns our number of each of its sessions."""
        theirs = self._source.sessions(fitting.id)
        ours = self._our_fitting(fitting, theirs)
        configuration = self._source.configuration(fitting.id)
        if configuration is not None:  # ours, where there is one, is of the same charger and stays
            self._connection.execute(
                "INSERT OR IGNORE INTO about (key, value) VALUES (?, ?)",
                (key_of(ours), configuration),
            )
        cover = self._cover(
            "sessions.fitting = ? AND sessions.offset_quality > 0", "sessions.offset_ms", ours
        )
        for session in theirs:
            against = cover if session.offset_quality > 0 else Cover()
            offset_ms = shift_ms = session.offset_ms
            if (known_ms := self._offset_of_boot(ours, session)) is not None:
                # Both hold this boot: compare on its own clock.
                against = self._cover(
                    "sessions.fitting = ? AND sessions.boot_id = ?", "0", ours, session.boot_id
                )
                offset_ms, shift_ms = known_ms, 0
            self._offsets[session.id] = offset_ms
            rows = self._source.session_rows(session.id)
            while lot := list(itertools.islice(rows, _LOT)):
                new, held = uncovered(lot, against, shift_ms)
                self._result.known += held
                if new and session.id not in sessions:
                    sessions[session.id] = self._session(ours, session, offset_ms)
                self._result.intervals += len(new)
                if new:
                    insert_intervals(self._connection, sessions[session.id], new)

    def _our_fitting(self, fitting: Fitting, theirs: Sequence[Session]) -> int:
        """Return our number of a fitting, which is added if it is new."""
        row = self._connection.execute(
            "SELECT id FROM fittings WHERE label = ? AND fitted IS ?",
            (fitting.label, fitting.fitted),
        ).fetchone()
        if row is not None:
            return int(row[0])
        cursor = self._connection.execute(
            "INSERT INTO fittings (label, rated_w, fitted, started_ms) VALUES (?, ?, ?, ?)",
            (
                fitting.label,
                fitting.rated_w,
                fitting.fitted,
                min((s.started_ms + s.offset_ms for s in theirs), default=0),
            ),
        )
        self._result.fittings += 1
        return int(cursor.lastrowid or 0)

    def _offset_of_boot(self, fitting: int, session: Session) -> int | None:
        """Return the better offset of a session's boot, ms; None if our log lacks the boot.

        If theirs is better, our sessions of this boot get it.
        """
        if session.boot_id is None:
            return None
        ours = self._connection.execute(
            "SELECT offset_ms, offset_quality FROM sessions WHERE fitting = ? AND "
            "boot_id = ? ORDER BY offset_quality DESC LIMIT 1",
            (fitting, session.boot_id),
        ).fetchone()
        if ours is None:
            return None
        if session.offset_quality <= ours[1]:
            return int(ours[0])
        self._connection.execute(
            "UPDATE sessions SET offset_ms = ?, offset_quality = ? WHERE boot_id = ?",
            (session.offset_ms, session.offset_quality, session.boot_id),
        )
        return session.offset_ms

    def _cover(self, condition: str, shift: str, *values: object) -> Cover:
        rows = self._connection.execute(
            f"SELECT start_ms + {shift}, duration_ms FROM intervals "  # noqa: S608 - our own words
            f"JOIN sessions ON sessions.id = intervals.session WHERE {condition}",
            values,
        )
        return Cover().with_spans(rows)

    def _session(self, fitting: int, session: Session, offset_ms: int) -> int:
        cursor = self._connection.execute(
            "INSERT INTO sessions (fitting, boot_id, source, version, started_ms, ended_ms, "
            "offset_ms, offset_quality, digest, origin) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                fitting,
                session.boot_id,
                session.source,
                session.version,
                session.started_ms,
                session.ended_ms,
                offset_ms,
                session.offset_quality,
                session.digest,
                session.origin or self._origin,
            ),
        )
        self._result.sessions += 1
        return int(cursor.lastrowid or 0)

    def _events(self, sessions: dict[int, int]) -> None:
        """Add events that are not there yet; those of a merged session stay on its clock."""
        there = set(
            self._connection.execute(
                "SELECT events.at_ms + coalesce(sessions.offset_ms, 0), kind, amount, "
                "coalesce(text, '') FROM events LEFT JOIN sessions ON sessions.id = events.session"
            )
        )
        for (
            session,
            at_ms,
            stored_ms,
            kind,
            amount,
            text,
            struck_ms,
        ) in self._source.stored_events():
            offset_ms = self._offsets.get(session, stored_ms)
            if (at_ms + offset_ms, kind, amount, text) in there:
                continue
            ours = sessions.get(session) if session is not None else None
            when_ms = at_ms if ours is not None else at_ms + offset_ms
            cursor = self._connection.execute(INSERT_EVENT, (ours, when_ms, kind, amount, text))
            if struck_ms is not None:
                self._connection.execute(
                    "UPDATE events SET struck_ms = ? WHERE id = ?", (struck_ms, cursor.lastrowid)
                )
            self._result.events += 1


def uncovered(rows: list[Row], cover: Cover, shift_ms: int) -> tuple[list[Row], int]:
    """Return the rows, or parts of rows, outside the cover, and how many lie wholly inside."""
    if not rows or not len(cover):
        return rows, 0
    table = np.array([row[:2] for row in rows], dtype=np.int64)
    start_ms, duration_ms = table[:, 0] + shift_ms, table[:, 1]
    held_ms = cover.overlap_ms(start_ms, start_ms + duration_ms)
    held = np.where(duration_ms > 0, held_ms >= duration_ms, cover.holds(start_ms))
    new: list[Row] = []
    for row, begin_ms, length_ms, covered_ms, whole in zip(
        rows, start_ms.tolist(), duration_ms.tolist(), held_ms.tolist(), held.tolist(), strict=True
    ):
        if whole:
            continue
        if covered_ms == 0:
            new.append(row)
            continue
        for from_ms, to_ms in cover.free(begin_ms, begin_ms + length_ms):
            new.append(_part(row, from_ms - shift_ms, to_ms - from_ms))
    return new, int(held.sum())


def _part(row: Row, start_ms: int, duration_ms: int) -> Row:
    """Return a part of an interval with its sums in proportion to time."""
    share = duration_ms / (row[1] or 1)
    part = list(row)
    part[0], part[1] = start_ms, duration_ms
    for place in _SUMS:
        value = part[place]
        part[place] = None if value is None else round(value * share)
    return tuple(part)
