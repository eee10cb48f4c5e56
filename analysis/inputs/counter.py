"""The charger's hour counter against the running that the log saw.

A sound counter grows with the running and stands still at rest. One that does not is told, and the
hours seen in the log lead; a counter that jumps back is told with its date and asked about.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.history.hours import credible_growth_h
from analysis.inputs.finding import Finding, Series, Severity, series

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Less running than this says nothing about a counter, h (our choice, many steps of one in hours).
LEAST_H = 24.0
#: Growth against running: within this part it is sound (starting and stopping may count or
#: not; our choice).
AGREES = 0.10
#: Growth at rest from this part of the resting time on: it counts the hours switched on (our
#: choice, somebody may switch it off at times).
COUNTS_REST = 0.8
#: Units that a counter may be in, with what its growth per running hour then is; and within which
#: part it must agree (our choice, units are far further apart).
UNITS = {
    "seconds": 3600.0,
    "minutes": 60.0,
    "tenths of an hour": 10.0,
    "hundredths of an hour": 100.0,
    "days": 1.0 / 24.0,
}
#: A unit explains a counter that counts within this part of what it then should: running hours
#: are known to some per cent, and no two units are as near (our choice).
_UNIT_AGREES = 0.15
#: Readings so far apart, s, are not compared: what the charger did between them was not seen
#: (our choice, six records of a charger at rest).
_SEEN_S = 3600.0
#: So many jumps back that return: two counters stand in the log in turn (our choice, more than
#: resets and single wrong readings make).
_IN_TURN = 4
#: A counter begins again if it falls by more than its steps, h, to nearly nothing, h, so many times
#: (our choice: an exchange and a reset make one or two).
_BACK_H, _NOTHING_H, _AGAIN = 1.5, 1.5, 4
#: A counter that falls by at least this part of the running counts down (our choice).
_FALLS = 0.3


@dataclass(frozen=True, slots=True)
class Growth:
    """What the counter gained between readings that follow one another in the log."""

    told: NDArray[np.intp]
    """Intervals with a reading of the counter, shape (n,)."""
    gained_h: Floats
    """Gain from each to the next, shape (n - 1,), NaN across a gap."""
    ran_h: Floats
    """Running seen meanwhile."""
    passed_h: Floats
    """Time passed meanwhile."""


def growth(runs: Runs) -> Growth:
    """Hold the counter against the log."""
    log = runs.log
    told = np.flatnonzero(np.isfinite(log.runtime_h) & (log.runtime_h >= 0.0))
    ran = np.cumsum(np.where(runs.running, log.duration_s, 0.0)) / 3600.0
    ran = np.diff(ran[told])
    seen = np.cumsum(log.duration_s) / 3600.0
    passed = np.diff(log.end_s[told] / 3600.0)
    apart = passed - np.diff(seen[told]) > _SEEN_S / 3600.0
    gained = np.diff(log.runtime_h[told])
    gained[apart] = np.nan
    return Growth(told, gained, ran, passed)


def counter_findings(runs: Runs) -> tuple[list[Finding], float | None]:
    """Judge the counter.

    Returns
    -------
    findings, unsound_from_s
        The Unix time from which on it must not be used, -inf for never; None where it is sound.
    """
    grown = growth(runs)
    if len(grown.told) < 3:
        return [], None
    usable = np.isfinite(grown.gained_h)
    if grown.ran_h[usable].sum() < LEAST_H:
        return [], None
    turns = _in_turn(runs, grown) or _begins_again(runs, grown) or _falls(runs, grown)
    if turns is not None:
        return [turns], -np.inf
    gained, ran, passed = grown.gained_h, grown.ran_h, grown.passed_h
    forward = gained >= 0.0  # a gap's NaN is neither forward nor sound
    per_hour = float(gained[forward].sum() / max(ran[forward].sum(), 1e-9))
    course = _course(runs, grown)
    odd = _unit(per_hour, course)
    if odd is not None:
        return [odd], -np.inf
    stuck = _stuck(runs, grown, course)
    if stuck is not None:
        return [stuck], stuck.since_s
    sound = forward & (gained <= credible_growth_h(passed))
    return _pace(
        float(gained[sound].sum()), float(ran[sound].sum()), float(passed[sound].sum()), course
    )


def _pace(
    gained: float, ran: float, passed: float, course: Series
) -> tuple[list[Finding], float | None]:
    """Compare the growth with the running seen."""
    rested = passed - ran
    if abs(gained - ran) <= max(AGREES * ran, 5.0):
        return [], None
    seen = f"{gained:.0f} h counted in {ran:.0f} h of running and {rested:.0f} h of rest"
    if rested > LEAST_H and gained - ran > COUNTS_REST * rested:
        text = (
            f"The hour counter counts the hours switched on, not the hours producing: {seen}. The "
            "running hours of the log are used instead."
        )
        code = "counter_switched_on"
    else:
        text = f"The hour counter does not follow the running: {seen}. The log's hours are used."
        code = "counter_differs"
    return [
        Finding(
            code,
            Severity.DOUBT,
            None,
            text,
            "Take the producing hours from the charger, if it tells them, or leave runtime_h out. "
            "Hours before the log began are then not known.",
            f"{ran:.0f} h counted in {ran:.0f} h of running",
            seen,
            course,
        )
    ], -np.inf


def _unit(per_hour: float, course: Series) -> Finding | None:
    """Return a finding where the counter is in another unit."""
    for unit, factor in UNITS.items():
        if abs(per_hour / factor - 1.0) <= _UNIT_AGREES:
            return Finding(
                "counter_unit",
                Severity.DOUBT,
                None,
                f"The hour counter grows by {per_hour:.3g} an hour of running: it is in {unit}. "
                "The running hours of the log are used instead.",
                "Give the field runtime_h its unit (or a scale) in the description of the device "
                "or the recording, and import again.",
                "1 h an hour of running",
                f"{per_hour:.3g} an hour of running",
                course,
            )
    return None


def _stuck(runs: Runs, grown: Growth, course: Series) -> Finding | None:
    """Return a finding where the counter has not grown since some time, though it ran."""
    value = runs.log.runtime_h[grown.told]
    moved = np.flatnonzero(np.diff(value) != 0.0)
    last = int(moved[-1]) + 1 if len(moved) else 0
    ran = float(grown.ran_h[last:].sum())
    if ran < LEAST_H:
        return None
    since_s = float(runs.log.end_s[grown.told[last]])
    return Finding(
        "counter_stuck",
        Severity.DOUBT,
        since_s,
        f"The hour counter stands at {value[-1]:.1f} h since {day(since_s)}, while the charger ran "
        f"for {ran:.0f} h. From there on the hours of the log are used.",
        "Look at the counter on the charger itself; if it counts, mend the field runtime_h.",
        f"{ran:.0f} h more",
        "0 h more",
        course,
    )


def jumping_counter(runs: Runs) -> list[Finding]:
    """Return the finding about two counters in one log; it needs no running hours."""
    grown = growth(runs)
    turns = _in_turn(runs, grown) if len(grown.told) >= 3 else None
    return [] if turns is None else [turns]


def _begins_again(runs: Runs, grown: Growth) -> Finding | None:
    """Return a finding where the counter begins again and again at nothing."""
    value = runs.log.runtime_h[grown.told]
    again = np.flatnonzero((np.diff(value) < -_BACK_H) & (value[1:] < _NOTHING_H))
    # A roll-over is no new beginning: the hours go on across it.
    again = again[~np.isin(grown.told[again + 1], runs.hours.wraps)]
    if len(again) < _AGAIN:
        return None
    since_s = float(runs.log.end_s[grown.told[again[0] + 1]])
    most_h = float(np.median(value[again]))
    return Finding(
        "counter_begins_again",
        Severity.DOUBT,
        since_s,
        f"The hour counter begins again at 0 h, {len(again)} times (usually from {most_h:.0f} h, "
        f"first on {day(since_s)}). It counts the hours since a start or since power was switched "
        "on. The running hours of the log are used instead.",
        "Take the hours of the charger's whole life, if it tells them, or leave runtime_h out. "
        "Hours before the log began are then not known.",
        "a counter that never goes back",
        f"{len(again)} times back to 0 h",
        _course(runs, grown),
    )


def _falls(runs: Runs, grown: Growth) -> Finding | None:
    """Return a finding where the counter falls while the charger runs."""
    usable = np.isfinite(grown.gained_h)
    gained, ran = grown.gained_h[usable], grown.ran_h[usable]
    fell, rose = float(-gained[gained < 0.0].sum()), float(gained[gained > 0.0].sum())
    ran_h = float(ran.sum())
    if fell < _FALLS * ran_h or rose > _FALLS * ran_h or (gained < -_BACK_H).sum() > _AGAIN:
        return None
    return Finding(
        "counter_falls",
        Severity.DOUBT,
        None,
        f"The hour counter falls: by {fell:.0f} h in {ran_h:.0f} h of running. It counts down, to "
        "the next service or to an end. The running hours of the log are used instead.",
        "Take the hours that the charger has run, if it tells them, or leave runtime_h out. Hours "
        "before the log began are then not known.",
        f"{ran_h:.0f} h more in {ran_h:.0f} h of running",
        f"{fell:.0f} h less",
        _course(runs, grown),
    )


def _in_turn(runs: Runs, grown: Growth) -> Finding | None:
    """Return a finding where two counters stand in the log in turn: two boats in one log."""
    value = runs.log.runtime_h[grown.told]
    change = np.diff(value)
    room = credible_growth_h(grown.passed_h)
    back, ahead = change < -room, change > room
    # A counter that is reset starts again; only where it comes back up there are two of them.
    if min(int(back.sum()), int(ahead.sum())) < _IN_TURN:
        return None
    place = int(np.argmax(back | ahead))
    since_s = float(runs.log.start_s[grown.told[place + 1]])
    low, high = np.quantile(value, (0.1, 0.9))
    return Finding(
        "two_counters",
        Severity.STOP,
        since_s,
        f"The hour counter jumps to and fro ({int(back.sum())} times back, {int(ahead.sum())} "
        f"times ahead, about {low:.0f} and {high:.0f} h): two chargers' recordings stand in this "
        "log.",
        "Give each charger a configuration (label, fitted) and a log of its own, and import its "
        "recordings there.",
        "a counter that rises with the running",
        f"{int(back.sum())} jumps back and {int(ahead.sum())} ahead",
        _course(runs, grown),
    )


def _course(runs: Runs, grown: Growth) -> Series:
    return series("hour counter", "h", runs.log.end_s[grown.told], runs.log.runtime_h[grown.told])


def without_counter(log: History, from_s: float) -> History:
    """Return the log without the counter from a time on."""
    return replace(log, runtime_h=np.where(log.start_s >= from_s, np.nan, log.runtime_h))
