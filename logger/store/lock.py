"""Allows one logger at a time on a database, by a lock that it holds while it runs (flock(2)).

Two loggers would store the same time twice. The lock is on a file beside the database. So it does
not touch SQLite's own locks, and does not block commands that write now and then (``import``,
``event``). The kernel releases it when its holder ends, even after kill -9; a file that is left
behind does no harm.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import StoreError
from logger.system.output import FILE_MODE

if TYPE_CHECKING:
    from collections.abc import Callable

#: Most digits of a process number.
_DIGITS = 20


class StoreLock:
    """The right to be the logger of a database.

    Parameters
    ----------
    store
        The database, which need not exist yet.
    tell
        Receives one line for a person, once, if the file system allows no lock.
    """

    def __init__(self, store: Path, tell: Callable[[str], None] = lambda _: None) -> None:
        self._store = store
        # One database may be reached by several links.
        real = Path(os.path.realpath(store))
        self._path = f"{real}.lock"
        self._tell = tell
        self._told = False
        self._handle: int | None = None
        self._which = (0, 0)  # device and number of the open file

    def hold(self) -> None:
        """Take the lock if it is not held yet, and again if its file was removed.

        If the file system allows no lock, this tells it once and tries again with each call.

        Raises
        ------
        StoreError
            If another process holds it; the text names that process.
        """
        if self._handle is not None and self._is_there():
            return
        self.release()
        while True:
            try:
                handle = self._open()
            except OSError as error:
                self._cannot(error)
                return
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                which = _which(os.fstat(handle))
            except BlockingIOError:
                holder = _number(handle)
                os.close(handle)
                raise StoreError(
                    f"{self._store}: {holder} logs into it already; end that one first"
                ) from None
            except OSError as error:
                os.close(handle)
                self._cannot(error)
                return
            self._handle, self._which = handle, which
            if self._is_there():
                break
            self._handle = None
            os.close(handle)  # its holder ended and removed the file just now
        with contextlib.suppress(OSError):  # a full disk: the lock is held all the same
            os.ftruncate(handle, 0)
            os.pwrite(handle, str(os.getpid()).encode(), 0)

    def release(self) -> None:
        """Release the lock and remove its file."""
        if self._handle is None:
            return
        if self._is_there():
            with contextlib.suppress(OSError):
                os.unlink(self._path)  # noqa: PTH108 - the path is a text here
        os.close(self._handle)
        self._handle = None

    def _open(self) -> int:
        flags = os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        try:
            handle = os.open(self._path, flags | os.O_RDWR, FILE_MODE)
        except PermissionError:
            return os.open(self._path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        if os.fstat(handle).st_size == 0:
            with contextlib.suppress(OSError):  # whatever the umask is
                os.fchmod(handle, FILE_MODE)
        return handle

    def _is_there(self) -> bool:
        """Tell whether the lock's file still has its name; otherwise another process can lock.

        While it is open, no other file gets its number.
        """
        try:
            return _which(os.lstat(self._path)) == self._which
        except OSError:
            return False

    def _cannot(self, error: OSError) -> None:
        if not self._told:
            self._tell(
                f"{self._path}: cannot be locked ({error.strerror or error}): make sure that no "
                f"second 'ebbwatt log' writes into the same database"
            )
        self._told = True


def _which(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino


def _number(handle: int) -> str:
    with contextlib.suppress(OSError):
        text = os.pread(handle, _DIGITS, 0)
        if text.isdigit():
            return f"process {text.decode()}"
    return "another process"
