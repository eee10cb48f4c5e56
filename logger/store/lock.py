"""One logger at a time on one database: a lock that is held for life (flock(2)).

Two loggers would write the same time twice. The lock is a file beside the database, so that
SQLite's own locks are left alone and commands that write now and then (``import``, ``event``) are
not held up. The kernel releases it however its holder ends; a file that was left behind means
nothing.
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

#: Longest number of a process, digits.
_DIGITS = 20


class StoreLock:
    """The right to be the logger of a database.

    Parameters
    ----------
    store
        The database, which need not exist yet.
    tell
        Takes a line for a person, once, if there can be no lock.
    """

    def __init__(self, store: Path, tell: Callable[[str], None] = lambda _: None) -> None:
        self._store = store
        # One database may be reached by several links.
        real = Path(os.path.realpath(store))
        self._path = real.with_name(f"{real.name}.lock")
        self._tell = tell
        self._told = False
        self._handle: int | None = None

    def hold(self) -> None:
        """Take the lock if it is not held yet, and anew if its file was taken away.

        Where there can be none it is told, and tried again with each call.

        Raises
        ------
        StoreError
            If another process holds it; the text names that process.
        """
        if self._handle is not None and self._is_there(self._handle):
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
            if self._is_there(handle):
                break
            os.close(handle)  # its holder ended and took the file away just now
        self._handle = handle
        with contextlib.suppress(OSError):  # a full disk: the lock is held all the same
            os.ftruncate(handle, 0)
            os.pwrite(handle, str(os.getpid()).encode(), 0)

    def release(self) -> None:
        """Give the lock back and take its file away."""
        if self._handle is None:
            return
        if self._is_there(self._handle):
            with contextlib.suppress(OSError):
                self._path.unlink()
        os.close(self._handle)
        self._handle = None

    def _open(self) -> int:
        flags = os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        try:
            handle = os.open(self._path, flags | os.O_RDWR, FILE_MODE)
        except PermissionError:
            return os.open(self._path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        if os.fstat(handle).st_size == 0:
            with contextlib.suppress(OSError):  # the umask is not asked
                os.fchmod(handle, FILE_MODE)
        return handle

    def _is_there(self, handle: int) -> bool:
        """Tell whether the file of a lock still has its name: else another could lock anew."""
        try:
            return os.path.samestat(os.fstat(handle), self._path.stat(follow_symlinks=False))
        except OSError:
            return False

    def _cannot(self, error: OSError) -> None:
        if not self._told:
            self._tell(
                f"{self._path}: cannot be locked ({error.strerror or error}): see to it that no "
                f"second 'ebbwatt log' writes into the same database"
            )
        self._told = True


def _number(handle: int) -> str:
    with contextlib.suppress(OSError):
        text = os.pread(handle, _DIGITS, 0)
        if text.isdigit():
            return f"process {text.decode()}"
    return "another process"
