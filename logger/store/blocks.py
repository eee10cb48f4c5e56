"""Blocks: a second copy of the stored intervals, as compressed columns that load all at once.

An analysis of ten years needs a few columns of a million rows; row by row that takes seconds. So
for each few thousand rows the writer adds a row to the table ``blocks``. It has the columns of
``intervals``, each with all values of the block. The rows remain the record, and a block is only an
index over them: rows without a block are read as rows, triggers drop a block whose rows change
(:data:`TRIGGERS`), and rows and block are written in one transaction. So the two cannot disagree.

A packed column is zlib over two signed 64-bit integers (the first value, and the number that stands
for an absent one) and the differences from value to value, in the narrowest width of 1, 2, 4 or 8
bytes that holds them all; little-endian. A column without any value is NULL. This module uses the
standard library only, because the daemon packs.
"""

from __future__ import annotations

import struct
import sys
import zlib
from array import array
from contextlib import contextmanager
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING

from logger.store.reader import COLUMNS

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator, Sequence

    #: Packs the columns of the rows after one number up to another.
    PackedColumns = Callable[[sqlite3.Connection, int, int], list[bytes | None]]

#: Rows of a block: large enough to load fast, small enough to pack in a moment on a small board.
BLOCK_ROWS = 4096
#: Head of a packed column, before the differences: first value, number for an absent value.
HEADER = struct.Struct("<qq")

_NAMES = ", ".join(COLUMNS)
_LAST = "SELECT max(id), count(*) FROM (SELECT id FROM intervals WHERE id > ? ORDER BY id LIMIT ?)"
#: Queries of single columns: 4096 rows of all columns at once would be two megabytes of integers.
_COLUMNS = tuple(
    f"SELECT {name} FROM intervals WHERE id > ? AND id <= ? ORDER BY id"  # noqa: S608 - ours
    for name in COLUMNS
)
_INSERT = (
    f"INSERT INTO blocks (last_id, first_id, rows, {_NAMES}) "  # noqa: S608 - our own names
    f"VALUES (?, ?, ?, {', '.join('?' * len(COLUMNS))})"
)
#: The SQL of the triggers by name: they drop a block when a row of it is changed, deleted or added.
#: The WHEN clause makes them cheap for a new row, which lies behind the newest block.
TRIGGERS = {
    f"blocks_{name}": f"CREATE TRIGGER blocks_{name} AFTER {event} ON intervals "  # noqa: S608
    f"WHEN {row}.id <= (SELECT max(last_id) FROM blocks) "
    f"BEGIN DELETE FROM blocks WHERE first_id <= {row}.id AND last_id = "
    f"(SELECT min(last_id) FROM blocks WHERE last_id >= {row}.id); END"
    for name, event, row in (
        ("insert", "INSERT", "NEW"),
        ("update", "UPDATE", "OLD"),
        ("moved", "UPDATE OF id", "NEW"),
        ("delete", "DELETE", "OLD"),
    )
}
_ON_INSERT = "blocks_insert"
#: Type codes of :class:`array.array`, each with the bound below which its values must stay.
_WIDTHS = (("b", 2**7), ("h", 2**15), ("i", 2**31), ("q", 2**63))


def pack(
    connection: sqlite3.Connection,
    most: int | None = None,
    packed_columns: PackedColumns | None = None,
) -> int:
    """Pack the rows that are not in a block yet, as far as they fill whole blocks.

    Parameters
    ----------
    connection
        A writer inside a transaction, with its new rows inserted.
    most
        Most blocks to add: a daemon catches up a little with each commit.
    packed_columns
        Packs in another way than :func:`pack_column` to the same bytes; raises what it does.

    Returns
    -------
    The number of blocks that were added.
    """
    added = 0
    last, newest = connection.execute(
        "SELECT (SELECT coalesce(max(last_id), 0) FROM blocks),"
        " (SELECT coalesce(max(id), 0) FROM intervals)"
    ).fetchone()
    while newest - last >= BLOCK_ROWS and (most is None or added < most):
        before, (last, count) = last, connection.execute(_LAST, (last, BLOCK_ROWS)).fetchone()
        if count < BLOCK_ROWS:
            break
        try:
            packed = (packed_columns or _packed_columns)(connection, before, last)
        except (TypeError, OverflowError, struct.error):
            # A row that another program wrote may hold anything. A block without rows marks the
            # stretch, and readers read its rows instead.
            connection.execute(
                "INSERT INTO blocks (last_id, first_id, rows) VALUES (?, ?, 0)",
                (last, before + 1),
            )
        else:
            connection.execute(_INSERT, (last, before + 1, count, *packed))
        added += 1
    return added


