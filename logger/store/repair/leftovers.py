"""Looks for what a bad end may have left of a database that SQLite would pass over in silence.

A write-ahead log whose header is broken holds commits that SQLite no longer finds: it begins a new
log in its place without a word. It also reads one no further than to its first broken frame, and
writes over the rest. A file without a byte passes for a database that is still to come.
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

#: Another program may be writing just now; what looks broken is looked at again after so long.
_AGAIN_S = 1.0
#: Of a write that a cut tore, one commit may stand behind the tear: it was never acknowledged.
_TORN = 1
#: Byte of the index file that every connection of SQLite keeps locked while it is open (the "dead
#: man's switch" of its os_unix.c, from memory; a test holds it against a running logger).
_HELD_BYTE = 128

log = logging.getLogger("ebbwatt")


def find_leftovers(path: Path) -> list[str]:
    """Set a broken log aside before anybody writes; say what was found, a line each.

    What cannot be set aside, on a disk without room, is told all the same.

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
        # Whoever has it open finds everything by the index, and would go on in the renamed file.
        if _is_broken(wal) and not _is_open(path):
            found.append(
                f"{wal}: is damaged and {_set_aside(wal)}; what was logged just before the last "
                f"end (an hour or two at most) may be missing"
            )
    return found


def note_leftovers(path: Path) -> None:
    """Tell and count what :func:`find_leftovers` finds, for a command that is about to write.

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
    """Keep the log under another name, and say so; what SQLite still finds stays in its place."""
    aside = damaged_name(wal)
    try:
        if log_header_is_sound(wal):
            shutil.copyfile(wal, aside)
            synchronise(aside)
        else:
            wal.rename(aside)
    except OSError as error:
        # The logger must go on, on a full disk too.
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
