"""Packs the columns of new rows by numpy: the same bytes as :mod:`logger.store.blocks`, sooner.

The daemon packs a block now and then, without numpy; an import packs hundreds at once.
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.spool import ABSENT
from logger.store.blocks import HEADER, pack_column
from logger.store.reader import COLUMNS

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.transfer.spool import Spool
    from logger.store.blocks import PackedColumns

#: Beyond this a float does not hold every whole number.
_EXACT = 2.0**53
_ROWS = f"SELECT {', '.join(COLUMNS)} FROM intervals WHERE id > ? AND id <= ? ORDER BY id"  # noqa: S608 - ours
_WIDTHS: tuple[tuple[str, int], ...] = (("<i1", 2**7), ("<i2", 2**15), ("<i4", 2**31))


def packed_columns(connection: sqlite3.Connection, before: int, last: int) -> list[bytes | None]:
    """Pack the columns of the rows after one number up to another.

    Raises
    ------
    TypeError, OverflowError, struct.error
        If a value is no integer, or one too large to be packed.
    """
    rows = connection.execute(_ROWS, (before, last)).fetchall()
    columns = list(zip(*rows, strict=True))
    return [_packed_values(column) for column in columns]


def packing_of(spool: Spool) -> Callable[[int, int | None], PackedColumns]:
    """Return what packs the rows that were written from a spool, without reading them again.

    It is told the session, and the number of the first row if the others follow it one by one.
    """

    def written(session: int, first_id: int | None) -> PackedColumns:
        def packed(connection: sqlite3.Connection, before: int, last: int) -> list[bytes | None]:
            if first_id is None or before + 1 < first_id:
                return packed_columns(connection, before, last)
            table = spool.part(before + 1 - first_id, last + 1 - first_id)
            sessions = np.full(len(table), session, dtype=np.int64)
            return [_packed_column(column) for column in (*table.T.copy(), sessions)]

        return packed

    return written


def _packed_values(values: tuple[int | None, ...]) -> bytes | None:
    try:
        table = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        return pack_column(values)  # it says what is wrong
    absent = np.isnan(table)
    if not np.all(np.abs(table[~absent]) < _EXACT) or not _whole(values):
        return pack_column(values)
    whole = np.where(absent, 0.0, table).astype(np.int64)
    whole[absent] = ABSENT
    return _packed_column(whole)


def _packed_column(values: NDArray[np.int64]) -> bytes | None:
    present = values
    # Most columns lack no value, and the lowest one says so sooner than a comparison of all.
    if values.min() == ABSENT:
        present = values[values != ABSENT]
        if not len(present):
            return None
    lowest = int(present.min())
    if lowest <= -_EXACT or int(present.max()) >= _EXACT:
        return pack_column([None if value == ABSENT else value for value in values.tolist()])
    stand_in = lowest - 1
    whole = values if present is values else np.where(values == ABSENT, stand_in, values)
    steps = np.diff(whole)
    most = int(np.abs(steps).max(initial=0))
    width = next((code for code, bound in _WIDTHS if most < bound), "<i8")
    return zlib.compress(HEADER.pack(int(whole[0]), stand_in) + steps.astype(width).tobytes())


def _whole(values: tuple[int | None, ...]) -> bool:
    return {*map(type, values)} <= {int, type(None)}
