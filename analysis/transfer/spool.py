"""Holds stored rows until a file is read to its end: a few in memory, many on the disk.

A file goes in in one transaction, or nothing of it, and the database is not locked while it is
read. Whatever comes, the rows that wait take no more than a few megabytes of memory.
"""

from __future__ import annotations

import tempfile
from typing import TYPE_CHECKING, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    Row = tuple[int | None, ...]

#: Bytes of rows that are held in memory.
_IN_MEMORY = 16 << 20
#: Rows that are read back at a time.
_LOT = 20_000
#: Stands for an absent value; no stored integer reaches so far.
_ABSENT = np.iinfo(np.int64).min


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

    def add(self, rows: Sequence[Row]) -> None:
        """Append rows.

        Raises
        ------
        OSError
            If there is no room for them.
        """
        if not rows:
            return
        self._width = len(rows[0])
        self._count += len(rows)
        values = [_ABSENT if v is None else v for row in rows for v in row]
        self._file.write(np.array(values, dtype=np.int64).tobytes())

    def __iter__(self) -> Iterator[Row]:
        """Yield the rows from the first on."""
        for lot in self._lots():
            whole = lot.astype(object)
            whole[lot == _ABSENT] = None
            yield from map(tuple, whole.tolist())

    def columns(self, *places: int) -> Iterator[list[np.ndarray[tuple[int], np.dtype[np.int64]]]]:
        """Yield columns, some rows at a time."""
        for lot in self._lots():
            yield [lot[:, place] for place in places]

    def _lots(self) -> Iterator[np.ndarray[tuple[int, int], np.dtype[np.int64]]]:
        self._file.seek(0)
        while raw := self._file.read(_LOT * max(self._width, 1) * 8):
            yield np.frombuffer(raw, dtype=np.int64).reshape(-1, self._width)
        self._file.seek(0, 2)
