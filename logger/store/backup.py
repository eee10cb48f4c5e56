"""A consistent copy of the database while the logger writes, checked before it takes its name."""

from __future__ import annotations

import sqlite3
from contextlib import closing, suppress
from typing import TYPE_CHECKING

from logger.errors import StoreDamagedError, StoreError, UsageError
from logger.store.files import open_reader, synchronise, translated

if TYPE_CHECKING:
    from pathlib import Path


def backup(path: Path, target: Path) -> int:
    """Copy the database to ``target``; return how many intervals the copy holds.

    The copy is what one commit left, whatever is written meanwhile (SQLite's online backup in one
    step). It is one file without a write-ahead log, so that it opens on a write-protected medium.
    A file of that name is replaced when the copy is complete, checked and on the disk.

    Raises
    ------
    UsageError
        If the target is the database itself.
    StoreError
        If the database cannot be read or is damaged, or the copy cannot be written.
    """
    if target.exists() and path.exists() and target.samefile(path):
        raise UsageError(f"{target}: is the log itself; name another file")
    if not target.parent.is_dir():
        raise StoreError(f"{target}: the folder {target.parent} does not exist; create it first")
    unfinished = target.with_name(target.name + ".new")
    try:
        unfinished.unlink(missing_ok=True)
        with closing(open_reader(path)) as source:
            with translated(path):
                # Opens the transaction that the copy is a picture of.
                source.execute("SELECT count(*) FROM sqlite_master").fetchone()
            with translated(unfinished), closing(sqlite3.connect(unfinished)) as copy:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                (found,) = copy.execute("PRAGMA quick_check(1)").fetchone()
                if found != "ok":
                    raise StoreDamagedError(
                        f"{path}: is damaged, so no copy was made: {' '.join(found.split())}"
                    )
                count: int = copy.execute("SELECT count(*) FROM intervals").fetchone()[0]
        synchronise(unfinished)
        unfinished.replace(target)
        synchronise(target.parent)
    except OSError as error:
        raise StoreError(f"{target}: cannot be written: {error.strerror or error}") from error
    finally:
        # A folder that cannot be written holds nothing to remove.
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)
    return count
