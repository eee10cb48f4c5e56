"""Notices that the database was deleted, moved or replaced while it is open, and loses nothing.

A process keeps writing into a file that has no name any more, and all of it is gone when it ends.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from contextlib import closing
from enum import Enum
from typing import TYPE_CHECKING

from logger.errors import StoreUnwritableError
from logger.store.files import free_name, synchronise, translated
from logger.system.output import FILE_MODE

if TYPE_CHECKING:
    from pathlib import Path


class Standing(Enum):
    """How the file that is open stands to its name."""

    THERE = "there"
    DELETED = "was deleted"
    MOVED = "was moved away"
    REPLACED = "was replaced by another file"
    LOG_GONE = "lost its write-ahead log"


class OpenFile:
    """The file of an open connection, and how it stands to its name.

    Parameters
    ----------
    path
        The database, which must exist.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        # Closing a plain handle would drop SQLite's own locks on the file: fcntl(2). Of a handle
        # for the path alone (open(2), O_PATH) that is not so.
        self._handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
        self._log: tuple[int, int] | None = None

    def close(self) -> None:
        """Forget the file."""
        os.close(self._handle)

    @property
    def has_a_name(self) -> bool:
        """Tell whether the file has a name anywhere on its file system."""
        return os.fstat(self._handle).st_nlink > 0

    def standing(self) -> Standing:
        """Look where the name leads now."""
        try:
            there = self.path.stat()
        except OSError:
            return Standing.MOVED if self.has_a_name else Standing.DELETED
        if not os.path.samestat(there, os.fstat(self._handle)):
            return Standing.REPLACED
        log = self._stat_log()
        if self._log is not None and log != self._log:
            return Standing.LOG_GONE
        return Standing.THERE

    def committed(self) -> None:
        """Take note of the write-ahead log, which is there from the first commit on."""
        self._log = self._stat_log()

    def remove_log(self) -> None:
        """Remove the log of this file from beside a name that leads elsewhere now.

        SQLite would put it into the file that stands there.
        """
        if self._log is None or self._stat_log() == self._log:
            for end in ("-wal", "-shm"):
                with contextlib.suppress(OSError):
                    self.path.with_name(self.path.name + end).unlink()

    def _stat_log(self) -> tuple[int, int] | None:
        try:
            found = self.path.with_name(self.path.name + "-wal").stat()
        except OSError:
            return None
        return found.st_dev, found.st_ino


def keep_contents(connection: sqlite3.Connection, file: OpenFile, standing: Standing) -> str:
    """Bring what an open file holds to where it can be found; say what was done, in one line.

    A deleted one gets its name back. The contents of one whose name another file has taken are
    kept beside it under a new name. One that was moved is whole where it is now, and a new one
    begins under the name. The connection must be closed afterwards.

    Raises
    ------
    StoreUnwritableError
        If there is no room for it; the connection can go on being used.
    """
    path = file.path
    said = f"{path}: {standing.value} while it was logged into"
    with translated(path):
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
    if standing is Standing.LOG_GONE:
        return f"{said}; what was in it is in the database"
    if file.has_a_name:
        file.remove_log()
        new = "a new one is begun" if standing is Standing.MOVED else "the log goes on in that one"
        return f"{said}; {new}"
    if standing is Standing.DELETED:
        _copy(connection, path, file)
        return f"{said}; it was written anew with all it held. End the logger to begin a new one"
    aside = free_name(path, "replaced")
    _copy(connection, aside, file)
    return f"{said}; what it held is kept as {aside.name}, the log goes on in the new one"


def _copy(connection: sqlite3.Connection, target: Path, file: OpenFile) -> None:
    """Copy what a connection sees into a file of that name, whole or not at all."""
    partial = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with contextlib.suppress(FileNotFoundError):
            partial.unlink()
        os.close(os.open(partial, os.O_CREAT | os.O_EXCL | os.O_WRONLY, FILE_MODE))
        partial.chmod(FILE_MODE)
        with translated(target), closing(sqlite3.connect(partial)) as copy:
            connection.backup(copy)
            # Nothing beside it has to be renamed with it.
            copy.execute("PRAGMA journal_mode = DELETE")
        synchronise(partial)
        file.remove_log()
        partial.replace(target)
        synchronise(target.parent)
    except OSError as error:
        raise StoreUnwritableError(f"{target}: {error.strerror or error}") from None
    finally:
        with contextlib.suppress(OSError):
            partial.unlink()
