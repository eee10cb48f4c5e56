"""A state that goes on saying "running" though nothing runs, and one that flickers between two."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.history.history import STATE_CODE
from analysis.history.sums import sums_by
from analysis.inputs.finding import Finding, Severity, by_day, series
from analysis.physics import blocks_in_series
from logger.reading import OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs
    from analysis.inputs.rest import Told

    Flags = NDArray[np.bool_]

# Limits without another reason are a judgement (no source).
_RUNS = tuple(STATE_CODE[s] for s in (OperatingState.RUNNING, OperatingState.THROTTLED))
_UNKNOWN = STATE_CODE[OperatingState.UNKNOWN]
#: No power flows below this part of rated.
IDLE = 0.04
#: Below this, V per 12 V, nobody charges the bank: no other source holds the charger idle (common
#: practice, no source).
LOW_V = 12.9
#: The state is stuck if it says "running" for so long, h, and for at least this part of the time
#: in which it does not change, against current and counter or current and voltage.
STUCK_H, STUCK_SHARE = 24.0, 0.1
#: Two chargers in one log, or one that is switched all the time: so many changes to and fro in one
#: hour, in at least so many hours, and in this part of the log.
FLICKERS, FLICKER_H, FLICKER_SHARE = 5, 24.0, 0.2
#: Changes to and fro lie within so many seconds.
_TO_AND_FRO_S = 1800.0
#: Above this part of rated the charger runs, where no state is told.
_FLOWS = 0.3


def stuck_state(
    runs: Runs, known: Told, rated_w: float, volts: float
) -> tuple[Finding, Flags] | None:
    """Return a finding about a state that is stuck at running, and the intervals in which it is.

    Parameters
    ----------
    runs
        Of the log; where its states are not believed anyway, nothing is asked.
    known
        What the hour counter alone tells.
    rated_w, volts
        Rated output, W, and usual voltage, V.
    """
    log = runs.log
    says = np.isin(log.state, _RUNS)
    if not runs.states_told or not says.any():
        return None
    with np.errstate(invalid="ignore"):
        idle = says & (np.abs(runs.power_w) < IDLE * rated_w)
        low = log.voltage_mean_v < LOW_V * blocks_in_series(volts)
    wrong = idle & (known.rests | (low & ~known.runs))
    number = np.cumsum(np.diff(says, prepend=False))  # odd where it says running
    groups = int(number[-1]) + 1
    total_h, wrong_h = (
        sums_by(number, np.where(flag, log.duration_s, 0.0), groups) / 3600.0
        for flag in (says, wrong)
    )
    bad = (wrong_h >= STUCK_H) & (wrong_h >= STUCK_SHARE * total_h)
    if not bad.any():
        return None
    where = bad[number] & says
    witness = "the hour counter stands" if known.rests[where].any() else "the voltage is low"
    said_h, idle_h = float(total_h[bad].sum()), float(wrong_h[bad].sum())
    since_s = float(log.start_s[np.argmax(where)])
    return _stuck_finding(log, says, since_s, said_h, idle_h, witness), where


def _stuck_finding(
    log: History, says: Flags, since_s: float, said_h: float, idle_h: float, witness: str
) -> Finding:
    """Tell for how long the state said "running", and in how much of that nothing ran."""
    return Finding(
        "state_stuck",
        Severity.DOUBT,
        since_s,
        f"The state says 'running' for {said_h:.0f} h from {day(since_s)} on, but in "
        f"{idle_h:.0f} h of them no current flows and {witness}. The state is stuck. The power "
        "tells instead when the charger runs.",
        "Look at what the device sends as its state while the charger rests, and at [states]. If "
        "the charger itself says that it runs but gives nothing, look at its fuel and its faults.",
        "'running' only while it runs",
        f"'running' in {idle_h:.0f} h without current",
        by_day(
            "hours by day that the state calls running",
            "h",
            log,
            np.where(says, log.duration_s, 0.0),
            None,
        ),
    )


def without_state(log: History, where: Flags) -> History:
    """Return the log with an unknown state in some intervals."""
    return replace(log, state=np.where(where, _UNKNOWN, log.state).astype(log.state.dtype))


def two_recordings(runs: Runs, rated_w: float) -> Finding | None:
    """Return a finding where the charger seems to start and stop every few minutes for days."""
    log = runs.log
    on = np.isin(log.state, _RUNS)
    known = log.state != _UNKNOWN
    if not known.any():
        with np.errstate(invalid="ignore"):
            on = runs.power_w > _FLOWS * rated_w
            # Between the two it may follow a load that is switched.
            known = on | (np.abs(runs.power_w) < IDLE * rated_w)
    at = np.flatnonzero(known)
    if len(at) < 3:
        return None
    flag, start_s = on[at], log.start_s[at]
    turns = (flag[2:] != flag[1:-1]) & (flag[2:] == flag[:-2])
    turns &= start_s[2:] - start_s[:-2] < _TO_AND_FRO_S
    hour = np.floor((start_s[2:] - start_s[0]) / 3600.0).astype(np.intp)
    count = np.bincount(hour, weights=turns)
    flickers_h = int((count >= FLICKERS).sum())
    logged_h = float(log.duration_s.sum()) / 3600.0
    if flickers_h < max(FLICKER_H, FLICKER_SHARE * logged_h):
        return None
    first = int(np.argmax(count >= FLICKERS))
    since_s = float(start_s[0] + 3600.0 * first)
    usual = float(np.median(count[count >= FLICKERS]))
    return Finding(
        "two_recordings",
        Severity.STOP,
        since_s,
        f"In {flickers_h} of {logged_h:.0f} hours the charger seems to start and stop every "
        f"{60.0 / (usual + 1.0):.0f} minutes. Two chargers' recordings stand in this log in turn, "
        "or something switches it all the time.",
        "If two chargers write into this log, give each a configuration (label, fitted) and a log "
        "of its own, and import its recordings there. If it is one charger, find what switches it: "
        "a loose cable or plug, a relay, a start limit that is too near the stop limit.",
        f"fewer than {FLICKERS} starts and stops an hour",
        f"{usual:.0f} an hour in {flickers_h} h",
        series(
            "starts and stops by hour",
            "1/h",
            start_s[0] + 3600.0 * (np.arange(len(count)) + 0.5),
            count.astype(np.float64),
        ),
    )
