"""Schema of the database and its migrations.

Migrations are written with sqlite-utils, which loads pandas if that is installed. So they run in a
child process (``python -m logger.store.schema PATH``), without pandas.

Tables
------
fittings
    One charger fitted at one time; a replacement starts a new row, history stays.
sessions
    One process run or one import. ``boot_id`` is the kernel's boot id, or NULL for recordings,
    whose clock is Unix time. Times of a session are milliseconds on its own clock;
    UTC = time + ``offset_ms``. ``offset_quality``: 0 unknown, 1 as the board believed, 2 true.
    ``origin`` is NULL for sessions written here, else the ``store`` of the database that they
    were merged from: sessions of one origin are in order of writing.
states
    The number of each operating state in ``intervals``, and its name.
intervals
    See :class:`logger.interval.Interval`. Integers scaled to mV, mC, mJ, centidegrees, seconds
    of running, millilitres; the file is half as large as with floating point.
blocks
    The same intervals as packed columns: see :mod:`logger.store.blocks`. ``rows`` intervals lie
    between ``first_id`` and ``last_id``; 0 means that nothing is packed and the rows must be read.
    Triggers drop a block when one of its rows is changed, deleted or added.
raw
    Raw readings by the hour, a bounded ring: see :mod:`logger.store.raw`. Rows of one ``slot`` are
    of one ``hour`` (of the session's clock); the ring drops the oldest slots.
events
    Events that people and the logger recorded. If ``session`` is NULL, ``at_ms`` is UTC; otherwise
    it is on the session's clock. Struck events stay.
about
    ``store``: a random name of this database; merged rows name it as their origin.
    ``configuration``: boat, charger and battery as configured, as JSON; the same for each fitting,
    ``configuration of fitting N``; see :mod:`logger.store.file_format.carried`.
"""

from __future__ import annotations

import secrets
import sys
from pathlib import Path

if __name__ == "__main__":
    # The child does without what sqlite-utils would load beside itself: half a second, and 70 MiB.
    sys.modules |= {"pandas": None, "numpy": None}  # type: ignore[dict-item]

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from logger.reading import OperatingState
from logger.store import raw
from logger.store.blocks import TRIGGERS
from logger.store.files import APPLICATION_ID, SCHEMA_VERSION
from logger.store.reader import COLUMNS

migrations = Migrations("ebbwatt")


@migrations()
def create(db: Database) -> None:
    """Version 1."""
    db.table("states").insert_all(
        ({"id": code, "name": str(state)} for code, state in enumerate(OperatingState)), pk="id"
    )
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
            "origin": str,
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
    db.table("about").insert({"key": "store", "value": secrets.token_hex(8)}, pk="key")


@migrations()
def blocks(db: Database) -> None:
    """Version 2."""
    table = {"last_id": int, "first_id": int, "rows": int}
    db.table("blocks").create(table | dict.fromkeys(COLUMNS, bytes), pk="last_id")
    for statement in TRIGGERS.values():
        db.execute(statement)


@migrations()
def raw_hours(db: Database) -> None:
    """Version 3."""
    table = dict.fromkeys(("id", "slot", "session", "hour", "readings"), int)
    db.table("raw").create(table | dict.fromkeys(raw.COLUMNS, bytes), pk="id")
    db.table("raw").create_index(["slot"])


def migrate(path: Path) -> None:
    """Bring the schema of the database up to date, in this process."""
    db = Database(path)
    try:
        # Set the application's number first, so that a file after a power cut is known as ours; set
        # the version last, so that the next start completes the migration.
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.enable_wal()
        migrations.apply(db)
        db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
    finally:
        db.close()


if __name__ == "__main__":
    migrate(Path(sys.argv[1]))
