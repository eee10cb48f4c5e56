"""Looks for what a bad end may have left of a database that SQLite would pass over in silence.

A write-ahead log whose header is broken holds commits that SQLite no longer finds: it begins a new
log in its place without a word. A file without a byte passes for a database that is still to come.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from logger.store.files import damaged_name, translated
from logger.store.pages import log_header_is_sound

if TYPE_CHECKING:
    from pathlib import Path

#: Another program may be writing the header at this instant; it is looked at again after so long.
_AGAIN_S = 1.0


def look(path: Path) -> list[str]:
    """Set a broken log aside before anybody writes; say what was found, a line each.

    Raises
    ------
    StoreError
        If a broken log cannot be given another name.
    """
    found = []
    with translated(path):
        if path.exists() and path.stat().st_size == 0:
            found.append(f"{path}: has no content; if there was a log in it, it is lost")
        log = path.with_name(path.name + "-wal")
        if not log_header_is_sound(log):
            time.sleep(_AGAIN_S)
        if not log_header_is_sound(log):
            aside = damaged_name(log)
            log.rename(aside)
            found.append(
                f"{log}: is damaged and set aside as {aside.name}; what was logged just before "
                f"the last end (an hour or two at most) may be missing"
            )
    return found
