"""A drop between the charger and the place where its voltage is measured.

At its charge ceiling a charger holds the voltage of its own terminals, while the battery takes less
and less. Where the voltage is measured behind a resistance R it reads lower by R times the current,
so there it rises as the current falls. Below the ceiling the power stays, and the current falls by
a few per cent only; where the charger gives less, for fuel or heat, the voltage falls with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.zero import mean_current
from analysis.physics import CHARGING_V, blocks_in_series
from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

# Limits without another reason are a judgement (no source).
#: A run is looked at after its power fell below this part of its own highest, while its voltage
#: stays that of a battery on charge (``CHARGING_V``).
FALLEN = 0.95
#: The end of a run is left out, s: it shuts down then, and its voltage falls with its current.
END_S = 600.0
#: Least current that counts, part of the rated one: below, float and noise set the voltage.
LEAST_A = 0.1
#: Intervals and fall of the current that a run must show, part of the rated current.
LEAST_SEEN, LEAST_FALL = 6, 0.12
#: Most that the voltages of a run may lie beside a straight line, V per 12 V (standard deviation).
STRAIGHT_V = 0.03
#: Runs that must show it, and the part of all runs that were looked at.
LEAST_RUNS, LEAST_SHARE = 8, 0.7
#: Least drop at rated current, part of the voltage: the output reads too low by as much. Above the
#: greatest one, the power falls for another reason: heat, or the charger itself.
LEAST_DROP, MOST_DROP = 0.02, 0.15
#: Half of the runs lie within this part of the resistance: it is the same in each.
ALIKE = 0.3


@dataclass(frozen=True, slots=True)
class Falls:
    """What each run shows at falling current; shape (runs,)."""

    time_s: Floats
    ohm: Floats
    """Rise of the voltage for each ampere less; negative where it falls with the current."""
    spread_v: Floats
    """How far the voltages lie beside a straight line."""


def find_falls(runs: Runs, rated_a: float) -> Falls:
    """Return what the voltage does in each run while the current falls."""
    log = runs.log
    current, volts = mean_current(log), log.voltage_mean_v
    known = np.isfinite(current) & np.isfinite(volts)
    found: list[tuple[float, float, float]] = []
    if not len(runs) or not known.any():
        return Falls(*np.empty((3, 0)))
    charging_v = CHARGING_V * blocks_in_series(log.usual_v)
    opens = np.flatnonzero(np.diff(runs.begun_s, prepend=-np.inf))  # pieces of long runs are joined
    closes = np.append(opens[1:], len(runs)) - 1
    for first, last in zip(runs.first[opens], runs.last[closes], strict=True):
        inside = slice(first, last + 1)
        at = first + np.flatnonzero(known[inside] & (log.end_s[inside] <= log.end_s[last] - END_S))
        if len(at) < 2 * LEAST_SEEN:
            continue
        power = current[at] * volts[at]
        top_w = quantile_of(power, 0.9)
        # Behind the last moment of full power.
        full = np.flatnonzero(power >= FALLEN * top_w)
        tail = at[int(full[-1]) + 1 :] if len(full) else at[:0]
        tail = tail[(current[tail] > LEAST_A * rated_a) & (volts[tail] > charging_v)]
        if len(tail) < LEAST_SEEN or np.ptp(current[tail]) < LEAST_FALL * rated_a:
            continue
        # A straight line by least squares, through the means.
        across, up = current[tail] - current[tail].mean(), volts[tail] - volts[tail].mean()
        slope = float(across @ up / (across @ across))
        found.append((float(log.start_s[tail[0]]), -slope, float(np.std(up - slope * across))))
    return Falls(*np.array(found).reshape(-1, 3).T)


@dataclass(frozen=True, slots=True)
class Drop:
    """A resistance before the place of the voltage."""

    ohm: float
    part: float
    """Of the voltage at rated current: an output reads too low by so much."""
    shows: Flags
    """Which of the runs show it."""


def find_drop(falls: Falls, rated_a: float, usual_v: float) -> Drop | None:
    """Return the resistance that nearly all runs show alike; None where they do not."""
    straight = falls.spread_v < STRAIGHT_V * blocks_in_series(usual_v)
    parts = falls.ohm * rated_a / usual_v
    shows = straight & (parts > 0.5 * LEAST_DROP) & (parts < MOST_DROP)
    if int(shows.sum()) < max(LEAST_RUNS, LEAST_SHARE * len(falls.ohm)):
        return None
    low, ohm, high = np.quantile(falls.ohm[shows], (0.25, 0.5, 0.75))
    part = float(ohm) * rated_a / usual_v
    if part < LEAST_DROP or high - low > 2.0 * ALIKE * ohm:
        return None
    return Drop(float(ohm), part, shows)


def look_for_drop(runs: Runs, rated_a: float) -> tuple[Finding, float] | None:
    """Return a finding about a drop before the place of the voltage, and its part of the output."""
    falls = find_falls(runs, rated_a)
    if len(falls.ohm) < LEAST_RUNS:
        return None
    usual_v = float(np.nanmedian(runs.log.voltage_mean_v[runs.running]))
    drop = find_drop(falls, rated_a, usual_v)
    return None if drop is None else (drop_finding(drop, falls, rated_a), drop.part)


def drop_finding(drop: Drop, falls: Falls, rated_a: float) -> Finding:
    """Tell both readings of it: a drop, or a charger that turns its current down early."""
    milli, lost_v = 1000.0 * drop.ohm, drop.ohm * rated_a
    return Finding(
        "voltage_drop",
        Severity.DOUBT,
        float(falls.time_s[drop.shows][0]),
        f"The voltage seems to be measured behind {milli:.0f} mOhm: it rises as the current "
        f"falls, at the end of {int(drop.shows.sum())} of {len(falls.ohm)} charges. If so, "
        f"{lost_v:.1f} V are lost at rated current, and every output reads up to "
        f"{100.0 * drop.part:.0f} % too low. Or the charger turns its current down before it "
        "reaches its charge voltage, and the output is right. The interval holds both.",
        "Hold a voltmeter on the charger's terminals and a clamp meter on its lead in a run, and "
        "record what they show: ebbwatt event add reading --current A --voltage V. It puts every "
        "output right. Better measure the voltage at the terminals. Look for a loose joint.",
        "a voltage that stands still at the end of a charge",
        f"{lost_v:.1f} V at {rated_a:.1f} A, {100.0 * drop.part:.0f} % of the voltage",
        series(
            "resistance between charger and voltage, by run",
            "mOhm",
            falls.time_s,
            1000.0 * falls.ohm,
            0.0,
        ),
    )
