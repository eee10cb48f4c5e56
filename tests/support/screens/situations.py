"""Situations of the dashboard: what is known in each of them."""

from dataclasses import replace
from datetime import UTC

import numpy as np

from analysis.assessment.service import Due
from analysis.estimate import Span
from analysis.history.history import STATE_CODE, History
from analysis.show.dashboard.facts import WORKED_OUT, Fuel, Moment, collect
from logger.reading import OperatingState, Reading
from logger.store.files import DAMAGED_WORDS
from logger.store.reader import Fitting
from logger.system.snapshot import Snapshot
from tests.support.screens import scenes

NOW_S = scenes.END_S


def recent(hours_of_silence=0.0):
    """Return eight days in which the charger ran six hours each day from noon."""
    count = int(8 * 144 - hours_of_silence * 6)
    start = NOW_S - 8 * 86400.0 + 600.0 * np.arange(count)
    hour = (start % 86400.0) / 3600.0
    running = (hour >= 12.0) & (hour < 18.0)
    state = np.where(
        running, STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
    )
    volts = np.where(running, 13.0 + 0.1 * (hour - 12.0), 12.7 - 0.01 * ((hour - 18.0) % 24.0))
    energy = np.where(running, 78.0 * 600.0, 0.0)
    nan = np.full(count, np.nan)
    return History(
        start, np.full(count, 600.0), state.astype(np.int8), np.full(count, 600), energy / 13.3,
        energy, volts, volts, volts, volts, 3120.0 + 0.0 * start, nan, nan, nan,
        np.ones(count, dtype=np.int64), np.ones(count, dtype=bool),
        Fitting(1, "aft locker", 110.0, None), scenes.events(),
    )  # fmt: skip


def snapshot(reading, age_s=0.4, **changes):
    base = Snapshot(
        boottime_s=1000.0, written_s=NOW_S, boot_id="b", session=1, source="keyvalue on a port",
        link="live", link_reason="", reading=reading, reading_age_s=age_s, readings=500,
        refused={"no key and value": 3},
    )  # fmt: skip
    return replace(base, **changes)


def reading(state, volts=13.31, amps=5.9):
    return Reading(1000.0, volts, amps, state, 3120.4)


PRODUCING = snapshot(reading(OperatingState.RUNNING))


RESTING = snapshot(reading(OperatingState.STANDBY, 12.71, 0.0))


FAULT = snapshot(
    replace(reading(OperatingState.FAULT, 12.71, 0.0), word="E 4711"),
    state_since_utc_s=NOW_S - 1860.0,
)


UNNAMED = snapshot(
    replace(reading(OperatingState.UNKNOWN, 12.71, 0.0), word="PURGE"),
    state_since_utc_s=NOW_S - 86400.0,
)


WORN = snapshot(reading(OperatingState.RUNNING, 13.21, 4.4))


SITUATIONS = {
    "producing": (PRODUCING, recent(), scenes.assessment(), None),
    "resting": (RESTING, recent(), scenes.sound(), None),
    "fault": (FAULT, recent(), scenes.sound(), None),
    "unnamed-state": (UNNAMED, recent(), scenes.sound(), None),
    "working-out": (RESTING, recent(), None, Fuel(note=WORKED_OUT)),
    "unreadable": (None, None, None, Fuel(note="the log cannot be read")),
    "stale": (
        snapshot(
            reading(OperatingState.RUNNING), age_s=5400.0, link="waiting",
            link_reason="a port: there is no such port; is the cable in?",
        ),
        recent(1.5), scenes.assessment(), None,
    ),
    "not-logging": (
        None, recent(30.0),
        replace(scenes.assessment(), observed_to_s=NOW_S - 30 * 3600.0), None,
    ),
    "no-data": (None, None, None, None),
    "fuel-low": (
        PRODUCING, recent(), scenes.sound(),
        Fuel(Span(1.1, 1.4, 1.7), Span(1.2, 1.9, 3.0), low=True),
    ),
    "replacement-due": (WORN, recent(), scenes.replacement_due(), None),
    "service-due": (
        RESTING, recent(),
        replace(scenes.sound(), service=(
            Due("intake-filter", NOW_S - 9e6, -12.0, NOW_S - 3600.0, None),
            Due("exhaust-check", NOW_S - 9e6, None, None, NOW_S + 90 * 86400.0),
        )),
        None,
    ),
}  # fmt: skip


#: Why there is no assessment.
NOTES = {
    "no-data": "there is no such database yet",
    "working-out": WORKED_OUT,
    "unreadable": "the log cannot be read",
}


DAMAGED = f"ebbwatt.db: {DAMAGED_WORDS}"


def facts_of(config, name):
    snap, log, assessment, fuel = SITUATIONS[name]
    note = NOTES.get(name, "")
    moment = Moment(NOW_S, 1000.5, "b", UTC)
    trouble = DAMAGED if name == "unreadable" else ""
    return collect(moment, config, snap, log, assessment, note, fuel, trouble)
