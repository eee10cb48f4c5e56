"""Schema of the database and its migrations.

Migrations are written with sqlite-utils, which drags pandas in where it is installed, so this
module is imported only by commands that a person runs, or in a child process before the daemon
settles (``python -m logger.store.schema PATH``).

Tables
------
fittings
    One charger fitted at one time; a replacement starts a new row, history stays.
sessions
    One process run or one import. ``boot_id`` is the kernel's boot id, or NULL for recordings,
    whose clock is Unix time. Times of a session are milliseconds on its own clock;
    UTC = time + ``offset_ms``. ``offset_quality``: 0 unknown, 1 as the board believed, 2 true.
intervals
    See :class:`logger.interval.Interval`. Integers scaled to mV, mC, mJ, centidegrees, seconds
    of running, millilitres; they halve the file against floating point.
events
    What people and the logger noted. ``session`` NULL: ``at_ms`` is UTC; otherwise it is on the
    session's clock. Struck events stay.
raw
    Compressed columns of raw readings, one row per hour at most.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from sqlite_utils.migrations import Migrations

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlite_utils import Database

migrations = Migrations("ebbwatt")


@migrations()
def create(db: Database) -> None:
    """Version 1."""
    db.table("fittings").create(
        {"id": int, "label": str, "rated_w": float, "fitted": str, "started_ms": int},
        pk="id",
        not_null={"label", "rated_w"},
    )
    db.table("sessions").create(
        {
            "id": int,
            "fitting": int,
            "boot_id": str,
            "source": str,
            "version": str,
            "started_ms": int,
            "ended_ms": int,
            "offset_ms": int,
            "offset_quality": int,
            "digest": str,
        },
        pk="id",
        foreign_keys=[("fitting", "fittings", "id")],
    )
    db.table("intervals").create(
        {
            "id": int,
            "session": int,
            "start_ms": int,
            "duration_ms": int,
            "state": int,
            "readings": int,
            "charge_mc": int,
            "energy_mj": int,
            "voltage_min_mv": int,
            "voltage_max_mv": int,
            "voltage_mean_mv": int,
            "voltage_last_mv": int,
            "runtime_s": int,
            "temperature_cc": int,
            "battery_charge_mc": int,
            "fuel_ml": int,
        },
        pk="id",
    )
    db.table("events").create(
        {
            "id": int,
            "session": int,
            "at_ms": int,
            "kind": str,
            "amount": float,
            "text": str,
            "struck_ms": int,
        },
        pk="id",
        not_null={"at_ms", "kind"},
    )
    db.table("raw").create(
        {"id": int, "session": int, "start_ms": int, "end_ms": int, "readings": int, "data": bytes},
        pk="id",
    )


def main(argv: Sequence[str]) -> int:
    """Bring the database named on the command line up to date."""
    from logger.store.files import migrate_here

    migrate_here(Path(argv[0]))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
