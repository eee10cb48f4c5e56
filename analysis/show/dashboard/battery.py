"""The battery, as far as the charger's readings show it: its day, its trend, its level.

A voltage is a level of charge only after a rest: while it is charged it stands higher, and for
hours after the charger has stopped it sinks by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.history import STATE_CODE
from analysis.physics import blocks_in_series
from logger.durations import DAY_S, HOUR_S
from logger.reading import RUN_STATES, OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from logger.config import BatteryConfig
    from logger.reading import Reading

#: Voltage moves less than this in an hour: steady, V/h (about the resolution of such readings).
STEADY_V_PER_H = 0.03
#: Hours of the trend: as many as the eye follows on the plot of the day, ...
TREND_H = 3.0
#: ... and must be that of the last of them too.
LATEST_H = 1.0
#: After a start the voltage jumps by what the cables drop, h (common practice, no source).
STARTED_H = 0.25
#: A charger without a state runs from this power on, W (common practice, no source).
RUNS_FROM_W = 3.0
#: Surface charge takes six hours or more to go after charging ends (common practice, no source).
SETTLED_H = 6.0
#: The rest is known where at most this share of it is missing in the log.
MISSING_SHARE = 0.2
#: Lower ends of "full" and of "fair" at rest, V of a nominal 12 V block.
#: Flooded: the rounded trade table 12.6 V full, 12.2 V half (common practice, no source; the
#: electrode potentials of Bode, Lead-Acid Batteries, 1977, give 12.67 V and 12.25 V). AGM and gel
#: stand 0.1 V higher (common practice, no source). LFP: 3.34 V and 3.2 V a cell; between them lies
#: its plateau of about 3.3 V, on which the voltage says little (common practice, no source).
LEVELS_V = {"flooded": (12.6, 12.2), "agm": (12.7, 12.3), "gel": (12.7, 12.3), "lfp": (13.35, 12.8)}


@dataclass(frozen=True, slots=True)
class Battery:
    """State of the battery."""

    times_s: NDArray[np.float64]
    volts: NDArray[np.float64]
    """Mean voltage of the intervals of the last day, at the middle of each."""
    lengths_s: NDArray[np.float64]
    """Length of each of these intervals."""
    ran_s: NDArray[np.float64]
    """Start and end of each interval of the last day in which the charger ran, shape (n, 2)."""
    trend_v_per_h: float | None = None
    """None where it cannot be told: after a start or a stop, or where it goes up and down."""
    current_a: float | None = None
    at_ceiling: bool = False
    meaning: str = ""
    """Meaning of the voltage for this chemistry; empty where it is not known."""


def level(volts: float, chemistry: str) -> str:
    """Return the meaning of a voltage at rest; ``volts`` of one nominal 12 V block.

    >>> level(12.8, "agm"), level(12.4, "agm"), level(12.0, "agm")
    ('full', 'fair', 'low')
    """
    full_v, fair_v = LEVELS_V[chemistry]
    if volts >= full_v:
        return "full"
    return "fair" if volts >= fair_v else "low"


def battery_of(
    now_s: float,
    settings: BatteryConfig,
    recent: History | None,
    reading: Reading | None,
    *,
    charging: bool,
) -> Battery:
    """Return the present state of the battery.

    Parameters
    ----------
    now_s
        Unix time.
    settings
        The battery by the configuration.
    recent
        The recent log, None where there is none.
    reading
        The reading of now, None where there is none.
    charging
        Whether the charger delivers current.
    """
    times_s, volts, lengths_s, ran_s = (np.zeros(0),) * 3 + (np.zeros((0, 2)),)
    rested_h = None
    if recent is not None and len(recent):
        last_day = (recent.end_s >= now_s - DAY_S) & np.isfinite(recent.voltage_mean_v)
        middle_s = recent.start_s + recent.duration_s / 2
        times_s, volts = middle_s[last_day], recent.voltage_mean_v[last_day]
        lengths_s = recent.duration_s[last_day]
        running = _running(recent)
        ran = running & (recent.end_s >= now_s - DAY_S)
        ran_s = np.column_stack((recent.start_s[ran], recent.end_s[ran]))
        rested_h = None if charging else _rested_h(now_s, recent, running)
    if reading is None or reading.voltage_v is None:
        current_a = None if reading is None else reading.battery_current_a
        return Battery(times_s, volts, lengths_s, ran_s, current_a=current_a)
    blocks = blocks_in_series(reading.voltage_v)
    ceiling_v = settings.charge_ceiling_v
    at_ceiling = charging and ceiling_v is not None and reading.voltage_v >= ceiling_v - 0.1
    return Battery(
        times_s,
        volts,
        lengths_s,
        ran_s,
        _trend(now_s, times_s, volts, ran_s, rested_h, charging=charging),
        reading.battery_current_a,
        at_ceiling,
        _meaning(reading.voltage_v / blocks, settings.chemistry, rested_h, charging=charging),
    )


def _running(recent: History) -> NDArray[np.bool_]:
    named = np.isin(recent.state, [STATE_CODE[state] for state in RUN_STATES])
    delivers = (recent.state == STATE_CODE[OperatingState.UNKNOWN]) & (
        recent.energy_j > RUNS_FROM_W * recent.duration_s
    )
    return np.asarray(named | delivers, dtype=np.bool_)


def _rested_h(now_s: float, recent: History, running: NDArray[np.bool_]) -> float | None:
    """Return for how long the charger has been at rest; None where the log does not show it."""
    stopped_s = float(recent.end_s[running].max()) if running.any() else float(recent.start_s.min())
    rest_s = now_s - stopped_s
    known_s = float(recent.duration_s[~running & (recent.start_s >= stopped_s - 1.0)].sum())
    if rest_s > 2 * HOUR_S and known_s < (1.0 - MISSING_SHARE) * rest_s:
        return None
    return max(0.0, rest_s / HOUR_S)


def _trend(
    now_s: float,
    times_s: NDArray[np.float64],
    volts: NDArray[np.float64],
    ran_s: NDArray[np.float64],
    rested_h: float | None,
    *,
    charging: bool,
) -> float | None:
    """Return the slope that the plot of the day shows at its right end, V/h, where it has one."""
    if charging:
        # Back to where this run began, without its jump.
        gaps = np.flatnonzero(np.diff(ran_s.ravel())[1::2] > STARTED_H * HOUR_S)
        if not len(ran_s):
            return None
        began_s = float(ran_s[gaps[-1] + 1 if gaps.size else 0, 0])
        since_h = (now_s - began_s) / HOUR_S - STARTED_H
    elif rested_h is None or rested_h < SETTLED_H:
        return None  # a bank that has been charged relaxes: its voltage sinks without any load
    else:
        since_h = rested_h - SETTLED_H + LATEST_H
    whole = _slope(now_s, times_s, volts, min(TREND_H, since_h))
    latest = _slope(now_s, times_s, volts, min(LATEST_H, since_h))
    if whole is None or latest is None:
        return None
    if max(abs(whole), abs(latest)) < STEADY_V_PER_H:
        return 0.0
    return whole if whole * latest > 0 else None


def _slope(
    now_s: float, times_s: NDArray[np.float64], volts: NDArray[np.float64], hours: float
) -> float | None:
    near = times_s >= now_s - hours * HOUR_S
    if near.sum() < 3 or np.ptp(times_s[near]) < 600.0:
        return None
    return float(np.polyfit((times_s[near] - now_s) / HOUR_S, volts[near], 1)[0])


def _meaning(volts: float, chemistry: str, rested_h: float | None, *, charging: bool) -> str:
    if charging:
        return "charging"
    if rested_h is None:
        return "not charging"
    word = level(volts, chemistry)
    if rested_h >= SETTLED_H:
        return f"{word}, at rest"
    # Surface charge only raises the voltage, so a low voltage is meaningful at once.
    return "low" if word == "low" else "settling"
