"""A current that goes on after the charger has stopped: averaged, late, or of something else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.history.runs import FLOWING
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.rest import RESTS, RUN_CODES, stretches
from analysis.inputs.zero import STEADY, mean_current
from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.inputs.rest import Told

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# All limits here are a judgement (no source).
#: The time after a stop that is looked at, h, and the shortest rest.
AFTER_H, REST_H = (1.0, 2.0), 3.0
#: So many rests, and this part of them, begin with a current.
LEAST, SHARE = 5, 0.8
#: It differs from rest to rest by more than two zeros may; a zero that is off is taken off.
DIFFERS = 2.0 * STEADY
#: A charger is warm after half an hour, a slow one after an hour and a half (common practice, no
#: source). A mean of hours rises beyond both times: soon it is below RISES of the later current,
#: when warm below STILL of it. The check looks for that in this part of the runs (MOST).
SOON_H, WARM_H, LATER_H, RISES, STILL, MOST = (0.5, 0.8), (1.5, 2.0), (3.0, 4.0), 0.6, 0.85, 0.6
#: A voltage within this part of the log's highest ones is held by the charger: 0.1 V of 12 V.
HIGH, HELD = 0.98, 0.992
#: The later current is that of a charger that produces from this part of the rated one on.
PRODUCES = 0.3
LATE = "current_late"


WHAT_TO_DO = (
    "Look for, in this order: a recording of hourly or daily means (record the readings "
    "themselves, every minute or oftener); a sensor that also sees another source or the "
    "boat's loads (move it into the charger's own output cable); a sensor that shows no sign; "
    "a state or an hour counter of another unit."
)


def late_current(log: History, known: Told, rated_a: float) -> Finding | None:
    """Return a finding where most rests begin with a current.

    Parameters
    ----------
    log
        In order of time, the zero of the current still in it.
    known
        What the hour counter tells of runs and rests. The words of the state are looked at
        whether they are believed or not: an averaged current makes true states look wrong.
    rated_a
        Rated current, A.
    """
    return _flows_on(log, known, rated_a) or _rises_slowly(log, known, rated_a)


def _flows_on(log: History, known: Told, rated_a: float) -> Finding | None:
    """Return a finding where a current still flows an hour after most stops."""
    amps_a, time_s = _after_stops(log, known)
    flows = amps_a > FLOWING * rated_a
    count, number = int(flows.sum()), len(flows)
    if count < max(LEAST, SHARE * number):
        return None
    if float(np.median(np.abs(np.diff(amps_a[flows])))) < DIFFERS * rated_a:
        return None
    usual = float(np.median(amps_a[flows]))
    since_s = float(time_s[flows][0])
    return Finding(
        LATE,
        Severity.STOP,
        since_s,
        f"An hour after the charger has stopped, {usual:.1f} A still flow in {count} of {number} "
        f"rests (first on {day(since_s)}). The current is averaged over hours, or it is not that "
        "of the charger.",
        WHAT_TO_DO,
        "0 A an hour after a stop",
        f"{usual:.1f} A in {count} of {number} rests",
        series("current one to two hours after each stop", "A", time_s, amps_a, 0.0),
    )


def _after_stops(log: History, known: Told) -> tuple[Floats, Floats]:
    """Return the current an hour after each stop, A, and the time of the stop; shape (rests,)."""
    current = mean_current(log)
    rests = stretches(np.isin(log.state, RESTS), log)
    if len(rests) < LEAST:
        rests = stretches(known.rests, log)
    after_a, begun_s = [], []
    for first, last in rests:
        if log.end_s[last] - log.start_s[first] < 3600.0 * REST_H:
            continue
        since_h = (log.start_s[first : last + 1] - log.start_s[first]) / 3600.0
        amps = current[first : last + 1][(since_h >= AFTER_H[0]) & (since_h < AFTER_H[1])]
        amps = amps[np.isfinite(amps)]
        if len(amps):
            after_a.append(quantile_of(amps, 0.5))
            begun_s.append(float(log.start_s[first]))
    return np.array(after_a), np.array(begun_s)


def _rises_slowly(log: History, known: Told, rated_a: float) -> Finding | None:
    """Return a finding where the current of most runs rises for hours, as a mean of hours does."""
    soon_a, later_a, begun_s = _after_starts(log, known, rated_a)
    part = soon_a / later_a
    rises = part < RISES
    count, number = int(rises.sum()), len(rises)
    if count < max(LEAST, MOST * number):
        return None
    since_s = float(begun_s[rises][0])
    seen = (
        f"{float(np.median(soon_a[rises])):.1f} A half an hour after a start, "
        f"{float(np.median(later_a[rises])):.1f} A three hours after it"
    )
    return Finding(
        LATE,
        Severity.STOP,
        since_s,
        f"The current rises for hours after a start, in {count} of {number} runs (first on "
        f"{day(since_s)}). It is averaged over hours, or it is not that of the charger: {seen}.",
        WHAT_TO_DO,
        "the full current half an hour after a start",
        seen,
        series(
            "current half an hour after a start, in % of that three hours later",
            "%",
            begun_s,
            100.0 * part,
            100.0,
        ),
    )


def _after_starts(log: History, known: Told, rated_a: float) -> tuple[Floats, Floats, Floats]:
    """Return the current soon after each start and hours later, A, and the time of the start.

    A charger that is warm within two hours counts as one that rose at once: both are the later one.
    """
    current, volts = mean_current(log), log.voltage_mean_v
    runs = stretches(np.isin(log.state, RUN_CODES), log)
    if len(runs) < LEAST:
        runs = stretches(known.runs, log)
    found: list[tuple[float, float, float]] = []
    highest_v = np.nanquantile(volts, HIGH) if np.isfinite(volts).any() else np.inf
    for first, last in runs:
        since_h = (log.start_s[first : last + 1] - log.start_s[first]) / 3600.0
        amps = current[first : last + 1]
        # A charger that holds its ceiling gives what the battery and the boat take.
        soon = (since_h >= SOON_H[0]) & (since_h < SOON_H[1])
        if (volts[first : last + 1][soon] >= HELD * highest_v).any():
            continue
        early, later, warm = (
            amps[(since_h >= begin) & (since_h < end) & np.isfinite(amps)]
            for begin, end in (SOON_H, LATER_H, WARM_H)
        )
        if not len(early) or not len(later):
            continue
        later_a = quantile_of(later, 0.5)
        if later_a < PRODUCES * rated_a:
            continue
        is_warm = len(warm) and quantile_of(warm, 0.5) >= STILL * later_a
        soon_a = later_a if is_warm else quantile_of(early, 0.5)
        found.append((soon_a, later_a, float(log.start_s[first])))
    soon_a_of, later_a_of, begun_s = np.array(found).reshape(-1, 3).T
    return soon_a_of, later_a_of, begun_s
