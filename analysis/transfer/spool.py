"""Holds stored rows until a file is read to its end: a few in memory, many on the disk.

A file goes in in one transaction, or nothing of it, and the database is not locked while it is
read. Whatever comes, the rows that wait take no more than a few megabytes of memory.
"""

from __future__ import annotations

import tempfile
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from logger.store.records import ROWS_TOGETHER, Lot

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Row = tuple[int | None, ...]
    Table = NDArray[np.int64]

#: Bytes of rows that are held in memory.
_IN_MEMORY = 16 << 20
#: Rows that are read back at a time.
_LOT = 20_000
#: Stands for an absent value; no stored integer reaches so far.
ABSENT = np.iinfo(np.int64).min


class Spool:
    """Rows of one width in order of writing; a context manager.

    Parameters
    ----------
    folder
        Where a file without a name is made for what does not fit into memory: the database's own,
        since the folder for temporary files of a board is often in memory as well.
    """

    def __init__(self, folder: Path) -> None:
        self._file = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY, dir=str(folder))  # noqa: SIM115 - closed by __exit__
        self._width = 0
        self._count = 0

    def __enter__(self) -> Self:
        """Return the spool itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Give the rows up."""
        self._file.close()

    def __len__(self) -> int:
        """Return the number of rows."""
        return self._count

    def add(self, rows: Table) -> None:
        """Append rows.

        Raises
        ------
        OSError
            If there is no room for them.
        """
        if not len(rows):
            return
        self._width = rows.shape[1]
        self._count += len(rows)
        self._file.write(np.ascontiguousarray(rows).data)

    def __iter__(self) -> Iterator[Row]:
        """Yield the rows from the first on."""
        for lot in self.lots():
            yield from rows_of(lot)

    def put_together(self) -> Iterator[Lot]:
        """Yield the rows for :func:`logger.store.records.insert_intervals`."""
        for table in self.lots():
            held = table.max(axis=0) != ABSENT  # the smallest of all numbers
            told = table[:, held]
            rest = len(told) - len(told) % ROWS_TOGETHER
            for rows, some in ((ROWS_TOGETHER, told[:rest]), (1, told[rest:])):
                yield Lot(held.tolist(), rows, _values(some.reshape(-1, rows * some.shape[1])))

    def lots(self) -> Iterator[Table]:
        """Yield the rows from the first on, some at a time."""
        for begins in range(0, self._count, _LOT):
            yield self.part(begins, begins + _LOT)

    def part(self, begins: int, ends: int) -> Table:
        """Return the rows from one place up to another."""
        self._file.seek(begins * self._width * 8)
        raw = self._file.read((ends - begins) * self._width * 8)
        self._file.seek(0, 2)
        return np.frombuffer(raw, dtype=np.int64).reshape(-1, self._width)


def table_of(rows: Sequence[Row]) -> Table:
    """Return rows as a table; as many columns as the first one has."""
    values = [ABSENT if v is None else v for row in rows for v in row]
    return np.array(values, dtype=np.int64).reshape(len(rows), -1)


def rows_of(table: Table) -> Iterator[Row]:
    """Yield the rows of a table."""
    return map(tuple, _values(table))


def _values(table: Table) -> list[list[int | None]]:
    values: NDArray[Any] = table
    if table.min(initial=0) == ABSENT:  # the way through objects is slower
        values = table.astype(object)
        values[table == ABSENT] = None
    rows: list[list[int | None]] = values.tolist()
    return rows
