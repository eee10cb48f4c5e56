"""Packs the columns of new rows by numpy: the same bytes as :mod:`logger.store.blocks`, sooner.

The daemon packs a block now and then, without numpy; an import packs hundreds at once.
"""

from __future__ import annotations

import zlib
from typing import TYPE_CHECKING

import numpy as np

from logger.store.blocks import HEADER, pack_column
from logger.store.reader import COLUMNS

if TYPE_CHECKING:
    import sqlite3

    from numpy.typing import NDArray

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
    return [_packed(column) for column in columns]


def _packed(values: tuple[int | None, ...]) -> bytes | None:
    try:
        table = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        return pack_column(values)  # it says what is wrong
    absent = np.isnan(table)
    if absent.all():
        return None
    if not np.all(np.abs(table[~absent]) < _EXACT) or not _whole(values):
        return pack_column(values)
    whole: NDArray[np.int64] = np.where(absent, 0.0, table).astype(np.int64)
    stand_in = int(whole[~absent].min()) - 1
    whole[absent] = stand_in
    steps = np.diff(whole)
    most = int(np.abs(steps).max(initial=0))
    width = next((code for code, bound in _WIDTHS if most < bound), "<i8")
    return zlib.compress(HEADER.pack(int(whole[0]), stand_in) + steps.astype(width).tobytes())


def _whole(values: tuple[int | None, ...]) -> bool:
    return {*map(type, values)} <= {int, type(None)}
