"""The boat's own time zone: its days begin at local midnight.

Zones are named as in the IANA time zone database (RFC 6557), which the operating system or the
package tzdata provides. Without a name it is the zone of this machine.
"""

from __future__ import annotations

import functools
import os
import zoneinfo
from datetime import UTC, tzinfo
from pathlib import Path

#: Where the operating system keeps the zone of the machine.
MACHINE = Path("/etc/localtime")


def zone_of(name: str | None) -> tzinfo:
    """Return a time zone by its IANA name; without a name that of this machine.

    Raises
    ------
    KeyError
        If there is no zone of that name.
    """
    if name is None:
        return _machine_zone()
    if name == "UTC":  # works without a database of zones
        return UTC
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise KeyError(name) from None


def known_zones() -> list[str]:
    """Return the names of the zones that this machine knows; empty without a database of zones."""
    return sorted(zoneinfo.available_timezones())


def _machine_zone() -> tzinfo:
    """Return the zone of this machine, by ``TZ`` or by its own setting; else UTC."""
    told = os.environ.get("TZ", "").removeprefix(":")
    if told:
        try:
            return zoneinfo.ZoneInfo(told)
        except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
            return UTC
    try:
        return _zone_in(MACHINE, MACHINE.stat().st_mtime_ns)
    except (OSError, ValueError):
        return UTC


@functools.lru_cache(maxsize=1)
def _zone_in(path: Path, changed_ns: int) -> tzinfo:
    """Return the zone in a file; one that has not changed is read once."""
    del changed_ns
    with path.open("rb") as file:
        return zoneinfo.ZoneInfo.from_file(file)