@contextmanager
def rows_behind(connection: sqlite3.Connection) -> Iterator[None]:
    """Let rows be added behind the newest block without the trigger: a third faster (measured).

    It is for a writer inside a transaction: if this fails, the trigger comes back with the rest.
    """
    connection.execute(f"DROP TRIGGER {_ON_INSERT}")
    yield
    connection.execute(TRIGGERS[_ON_INSERT])


def drop_blocks(connection: sqlite3.Connection) -> None:
    """Drop all blocks inside a transaction; :func:`pack` makes them anew."""
    connection.execute("DELETE FROM blocks")


def _packed_columns(connection: sqlite3.Connection, before: int, last: int) -> list[bytes | None]:
    return [
        pack_column([value for (value,) in connection.execute(column, (before, last))])
        for column in _COLUMNS
    ]


def pack_column(values: Sequence[int | None], *, shuffled: bool = False) -> bytes | None:
    """Pack one column; the module describes the form.

    ``shuffled`` differences are stored byte by byte: all lowest bytes first, then all second ones.
    Values with noise in their lowest byte only, such as readings, compress better so.

    Raises
    ------
    TypeError, OverflowError, struct.error
        If a value is no integer, or one too large for its differences to fit into 64 bits.
    """
    present = [value for value in values if value is not None]
    if not present:
        return None
    absent = min(present) - 1
    whole = [absent if value is None else value for value in values]
    steps = [after - before for before, after in pairwise(whole)]
    most = max(max(steps, default=0), -min(steps, default=0))
    width = next((code for code, bound in _WIDTHS if most < bound), "q")
    differences = array(width, steps)
    if sys.byteorder == "big":
        differences.byteswap()
    data = differences.tobytes()
    if shuffled:
        data = b"".join(data[k :: differences.itemsize] for k in range(differences.itemsize))
    return zlib.compress(HEADER.pack(whole[0], absent) + data)


def unpack_column(packed: bytes | None, count: int, *, shuffled: bool = False) -> list[int | None]:
    """Return the values of one packed column of ``count`` rows.

    Raises
    ------
    ValueError
        If it is not a packed column of that length.
    """
    if packed is None:
        return [None] * count
    try:
        data = zlib.decompress(packed)
        first, absent = HEADER.unpack_from(data)
        width = (len(data) - HEADER.size) // (count - 1) if count > 1 else 1
        body = data[HEADER.size :]
        if shuffled:
            body = b"".join(body[k :: count - 1] for k in range(count - 1))
        steps = array({1: "b", 2: "h", 4: "i", 8: "q"}[width], body)
    except (zlib.error, struct.error, KeyError) as error:
        raise ValueError(f"not a packed column: {error}") from error
    if len(steps) != count - 1:
        raise ValueError("a packed column of another length")
    if sys.byteorder == "big":
        steps.byteswap()
    values = accumulate(steps, initial=first)
    return [None if value == absent else value for value in values]


def rows_of(
    connection: sqlite3.Connection, last_id: int
) -> Iterator[tuple[int, tuple[int | None, ...]]]:
    """Yield (id, columns) of the rows in a block, if their ids have no gap.

    Raises
    ------
    ValueError
        If its columns cannot be unpacked.
    sqlite3.DatabaseError
        If it cannot be read.
    """
    first_id, count, *packed = connection.execute(
        f"SELECT first_id, rows, {_NAMES} FROM blocks WHERE last_id = ?",  # noqa: S608 - our own names
        (last_id,),
    ).fetchone()
    if count == 0 or last_id - first_id + 1 != count:
        return
    columns = [unpack_column(column, count) for column in packed]
    yield from zip(range(first_id, last_id + 1), zip(*columns, strict=True), strict=True)
