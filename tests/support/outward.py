"""Facts for the tests of what is handed outwards: an invented moment of an invented charger."""

import time
from dataclasses import replace

from analysis.publish.facts import Facts
from logger.reading import OperatingState, Reading
from logger.system.snapshot import Snapshot, SnapshotFile, boot_id, boottime_s

READING_S = 1_764_400_000.5
READING = Reading(
    0.0,
    13.312,
    4.2,
    OperatingState.RUNNING,
    runtime_h=812.5,
    temperature_c=23.4,
    battery_current_a=-1.25,
    fuel_l=6.25,
)
DOCUMENT = {
    "schema": "ebbwatt/assessment/1",
    "charger": {"label": "aft locker", "rated_w": 110.0},
    "observed": {"from": "2022-04-18T06:00:00Z", "to": "2025-09-08T08:59:00Z"},
    "output": {"fraction": 0.64077, "low": 0.63583, "high": 0.64564},
    "remaining": {"hours": {"low": 369.3, "median": 496.4, "high": 648.0}},
    "verdict": "plan",
    "course": {
        "runtime_h": [0.0, 2000.0, 4606.0],
        "median": [1.01, 0.85, 0.64],
        "low": [0.99, 0.83, 0.63],
        "high": [1.03, 0.87, 0.65],
    },
}


def snapshot(**changes):
    """Return a fresh snapshot of a live logger."""
    made = Snapshot(
        boottime_s=boottime_s(),
        written_s=time.time(),
        boot_id=boot_id(),
        session=1,
        source="an invented charger",
        link="live",
        link_reason="",
        reading=READING,
        reading_age_s=0.5,
        energy_j=5.4e6,
        readings=100,
        refused={'a "strange"\nreason': 3},
    )
    return replace(made, **changes)


def facts(**changes):
    """Return facts with a live reading and a document."""
    made = Facts("aft locker", snapshot(), READING, READING_S, DOCUMENT)
    return replace(made, **changes)


def silent(**changes):
    """Return facts of a logger whose source is silent."""
    return facts(reading=None, **changes)


def write(path, **changes):
    """Write a fresh snapshot where the publisher looks for it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    SnapshotFile(path).write(snapshot(**changes))
