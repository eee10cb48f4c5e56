"""Readings of a clamp meter: gain and zero of the current sensor, with a date and an uncertainty.

What a clamp meter and a voltmeter showed is held against the log of those minutes. With gain g and
zero z of the sensor, the logged current of reading i is g c_i + z + d c_i (t_i - t_1) + e_i, where
c_i is what the clamp showed, and d a drift of the gain that only readings months apart can tell.
The errors of one clamp are in part common to all its readings; with that covariance the posterior
of (g, z, d) is that of a linear model with a normal prior (Gelman et al., Bayesian Data Analysis,
3rd ed., section 14.8; from memory).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90
from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.meters import MAY_DIFFER, MAY_DIFFER_V
from analysis.inputs.zero import mean_current
from analysis.physics import blocks_in_series
from logger.durations import DAY_S, YEAR_S
from logger.event import EXCHANGE

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.inputs.finding import Series
    from logger.event import Event

    Floats = NDArray[np.float64]

KIND = "reading"
#: Code of the finding.
CLAMPED = "clamp_checked"
#: The log of so many seconds on either side belongs to a reading: a minute to look at both meters,
#: and a clock that is off by one.
AROUND_S = 120.0
#: The plot shows the current so long before and after a reading.
SHOWN_S = 0.5 * DAY_S
#: A clamp meter for direct current: one per cent of the reading, the same in all its readings, and
#: 0.05 A of zero and last digits, new in each (common practice, no source).
CLAMP_COMMON, CLAMP_OWN_A = 0.01, 0.05
#: Below this current the digits of a clamp tell nothing of a gain, A: they are 5 % of it
#: (``CLAMP_OWN_A``).
LEAST_A = 1.0
#: Before a clamp has shown it the gain is as sure as [sensor] says; once one has, its word counts
#: alone, because a sensor at fault is not bound by its data sheet. So wide that the prior does not
#: count (our choice).
FREE_GAIN = 0.5
#: Drift of a gain, per year, and how far apart readings tell it (our choice, no source: in so many
#: days it is more than a clamp's own error).
DRIFT_PER_YEAR, APART_S = 0.05, 90.0 * DAY_S
#: A voltmeter agrees with the log within so much, V: more is a drop between the two taps (our
#: choice).
AGREE_V = 0.1
#: A measurement is asked for again after so long: once a season, as the finding says (our choice).
MEASURED_FOR_S = YEAR_S

_TEXT = re.compile(r"^current (-?[\d.]+) A(?:, voltage ([\d.]+) V)?(?:; |$)")


@dataclass(frozen=True, slots=True)
class Reading:
    """What the meters showed, and what the log held at that time."""

    time_s: float
    current_a: float
    voltage_v: float | None
    logged_a: float | None = None
    """None where the log has nothing of those minutes."""
    logged_v: float | None = None
    noise_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Clamped:
    """What clamp readings say of the sensor."""

    readings: tuple[Reading, ...]
    """Those that the log has the minutes of."""
    gain: float
    """At the time of the last reading."""
    gain_sd: float
    zero_a: float
    drift_per_year: float
    """Zero where readings are too near each other to tell."""
    relative_sd: float
    """What a corrected current may still be wrong by, as a part of it, where the charger runs."""
    drop_ohm: float = 0.0
    """Between the charger and the place where the log's voltage is measured, by a voltmeter; zero
    where both agree."""
    beside: Series | None = field(default=None, compare=False)
    """The logged current of the hours round the last reading."""

    @property
    def drifts(self) -> bool:
        """Whether a drift was looked for."""
        return self.readings[-1].time_s - self.readings[0].time_s >= APART_S

    def gain_at(self, time_s: Floats) -> Floats:
        """Return the gain at times; beyond the readings it is that of the nearest."""
        first_s, last_s = self.readings[0].time_s, self.readings[-1].time_s
        return (
            self.gain + self.drift_per_year * (np.clip(time_s, first_s, last_s) - last_s) / YEAR_S
        )


def clamp_text(current_a: float, voltage_v: float | None, by: str = "", remark: str = "") -> str:
    """Return the text of an event that keeps what the meters showed."""
    volts = "" if voltage_v is None else f", voltage {voltage_v:g} V"
    rest = [f"by {by.strip()}"] if by.strip() else []
    rest += [remark.strip()] if remark.strip() else []
    return "; ".join([f"current {current_a:g} A{volts}", *rest])


def read_events(events: Iterable[Event], from_s: float = -math.inf) -> list[Reading]:
    """Return the clamp readings among events from a time on, in order of time."""
    found = []
    for event in events:
        match = _TEXT.match(event.text) if event.kind == KIND and not event.struck else None
        if match is None or event.time_s < from_s:
            continue
        volts = match.group(2)
        found.append(
            Reading(event.time_s, float(match.group(1)), None if volts is None else float(volts))
        )
    return sorted(found, key=lambda reading: reading.time_s)


def measured_lately(events: Iterable[Event], end_s: float, from_s: float) -> bool:
    """Tell whether both meters were held on the charger in the last year of a log."""
    return any(
        r.voltage_v is not None and abs(r.current_a) >= LEAST_A and r.time_s <= end_s + AROUND_S
        for r in read_events(events, max(from_s, end_s - MEASURED_FOR_S))
    )


def exchanged_s(log: History) -> float:
    """Return when the charger was exchanged last by an event; its sensor goes with it.

    An exchange after the log says nothing of the charger that the log is of.
    """
    end_s = float(log.end_s[-1])
    return max(
        (e.time_s for e in log.events if e.kind == EXCHANGE and not e.struck and e.time_s <= end_s),
        default=-math.inf,
    )


def beside_log(reading: Reading, log: History) -> Reading:
    """Return a reading with what the log holds of those minutes."""
    near = (
        (log.end_s >= reading.time_s - AROUND_S)
        & (log.start_s <= reading.time_s + AROUND_S)
        & (log.duration_s > 0.0)
    )
    current = mean_current(log.select(near))
    told = np.isfinite(current)
    if not told.any():
        return reading
    weight = log.duration_s[near][told]
    mean_a = float(np.average(current[told], weights=weight))
    spread = math.sqrt(float(np.average((current[told] - mean_a) ** 2, weights=weight)))
    volts = log.voltage_mean_v[near]
    logged_v = float(np.nanmean(volts)) if np.isfinite(volts).any() else None
    return replace(reading, logged_a=mean_a, logged_v=logged_v, noise_a=spread)


def beside_words(reading: Reading) -> str:
    """Say at once what a reading tells, beside what the log holds of its minutes."""
    logged_a, logged_v = reading.logged_a, reading.logged_v
    if logged_a is None:
        return (
            "the log holds nothing of these minutes yet, and without them the reading changes "
            "nothing: is --at right, and does 'ebbwatt log' run?"
        )
    held = f"the log holds {logged_a:.2f} A"
    if abs(reading.current_a) < LEAST_A:
        return f"{held}; below {LEAST_A:g} A a clamp meter tells nothing of the sensor"
    off = abs(logged_a / reading.current_a - 1.0) > MAY_DIFFER
    if reading.voltage_v is not None and logged_v is not None:
        blocks = blocks_in_series(reading.voltage_v)
        held += f" and {logged_v:.2f} V"
        off |= abs(logged_v - reading.voltage_v) > MAY_DIFFER_V * blocks
    if off:
        return f"{held} of these minutes: a sensor is wrong; every output is corrected from now on"
    return f"{held} of these minutes: the sensor is right"


def solve(readings: list[Reading], zero_sd_a: float) -> Clamped | None:
    """Find gain, zero and drift of the sensor.

    Parameters
    ----------
    readings
        With the log beside them, in order of time.
    zero_sd_a
        How well the zero of the logged current is known already, A.

    Returns
    -------
    None where no reading has both a current and the log of its minutes.
    """
    used = [r for r in readings if r.logged_a is not None and abs(r.current_a) >= LEAST_A]
    if not used:
        return None
    c = np.array([r.current_a for r in used])
    logged = np.array([r.logged_a for r in used], dtype=float)
    years = (np.array([r.time_s for r in used]) - used[-1].time_s) / YEAR_S
    drifts = -years[0] * YEAR_S >= APART_S
    rows = np.column_stack((c, np.ones(len(c)), c * years * float(drifts)))
    prior_mean = np.array([1.0, 0.0, 0.0])
    prior = np.diag([FREE_GAIN**2, max(zero_sd_a, 1e-4) ** 2, DRIFT_PER_YEAR**2])
    own = np.array([CLAMP_OWN_A**2 + r.noise_a**2 for r in used])
    errors = np.diag(own) + CLAMP_COMMON**2 * np.outer(c, c)
    seen = rows @ prior @ rows.T + errors
    pull = np.linalg.solve(seen, rows @ prior).T
    mean = prior_mean + pull @ (logged - rows @ prior_mean)
    covariance = prior - pull @ rows @ prior
    # Where it runs now: gain and zero are wrong together, and in part undo each other.
    running = np.array([1.0, 1.0 / float(np.median(np.abs(c))), 0.0])
    relative = math.sqrt(float(running @ covariance @ running)) / float(mean[0])
    drops = [
        (r.voltage_v - r.logged_v) / r.current_a
        for r in used
        if r.voltage_v is not None
        and r.logged_v is not None
        and abs(r.voltage_v - r.logged_v) > AGREE_V
    ]
    return Clamped(
        tuple(used),
        float(mean[0]),
        math.sqrt(float(covariance[0, 0])),
        float(mean[1]),
        float(mean[2]) if drifts else 0.0,
        relative,
        float(np.median(drops)) if drops else 0.0,
    )


def look(events: Iterable[Event], log: History, zero_sd_a: float, from_s: float) -> Clamped | None:
    """Find what clamp readings since ``from_s`` say of the sensor, from a log in order of time."""
    found = solve([beside_log(r, log) for r in read_events(events, from_s)], zero_sd_a)
    if found is None:
        return None
    last = found.readings[-1]
    near = (log.end_s >= last.time_s - SHOWN_S) & (log.start_s <= last.time_s + SHOWN_S)
    of_it = log.select(near)
    middle_s = of_it.start_s + 0.5 * of_it.duration_s
    shown = series(
        "logged current round the last reading", "A", middle_s, mean_current(of_it), last.current_a
    )
    return replace(found, beside=shown)


def corrected(log: History, clamped: Clamped) -> History:
    """Return the log with charge and energy as the clamp meter would have shown them."""
    gain = clamped.gain_at(log.start_s + 0.5 * log.duration_s)
    zero_c = clamped.zero_a * log.duration_s
    charge_c = (log.charge_c - zero_c) / gain
    with np.errstate(invalid="ignore", divide="ignore"):
        lost_j = clamped.drop_ohm * charge_c**2 / log.duration_s
    return replace(
        log,
        charge_c=charge_c,
        energy_j=(log.energy_j - zero_c * log.voltage_mean_v) / gain + lost_j,
    )


def clamp_finding(clamped: Clamped) -> Finding:
    """Tell what the clamp meter showed and that the figures were corrected by it."""
    last = clamped.readings[-1]
    half = Z90 * clamped.gain_sd
    days = ", ".join(dict.fromkeys(day(r.time_s) for r in clamped.readings[-3:]))
    drift = f" It drifts by {100 * clamped.drift_per_year:+.1f} % a year." if clamped.drifts else ""
    text = (
        f"Checked with a clamp meter on {days}: gain {clamped.gain:.2f} +- {half:.2f}.{drift} "
        f"Every output here was corrected by it."
    )
    if clamped.drop_ohm != 0.0 and last.voltage_v is not None and last.logged_v is not None:
        text += (
            f" The voltmeter showed {last.voltage_v:.2f} V, the log {last.logged_v:.2f} V: there "
            f"is a drop between the two places ({1000.0 * clamped.drop_ohm:.0f} mOhm), which was "
            f"put back into every output."
        )
    return Finding(
        CLAMPED,
        Severity.NOTE,
        clamped.readings[0].time_s,
        text,
        "Repeat it once a season, and after any work on the sensor or its cables.",
        "gain 1",
        f"gain {clamped.gain:.3f} +- {half:.3f}",
        clamped.beside,
    )
