"""Copies the database consistently while the logger writes, and checks the copy."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from logger.errors import StoreDamagedError, StoreError
from logger.store.files import APPLICATION_ID, interruptible, open_reader, translated
from logger.system.output import HEAD, Kind, kept_of_store, new_file

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


def _is_backup(head: bytes, _: bytes) -> bool:
    """Tell a backup from a log in use, by the header of the file.

    Source: sqlite.org/fileformat2.html, section 1.3: bytes 18 and 19 are 2 if the database has a
    write-ahead log; bytes 68 to 71 hold the application's number.
    """
    ours = int.from_bytes(head[68:72], "big") == APPLICATION_ID
    return head.startswith(b"SQLite format 3\0") and ours and head[18:20] == b"\x01\x01"


#: Pages copied at a time: 4 MB, a moment even on a slow card.
_PIECE = 1024
BACKUP = Kind("backup", _is_backup)


def backup(path: Path, target: Path, keep: Mapping[Path, str] | None = None) -> int:
    """Copy the database to ``target``; return how many intervals the copy holds.

    The copy holds the state of one commit, whatever is written meanwhile (SQLite's online backup).
    It is one file without a write-ahead log, so that it opens on a write-protected medium. It takes
    its name when it is complete, checked and on the disk.

    It replaces only an earlier backup, and never a file of ``keep`` or the log's own files.

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
            # Begin the transaction whose state the copy gets.
            source.execute("BEGIN")
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()
        with translated(unfinished), closing(sqlite3.connect(unfinished)) as copy:
            interruptible(copy)
            # Copy in pieces, so that a signal is handled between them.
            source.backup(copy, pages=_PIECE, progress=lambda *_: None)
            (mode,) = copy.execute("PRAGMA journal_mode = DELETE").fetchone()
            if mode != "delete":
                # SQLite does not raise here: a copy in another mode would be taken for a log.
                raise StoreError(f"{target}: cannot be written whole: the disk reports an error")
            (found,) = copy.execute("PRAGMA quick_check(1)").fetchone()
            if found != "ok":
                raise StoreDamagedError(
                    f"{path}: is damaged, so no copy was made: {' '.join(found.split())}"
                )
            count: int = copy.execute("SELECT count(*) FROM intervals").fetchone()[0]
        with unfinished.open("rb") as file:
            if not _is_backup(file.read(HEAD), b""):
                raise StoreError(f"{target}: cannot be written whole: the disk reports an error")
    return count
