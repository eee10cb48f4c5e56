"""Small databases of invented boats, written through the real store."""

import contextlib
import hashlib
import sqlite3
from datetime import date

import numpy as np

from analysis.history.history import STATES
from logger.config import ChargerConfig
from logger.interval import Interval
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.boats import plain_log

CONFIGURATION = """\
[charger]
label = "{label}"
rated_w = 110.0
fitted = 2019-04-11
{more}

[battery]
chemistry = "agm"
charge_ceiling_v = 14.2
"""


def write_boat(path, empty_store, label="aft locker", more="", first=0, **told):
    """Write a log by :func:`tests.support.boats.plain_log.log`, and its configuration beside it."""
    history = plain_log.log(**told)
    path.parent.mkdir(parents=True, exist_ok=True)
    if first == 0:
        path.write_bytes(empty_store)
        change(path, "UPDATE about SET value = ? WHERE key = 'store'", store_id(path))
    path.with_suffix(".toml").write_text(CONFIGURATION.format(label=label, more=more))
    charger = ChargerConfig(label=label, rated_w=110.0, fitted=date(2019, 4, 11))
    start = SessionStart("replay: invented", float(history.start_s[first]), version="test")
    writer = Writer(path, charger, start)
    for k in range(first, len(history)):
        writer.add(_interval(history, k))
        if k % 1000 == 0:  # what waits is bounded
            writer.commit()
    writer.close(float(history.end_s[-1]))
    return path


def store_id(path):
    """Return the id that a boat's database gets: it follows from the file's name."""
    return hashlib.sha256(path.name.encode()).hexdigest()[:16]


def change(path, statement, *values):
    """Run a statement in a database, as whoever prepares a hostile one would."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute(statement, values)
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _interval(history, k):
    def told(values):
        return None if np.isnan(values[k]) else float(values[k])

    return Interval(
        start_s=float(history.start_s[k]),
        duration_s=float(history.duration_s[k]),
        state=STATES[history.state[k]],
        readings=int(history.readings[k]),
        charge_c=float(history.charge_c[k]),
        energy_j=float(history.energy_j[k]),
        voltage_min_v=float(history.voltage_min_v[k]),
        voltage_max_v=float(history.voltage_max_v[k]),
        voltage_mean_v=float(history.voltage_mean_v[k]),
        voltage_last_v=float(history.voltage_last_v[k]),
        runtime_h=told(history.runtime_h),
        temperature_c=told(history.temperature_c),
        battery_charge_c=None,
        fuel_l=None,
    )
