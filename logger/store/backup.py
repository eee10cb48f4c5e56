"""A consistent copy of the database while the logger writes, checked before it takes its name."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from logger.errors import StoreDamagedError
from logger.store.files import APPLICATION_ID, interruptible, open_reader, translated
from logger.system.output import Kind, kept_of_store, new_file

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


def _is_backup(head: bytes, _: bytes) -> bool:
    """Tell a copy that was made here from a log that is written: by the header of the file.

    Source: sqlite.org/fileformat2.html, section 1.3: the bytes 18 and 19 are 2 where a write-ahead
    log is kept; the application's number stands in the bytes 68 to 71.
    """
    ours = int.from_bytes(head[68:72], "big") == APPLICATION_ID
    return head.startswith(b"SQLite format 3\0") and ours and head[18:20] == b"\x01\x01"


#: Pages copied at a time.
_PIECE = 1024
BACKUP = Kind("backup", _is_backup)


def backup(path: Path, target: Path, keep: Mapping[Path, str] | None = None) -> int:
    """Copy the database to ``target``; return how many intervals the copy holds.

    The copy is what one commit left, whatever is written meanwhile (SQLite's online backup in one
    step). It is one file without a write-ahead log, so that it opens on a write-protected medium.
    A file of that name is replaced when the copy is complete, checked and on the disk.

    Nothing but an earlier backup is replaced, and none of ``keep``, the log's own files if left
    out.

    Raises
    ------
    UsageError
        If the target is something else that must stay.
    StoreError
        If the database cannot be read or is damaged.
    EbbwattError
        If the copy cannot be written.
    """
    kept = kept_of_store(path) | dict(keep or {})
    with new_file(target, BACKUP, kept) as unfinished, closing(open_reader(path)) as source:
        with translated(path):
            # Opens the transaction that the copy is a picture of.
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()
        with translated(unfinished), closing(sqlite3.connect(unfinished)) as copy:
            interruptible(copy)
            # In pieces, so that a signal is heard between them.
            source.backup(copy, pages=_PIECE, progress=lambda *_: None)
            copy.execute("PRAGMA journal_mode = DELETE")
            (found,) = copy.execute("PRAGMA quick_check(1)").fetchone()
            if found != "ok":
                raise StoreDamagedError(
                    f"{path}: is damaged, so no copy was made: {' '.join(found.split())}"
                )
            count: int = copy.execute("SELECT count(*) FROM intervals").fetchone()[0]
    return count
