"""Loads stored columns into arrays: from packed blocks where there are any, else row by row.

Ten years are a million rows or more. Row by row, SQLite hands them over as some twenty million
Python objects. Packed blocks (see :mod:`logger.store.blocks`) load at the speed of memory. Both
give the same numbers. Rows without a block are the newest few thousand, or those of an old file on
a write-protected stick; they only take longer.
"""

from __future__ import annotations

import itertools
import struct
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logger.store.blocks import HEADER

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from logger.store.reader import Reader

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]

#: Rows fetched at a time where there is no block: a few megabytes of Python objects.
_ROWS_AT_ONCE = 1 << 15
#: Greatest row id of SQLite; it stands for "to the end".
_NEWEST = 2**63 - 1


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Rows from one id to another; ``packed`` if a block (of all fittings together) holds them."""

    first_id: int
    last_id: int
    rows: int
    packed: bool


class _Columns:
    """Columns being filled; a column without any value takes no memory."""

    def __init__(self, names: Sequence[str], rows: int) -> None:
        self.names = tuple(names)
        # The system hands out memory when it is written to, so an untouched column costs none.
        self._values = [np.empty(rows) for _ in names]
        self._present = [False] * len(names)
        self.count = 0

    def append(
        self,
        columns: Sequence[Floats | Whole | None],
        rows: int,
        absent: Sequence[int | None] | None = None,
    ) -> None:
        """Append ``rows`` rows, columns in the order of ``names``; None is a column of NaN.

        ``absent`` holds for each column the whole number that stands for an absent value.
        """
        begins, ends = self.count, self.count + rows
        for place, column in enumerate(columns):
            if column is not None and not self._present[place]:
                self._present[place] = True
                self._values[place][:begins] = np.nan
            if not self._present[place]:
                continue
            ours = self._values[place][begins:ends]
            ours[:] = np.nan if column is None else column
            if column is not None and absent is not None:
                missing = column == absent[place]
                if missing.any():
                    ours[missing] = np.nan
        self.count = ends

    def drop_behind(self, rows: int) -> None:
        """Drop what was appended behind so many rows."""
        self.count = rows

    def arrays(self) -> dict[str, Floats]:
        """Return the columns by name, each of shape (rows appended,)."""
        return {
            name: self._whole(values) if present else np.broadcast_to(np.nan, self.count)
            for name, values, present in zip(self.names, self._values, self._present, strict=True)
        }

    def _whole(self, values: Floats) -> Floats:
        return values if len(values) == self.count else values[: self.count].copy()


def load_columns(
    reader: Reader, fitting: int, columns: Sequence[str], first_id: int = 0
) -> dict[str, Floats]:
    """Return stored columns of a fitting's intervals, unscaled, in order of writing.

    Parameters
    ----------
    reader
        The open database.
    fitting
        Its id.
    columns
        Names out of :data:`logger.store.reader.COLUMNS`.
    first_id
        Id of the first row to load.

    Returns
    -------
    Arrays of shape (n,), NaN where a value is absent; millisecond times stay exact (below 2**53).
    A column without any value is a read-only array.
    """
    with reader.snapshot():
        stretches = list(_stretches(reader, fitting, first_id))
        loaded = _Columns(columns, sum(s.rows for s in stretches))
        ours = np.array(sorted(s.id for s in reader.sessions(fitting)), dtype=np.int64)
        for stretch in stretches:
            before = loaded.count
            if stretch.packed:
                try:
                    _unpack(reader, stretch, ours, loaded)
                    continue
                except (zlib.error, ValueError, struct.error, TypeError):
                    pass  # the block is damaged: read its rows instead
            try:
                _fetch(reader, fitting, stretch, loaded)
            except (ValueError, TypeError):
                # Another program wrote text or bytes where numbers belong.
                loaded.drop_behind(before)
                _fetch(reader, fitting, stretch, loaded, doubted=True)
    return loaded.arrays()


def _stretches(reader: Reader, fitting: int, first_id: int) -> Iterator[_Stretch]:
    """Divide the rows from ``first_id`` on into blocks and what lies between and after them."""
    following = first_id
    for begins, ends, rows in [*reader.blocks(), (_NEWEST, _NEWEST, 0)]:
        if begins < following:
            continue  # the block begins before ``first_id``: read the rest of it row by row
        if begins > following:
            count = reader.count(fitting, following, begins - 1)
            if count:
                yield _Stretch(following, begins - 1, count, packed=False)
        if rows:
            yield _Stretch(begins, ends, rows, packed=True)
        following = ends + 1


def _fetch(
    reader: Reader, fitting: int, stretch: _Stretch, loaded: _Columns, *, doubted: bool = False
) -> None:
    """Append the rows of a stretch.

    Raises
    ------
    ValueError, TypeError
        If one holds text or bytes, and the rows are not ``doubted`` yet.
    """
    ids = (stretch.first_id, stretch.last_id)
    rows = reader.intervals(fitting, *ids, loaded.names, doubted=doubted)
    width = len(loaded.names)
    while lot := list(itertools.islice(rows, _ROWS_AT_ONCE)):
        values = itertools.chain.from_iterable(lot)
        table = np.fromiter(values, dtype=float, count=len(lot) * width).reshape(-1, width)
        table[np.isinf(table)] = np.nan
        loaded.append([c if np.isfinite(c).any() else None for c in table.T], len(lot))


def _unpack(reader: Reader, stretch: _Stretch, ours: Whole, loaded: _Columns) -> None:
    """Append the rows of a block that belong to our sessions.

    Raises
    ------
    zlib.error, ValueError, struct.error
        If the block is damaged; nothing has been appended.
    """
    names = tuple(dict.fromkeys(("session", *loaded.names)))
    unpacked = {
        name: (None, None) if blob is None else _unpack_whole(blob, stretch.rows)
        for name, blob in zip(names, reader.block(stretch.last_id, names), strict=True)
    }
    session, no_session = unpacked["session"]
    if session is None:
        return
    values = [unpacked[name][0] for name in loaded.names]
    absent = [unpacked[name][1] for name in loaded.names]
    if session.min() == session.max():  # as in nearly every block
        of_ours = np.array([session[0] in ours and session[0] != no_session])
    else:
        of_ours = np.isin(session, ours) & (session != no_session)
    if of_ours.all():
        loaded.append(values, stretch.rows, absent)
    elif of_ours.any():  # of several sessions, then
        values = [None if v is None else v[of_ours] for v in values]
        loaded.append(values, int(of_ours.sum()), absent)


def unpack_column(blob: bytes, rows: int) -> Floats:
    """Return a packed column as an array of shape (rows,), NaN where absent.

    Raises
    ------
    zlib.error, ValueError, struct.error
        If the blob is damaged.
    """
    whole, absent = _unpack_whole(blob, rows)
    values = whole.astype(float)
    values[whole == absent] = np.nan
    return values


def _unpack_whole(blob: bytes, rows: int) -> tuple[Whole, int]:
    """Return a packed column as whole numbers, and the one that stands for an absent value."""
    unpacking = zlib.decompressobj()
    # No column is longer: a blob that unpacks without end is not unpacked to its end.
    raw = unpacking.decompress(blob, HEADER.size + 8 * rows)
    if not unpacking.eof:
        raise ValueError("the column is longer than its rows")
    first, absent = HEADER.unpack_from(raw)
    width = (len(raw) - HEADER.size) // max(rows - 1, 1)
    whole = np.empty(rows, dtype=np.int64)
    whole[0] = first
    whole[1:] = np.frombuffer(raw, dtype=f"<i{width or 1}", offset=HEADER.size)
    np.cumsum(whole, out=whole)
    return whole, absent
