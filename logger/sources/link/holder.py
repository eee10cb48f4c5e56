"""Which program has a port open, as far as proc(5) tells: without root, programs of this user."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from logger.refusals import printable

#: Bytes of a program's name in /proc/PID/comm, proc_pid_comm(5).
_LONGEST_NAME = 16


def holder_of(path: str) -> str:
    """Return name and number of a process that has a file open; empty where none can be told.

    This process itself does not count. Only the names of links are read, so nothing can hang.
    """
    port = os.path.realpath(path)
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):  # ended meanwhile, or another user's
            if any(_leads_to(link, port) for link in (process / "fd").iterdir()):
                name = (process / "comm").read_bytes().strip()
                return f"{printable(name, 4 * _LONGEST_NAME)}, process {process.name}"
    return ""


def _leads_to(link: Path, port: str) -> bool:
    try:
        return str(link.readlink()) == port
    except OSError:  # closed meanwhile
        return False
