"""Tells the daemon whether somebody watches the live snapshot, without messages between processes.

A program that shows the live snapshot holds a shared lock (flock(2)) on a file beside it. The
kernel releases the lock when the program ends, even after kill -9. While nobody watches, the daemon
may handle readings later and together.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from typing import TYPE_CHECKING

from logger.system.output import FILE_MODE
from logger.system.snapshot import own_folder

if TYPE_CHECKING:
    from pathlib import Path


#: The snapshot's folder is our own (snapshot.own_folder), and a link in it is not followed.
_FLAGS = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC


def _beside(snapshot: Path) -> str:
    return f"{snapshot}.watched"


class Onlookers:
    """The daemon's side.

    Parameters
    ----------
    snapshot
        Path of the live snapshot, whose folder need not exist yet.
    """

    def __init__(self, snapshot: Path) -> None:
        self._path = _beside(snapshot)
        self._folder = snapshot.parent
        self._file: int | None = None

    def present(self) -> bool:
        """Tell whether somebody watches; True also where that cannot be known."""
        try:
            if self._file is None:
                own_folder(self._folder)
                self._file = os.open(self._path, _FLAGS, FILE_MODE)
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            fcntl.flock(self._file, fcntl.LOCK_UN)
        except OSError:
            return True
        return False

    def close(self) -> None:
        """Remove the file."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
            with contextlib.suppress(OSError):
                os.unlink(self._path)  # noqa: PTH108 - the path is a text here


class Onlooker:
    """The side of the program that watches; it needs only permission to read.

    Parameters
    ----------
    snapshot
        Path of the live snapshot.
    """

    def __init__(self, snapshot: Path) -> None:
        self._path = _beside(snapshot)
        self._file: int | None = None
        self._held = False

    def look(self) -> None:
        """Hold the lock; call this with each reading of the snapshot."""
        try:
            there = os.stat(self._path)  # noqa: PTH116 - as above
            if self._file is not None and not os.path.samestat(there, os.fstat(self._file)):
                self.close()  # the file of a daemon that has ended
            if self._file is None:
                self._file = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)
            if not self._held:
                fcntl.flock(self._file, fcntl.LOCK_SH | fcntl.LOCK_NB)
                self._held = True
        except OSError:
            return  # no daemon yet, or it tests the lock at this instant: the next call will do

    def close(self) -> None:
        """Release the lock."""
        if self._file is not None:
            os.close(self._file)
        self._file, self._held = None, False
