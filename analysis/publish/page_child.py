"""Makes the owner's page once and ends: ``python -m analysis.publish.page_child CONFIGURATION``.

Standard input holds the document of ``ebbwatt fuel --json``, or nothing.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.publish.facts import gather
from analysis.publish.page import MARK, page
from analysis.publish.recent import read_recent
from analysis.publish.settings import publishing
from analysis.units import read_as
from logger.config import load_config
from logger.errors import EbbwattError, StoreError
from logger.system.output import PUBLIC_MODE, Kind, kept, write_whole
from logger.system.snapshot import snapshot_path

if TYPE_CHECKING:
    from logger.config import Config

OWNERS_PAGE = Kind(
    "owner's page",
    lambda head, _: head.startswith(b"<!DOCTYPE html>") and MARK.encode() in head,
)
#: The fuel document has some kilobytes.
_MOST_FUEL = 1_000_000


def write_page(config: Config, settings: dict[str, Any], assessment: Path, fuel: bytes) -> None:
    """Write the page from what is known now.

    Raises
    ------
    EbbwattError
        If the file cannot be written.
    """
    now_s = time.time()
    facts = gather(config.charger.label, snapshot_path(config.store.path), assessment)
    note = ""
    try:
        recent = read_recent(config.store.path, now_s, config.boat.zone)
    except StoreError as error:
        recent, note = None, str(error)
    try:
        told = json.loads(fuel) if fuel else None
    except ValueError:
        told = None
    limit = config.charger.replace_below
    made = page(facts, recent, told, now_s, limit, settings["report"], note)
    file = settings["folder"] / "index.html"
    write_whole(file, made, OWNERS_PAGE, kept(config), PUBLIC_MODE)


def main() -> int:
    """Write the page and return the exit status."""
    config = load_config(Path(sys.argv[1]), quiet=True)
    read_as(config.boat)
    chosen = publishing(config)
    if chosen.page is None:
        return 0
    try:
        write_page(config, chosen.page, chosen.assessment, sys.stdin.buffer.read(_MOST_FUEL))
    except EbbwattError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
