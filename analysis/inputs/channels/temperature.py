"""A temperature that stands still while the charger warms up and cools down beside it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.channels.still import still_stretches
from analysis.inputs.finding import Finding, Severity, series
from analysis.units import owner

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs

    Flags = NDArray[np.bool_]

#: A temperature is stuck if it is the same to this part of a degree for so many hours, and so many
#: runs began meanwhile. A week's nights and days move one of whole degrees (judgement, no source).
SAME_K, STILL_H, RUNS_BEGUN = 0.005, 168.0, 3


def stuck_temperature(runs: Runs) -> tuple[Finding, Flags] | None:
    """Return a finding about a temperature that stands still, and the intervals it stands in."""
    log = runs.log
    known = np.isfinite(log.temperature_c)
    found = still_stretches(log, log.temperature_c, known, SAME_K)
    if found is None:
        return None
    told, opens, hours = found.told, found.opens, found.hours
    closes = np.append(opens[1:], len(told)) - 1
    begun_s = np.unique(runs.begun_s)
    # Nearly every interval opens a stretch: only the few long ones are looked at further.
    long = np.flatnonzero(hours >= STILL_H)
    begun = np.zeros(len(opens), dtype=np.intp)
    begun[long] = np.searchsorted(begun_s, log.end_s[told[closes[long]]])
    begun[long] -= np.searchsorted(begun_s, log.start_s[told[opens[long]]])
    bad = begun >= RUNS_BEGUN
    if not bad.any():
        return None
    still = found.intervals(bad, len(log))
    since_s = float(log.start_s[np.argmax(still)])
    units, days = owner().units, float(hours[bad].sum()) / 24.0
    stands = f"{units.degrees(float(log.temperature_c[np.argmax(still)])):.1f} {units.degree}"
    finding = Finding(
        "temperature_stuck",
        Severity.DOUBT,
        since_s,
        f"The temperature stands at {stands} for {days:.0f} days from {day(since_s)} "
        f"on, though {int(begun[bad].sum())} runs began. The value is stuck. It is left out there, "
        "so heat and wear are told apart less well.",
        "Look at the temperature sensor and its cable, and at any device that repeats the last "
        "value.",
        "a temperature that moves by day and night, and when the charger runs",
        f"{stands} for {days:.0f} days",
        series(
            "temperature", units.degree, log.start_s[told], units.degrees(log.temperature_c[told])
        ),
    )
    return finding, still


def without_temperature(log: History, where: Flags) -> History:
    """Return the log without the temperature in some intervals."""
    return replace(log, temperature_c=np.where(where, np.nan, log.temperature_c))
