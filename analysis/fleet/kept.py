"""Tells which boats have changed since their result was made; loads nothing heavy."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.fleet import folder
from logger import __version__

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

#: Rises when what is kept of a boat changes: then all boats are assessed again.
SCHEMA = "ebbwatt/fleet-result/5"


def changed(boats: Iterable[Path], *, reports: bool = False) -> list[str]:
    """Return the folders of the boats that must be assessed.

    Parameters
    ----------
    boats
        The folders of all boats.
    reports
        Whether a boat without a report of its own counts as changed.
    """
    return [
        str(boat)
        for boat in boats
        if (boat / folder.LOG).exists()
        and not (
            is_current(boat, folder.read_json(boat / folder.RESULT))
            and (not reports or (boat / folder.REPORT).exists())
        )
    ]


def is_current(boat: Path, result: dict[str, Any] | None) -> bool:
    """Tell by sizes and times alone whether the kept result was made from the present files."""
    return (
        result is not None
        and result.get("schema") == SCHEMA
        and result.get("version") == __version__
        and result.get("files") == stamps(boat)
    )


def stamps(boat: Path) -> dict[str, list[int]]:
    """Return size and time of what a boat is assessed from."""
    found = {}
    for name in (folder.LOG, folder.CONFIGURATION):
        path = boat / name
        if path.exists():
            about = path.stat()
            found[name] = [about.st_size, about.st_mtime_ns]
    return found
