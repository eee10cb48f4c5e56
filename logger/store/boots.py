"""Finds the time that each session covers on its own clock, and dates the boots of every board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.store.placement import TRUE, Boot, Placed, place

if TYPE_CHECKING:
    import sqlite3

# A value of another kind, which only another program writes, counts as a number or as 0.
_ROW = (
    "SELECT id, CAST(session AS INTEGER), CAST(start_ms AS INTEGER), "
    "CAST(start_ms + duration_ms AS INTEGER) FROM intervals "
)


@dataclass(frozen=True, slots=True)
class Extent:
    """The time that the rows of a session cover, ms on its own clock, and its first row."""

    start_ms: int
    end_ms: int
    first_id: int


@dataclass(frozen=True, slots=True)
class Clocks:
    """The offset of each session's clock, and the extents of the sessions.

    ``extents`` is empty if every clock is true, because then they are not needed.
    """

    placed: dict[int, Placed]
    extents: dict[int, Extent]


def find_clocks(connection: sqlite3.Connection) -> Clocks:
    """Return the clocks of all sessions.

    A boot that never had the true time, or whose clock contradicts the order of writing, is placed
    between its neighbours: see :mod:`logger.store.placement`.
    """
    rows = connection.execute(
        "SELECT id, boot_id, origin, coalesce(started_ms, 0), ended_ms, "
        "coalesce(offset_ms, 0), coalesce(offset_quality, 0) FROM sessions ORDER BY id"
    ).fetchall()
    placed = {row[0]: Placed(row[5], row[6] > 0) for row in rows}
    live = [row for row in rows if row[1] is not None]
    if all(row[6] >= TRUE for row in live):
        return Clocks(placed, {})
    extents = find_extents(connection, {row[0] for row in live if row[2] is not None})
    boots: dict[str, Boot] = {}
    boards: dict[str | None, list[str]] = {}
    for number, boot_id, origin, started_ms, ended_ms, offset_ms, quality in live:
        rest = Extent(started_ms, max(started_ms, ended_ms or 0), 0)
        extent = extents.get(number, rest)
        boot = boots.get(boot_id)
        if boot is None:
            boards.setdefault(origin, []).append(boot_id)
            boots[boot_id] = Boot(extent.start_ms, extent.end_ms, offset_ms, quality)
        else:
            boots[boot_id] = Boot(
                min(extent.start_ms, boot.start_ms),
                max(extent.end_ms, boot.end_ms),
                offset_ms if quality >= boot.quality else boot.offset_ms,
                max(quality, boot.quality),
            )
    of_boot: dict[str, Placed] = {}
    for ids in boards.values():
        of_boot |= zip(ids, place([boots[boot_id] for boot_id in ids]), strict=True)
    return Clocks(placed | {row[0]: of_boot[row[1]] for row in live}, extents)


def find_extents(connection: sqlite3.Connection, merged: set[int]) -> dict[int, Extent]:
    """Return the time that each session's rows cover, without reading all rows.

    Rows of a session follow one another, so a stretch with the same session at both ends is assumed
    to be of that session alone. Only sessions that were ``merged`` from another database during a
    session can lie inside such a stretch. If one of them is missed, all rows are read.
    """
    found: dict[int, Extent] = {}

    def take(number: int, start_ms: int, end_ms: int, row_id: int) -> None:
        known = found.get(number)
        if known is not None:
            start_ms, end_ms = min(start_ms, known.start_ms), max(end_ms, known.end_ms)
            row_id = min(row_id, known.first_id)
        found[number] = Extent(start_ms, end_ms, row_id)

    first = connection.execute(_ROW + "ORDER BY id LIMIT 1").fetchone()
    if first is None:
        return found
    stretches = [(first, connection.execute(_ROW + "ORDER BY id DESC LIMIT 1").fetchone())]
    while stretches:
        low, high = stretches.pop()
        take(low[1], low[2], low[3], low[0])
        take(high[1], high[2], high[3], high[0])
        if low[1] == high[1] or high[0] - low[0] <= 1:
            continue
        middle = (low[0] + high[0]) // 2
        before = connection.execute(
            _ROW + "WHERE id <= ? ORDER BY id DESC LIMIT 1", (middle,)
        ).fetchone()
        after = connection.execute(_ROW + "WHERE id > ? ORDER BY id LIMIT 1", (middle,)).fetchone()
        stretches += [(low, before), (after, high)]
    if merged - found.keys():
        rows = connection.execute(
            "SELECT session, min(start_ms), max(start_ms + duration_ms), min(id) "
            "FROM intervals GROUP BY session"
        )
        return {row[0]: Extent(*row[1:]) for row in rows}
    return found
