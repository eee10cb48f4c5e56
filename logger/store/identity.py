"""Notices that the database was deleted, moved or replaced while it is open, and keeps its content.

A process can go on writing into a file that has no name any more; that file is gone when the
process ends.
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
    """Whether the name of the database still leads to the open file, and if not, why."""

    THERE = "there"
    DELETED = "was deleted"
    MOVED = "was moved away"
    REPLACED = "was replaced by another file"
    LOG_GONE = "lost its write-ahead log"


class OpenFile:
    """The file of an open connection.

    Parameters
    ----------
    path
        The database, which must exist.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        # Closing an ordinary handle would drop SQLite's locks on the file (fcntl(2)). Closing a
        # handle opened with O_PATH does not (open(2)).
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
        """Compare the open file with the file of that name."""
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
        """Note the write-ahead log, which exists from the first commit on."""
        self._log = self._stat_log()

    def remove_log(self) -> None:
        """Remove this file's write-ahead log from beside a name that now leads to another file.

        SQLite would apply the log to that other file.
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
    """Save the content of an open file under a name; return what was done, in one line.

    A deleted file gets its name back. If another file has taken the name, the content is kept
    beside it under a new name. A moved file is complete where it is now, and a new one begins under
    the old name. Close the connection afterwards.

    Raises
    ------
    StoreUnwritableError
        If the disk is full; the connection stays usable.
    """
    path = file.path
    said = f"{path}: {standing.value} while it was logged into"
    with translated(path):
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
    if standing is Standing.LOG_GONE:
        return f"{said}; its content is in the database"
    if file.has_a_name:
        file.remove_log()
        new = "a new one is begun" if standing is Standing.MOVED else "the log goes on in that one"
        return f"{said}; {new}"
    if standing is Standing.DELETED:
        _copy(connection, path, file)
        return (
            f"{said}; it was written again with all its content. To begin a new one, end the "
            f"logger first"
        )
    aside = free_name(path, "replaced")
    _copy(connection, aside, file)
    return f"{said}; its content is kept as {aside.name}, the log goes on in the new one"


def _copy(connection: sqlite3.Connection, target: Path, file: OpenFile) -> None:
    """Copy the content of a connection into a file of that name, completely or not at all."""
    partial = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with contextlib.suppress(FileNotFoundError):
            partial.unlink()
        os.close(os.open(partial, os.O_CREAT | os.O_EXCL | os.O_WRONLY, FILE_MODE))
        partial.chmod(FILE_MODE)
        with translated(target), closing(sqlite3.connect(partial)) as copy:
            connection.backup(copy)
            # One plain file, so that only one file must be renamed.
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
