"""Finds leftovers of a bad end that SQLite would ignore without a message.

SQLite ignores a write-ahead log with a broken header: it begins a new log, and the commits in the
old one are lost. It reads a log only up to the first broken frame, and overwrites the rest. It
takes an empty file for a new database.
"""

from __future__ import annotations

import fcntl
import logging
import shutil
import time
from contextlib import closing, suppress
from typing import TYPE_CHECKING

from logger.store.file_format.wal import commits_behind_a_broken_frame, log_header_is_sound
from logger.store.files import damaged_name, open_writer, synchronise, translated

if TYPE_CHECKING:
    from pathlib import Path

#: Wait before a log that looks broken is checked again, s: another program may be writing now.
_AGAIN_S = 1.0
#: Number of commits behind a broken frame that is normal: a power cut may leave one, which was
#: never acknowledged.
_TORN = 1
#: Byte of the index file that every connection of SQLite keeps locked while it is open (the "dead
#: man's switch" of its os_unix.c, from memory; a test holds it against a running logger).
_HELD_BYTE = 128

log = logging.getLogger("ebbwatt")


def find_leftovers(path: Path) -> list[str]:
    """Set a broken write-ahead log aside before anybody writes; return a line for each finding.

    A log that cannot be set aside, on a full disk, is reported as well.

    Raises
    ------
    StoreError
        If the files cannot be read.
    """
    found = []
    with translated(path):
        if path.exists() and path.stat().st_size == 0:
            found.append(f"{path}: has no content; if there was a log in it, it is lost")
        wal = path.with_name(path.name + "-wal")
        if _is_broken(wal):
            time.sleep(_AGAIN_S)
        # A process that has the log open reads it by its index, and would go on in the renamed
        # file.
        if _is_broken(wal) and not _is_open(path):
            found.append(
                f"{wal}: is damaged and {_set_aside(wal)}; what was logged just before the last "
                f"end (an hour or two at most) may be missing"
            )
    return found


def note_leftovers(path: Path) -> None:
    """Report and record what :func:`find_leftovers` finds, for a command that will write.

    Raises
    ------
    StoreError
        As for :func:`find_leftovers` and for opening.
    """
    if not (found := find_leftovers(path)):
        return
    for line in found:
        log.warning(line)
    with closing(open_writer(path)) as connection, translated(path), connection:
        connection.executemany(
            "INSERT INTO events (at_ms, kind, text) VALUES (?, 'store_damaged', ?)",
            ((round(time.time() * 1000.0), line) for line in found),
        )


def _is_broken(wal: Path) -> bool:
    return not log_header_is_sound(wal) or commits_behind_a_broken_frame(wal) > _TORN


def _set_aside(wal: Path) -> str:
    """Keep the log under another name, and say so; if SQLite can read a part, copy it instead."""
    aside = damaged_name(wal)
    try:
        if log_header_is_sound(wal):
            shutil.copyfile(wal, aside)
            synchronise(aside)
        else:
            wal.rename(aside)
    except OSError as error:
        # The logger must go on even if the disk is full.
        with suppress(OSError):
            aside.unlink(missing_ok=True)
        return f"cannot be set aside ({error.strerror or error})"
    return f"set aside as {aside.name}"


def _is_open(path: Path) -> bool:
    """Tell whether another process has the database open."""
    try:
        with path.with_name(path.name + "-shm").open("r+b") as index:
            fcntl.lockf(index, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, _HELD_BYTE)
    except BlockingIOError:
        return True
    except OSError:
        # No index, or none that anybody may write.
        return False
    return False
