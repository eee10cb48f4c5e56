"""What set the current in each stretch: the charger, the battery, heat, or nothing usable.

At the charge ceiling the battery sets the current, and the power seen is only a lower bound of what
the charger can give. The ceiling is found from runs in which the power falls while the voltage
stays at its top. If the charger set the current there, the voltage would fall with it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import MAD_TO_SD
from analysis.health.heat import heat_factor
from analysis.health.held_current import held_current_v
from analysis.history.history import STATE_CODE
from analysis.history.sums import sums_by
from analysis.physics import CELLS_PER_BLOCK, CHARGING_V, blocks_in_series
from analysis.statistics.likelihood import theil_sen
from logger.reading import OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Codes = NDArray[np.int8]

#: Codes of :func:`classify`; the order is that of :data:`REASONS`.
SOURCE, BATTERY, HEAT, WARMING, EDGE, OTHER_SOURCE, ENDING, UNMEASURED = range(8)

_EDGE_STATES = tuple(
    STATE_CODE[state]
    for state in (OperatingState.STARTING, OperatingState.SHUTTING_DOWN, OperatingState.FAULT)
)

#: What each code means, for a person.
REASONS = (
    "the charger set the current",
    "the battery set the current (at the charge ceiling)",
    "throttled by heat",
    "still warming up",
    "starting, shutting down or at fault",
    "idle: the battery was held up, by a float voltage or by another source",
    "the last minutes of the run",
    "voltage or current was not measured",
)

# Four conditions make a plateau. The numbers are a judgement (no source), held by the study of
# simulated boats in METHOD.md.
#: Least length of a plateau, s.
_PLATEAU_S = 900.0
#: Greatest distance of its voltage below the run's top voltage, V per 12 V.
_FLAT_V = 0.08
#: Part of the run's highest power to which the power falls on it.
_FALLEN = 0.9
#: Most by which its voltage may fall while the power falls, V per 12 V.
_HOLDS_V = 0.01
#: Least and greatest margin below a ceiling that was found, V per 12 V: more than meters scatter,
#: less than absorption and float differ (judgement, no source).
_MARGIN_V = (0.08, 0.25)
#: Margin below a configured ceiling, V per 12 V: how steadily the charger holds it is not known
#: (our choice, between the two margins above).
_CONFIGURED_MARGIN_V = 0.15
#: A ceiling is accepted if at least this share of the runs that stay at it for ``_STANDING_S``
#: show a plateau. When a weak charger has filled its bank the voltage also stands still, but the
#: power does not fall (judgement, no source).
_BELIEVED = 0.25
_STANDING_S = 3600.0
#: Number of plateaus, the nearest in time, that give the ceiling of a run: it may drift with the
#: seasons, and a median of fifteen is steady.
_NEIGHBOURS = 15
#: Range of temperature compensation of the ceiling, V per cell and kelvin. Source: practical band
#: -3 to -5 mV (battery makers' sheets), widened by one.
_COMPENSATION = (-0.006, 0.0)
#: A charger that gives less than this part of its usual power at a charging voltage is idling
#: (judgement: worn chargers are replaced at twice that; no source).
_IDLING = 0.3
#: Length of the end of a run that is left out, s: fuel running out and shutting down are not wear.
#: Ten minutes cover both (common practice, no source).
_TAIL_S = 600.0


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Charge ceiling of each run, V, shape (runs,); NaN where neither found nor configured."""

    voltage_v: Floats
    margin_v: float
    per_k: float
    """Temperature compensation found, V/K for the whole battery."""
    held_current_v: float | None = None
    """Voltage at which the output of a charger that holds its current is stated; else None."""

    @property
    def known(self) -> bool:
        """Whether any run has a ceiling."""
        return bool(np.isfinite(self.voltage_v).any())


@dataclass(frozen=True, slots=True)
class Stretches:
    """Intervals inside runs, in order, with what limited them. Arrays of shape (m,)."""

    inside: Flags
    """Which intervals of the log, shape (n,)."""
    run: NDArray[np.intp]
    since_start_h: Floats
    """Middle of the interval, clock hours since the run began."""
    duration_s: Floats
    power_w: Floats
    voltage_v: Floats
    temperature_c: Floats
    code: Codes
    """One of the codes of this module; :mod:`analysis.health.run_output` adds ``WARMING``."""
    blocks: int = 1
    """Number of 12 V blocks in series."""


def inside_runs(runs: Runs) -> Stretches:
    """Return the intervals inside runs, of which only what cannot be used has a code of its own."""
    log = runs.log
    inside = runs.run >= 0
    run = runs.run[inside]
    duration = log.duration_s[inside]
    since = (log.start_s[inside] + 0.5 * duration - runs.begun_s[run]) / 3600.0
    voltage, power = log.voltage_mean_v[inside], runs.power_w[inside]
    code = np.full(len(run), SOURCE, dtype=np.int8)
    if runs.states_told:
        code[np.isin(log.state[inside], _EDGE_STATES)] = EDGE
    code[~(np.isfinite(voltage) & np.isfinite(power))] = UNMEASURED
    volts = voltage[code == SOURCE]
    blocks = blocks_in_series(float(np.median(volts))) if len(volts) else 1
    return Stretches(
        inside, run, since, duration, power, voltage, log.temperature_c[inside], code, blocks
    )


def stretches(
    runs: Runs,
    rated_w: float,
    configured_v: float | None,
    heat: Floats | None = None,
    inside: Stretches | None = None,
) -> tuple[Stretches, Ceiling]:
    """Find for each interval inside a run what set the current.

    Parameters
    ----------
    runs
        The runs.
    rated_w
        Rated output, W.
    configured_v
        Charge ceiling at 25 degC from the configuration, V, or None.
    heat
        Effect of heat, coefficients of :func:`analysis.health.heat.heat_columns`. The power is
        corrected for it, so that a loss by heat does not look like a full battery.
    inside
        What :func:`inside_runs` returns, where it is known already; with ``heat`` its power is
        written over.
    """
    log, found = runs.log, inside or inside_runs(runs)
    run, voltage, power = found.run, found.voltage_v, found.power_w
    if heat is not None:
        power /= np.clip(heat_factor(found.temperature_c, heat), 0.3, 1.3)
    usable, code = found.code == SOURCE, found.code.copy()
    ceiling = find_ceiling(found, usable, len(runs), runs.start_s, configured_v)
    code[_at(ceiling, run, voltage, log.voltage_max_v[found.inside])] = BATTERY
    # Of a long run that was cut into days, only the last piece ends the run.
    final = np.append(np.diff(runs.begun_s) != 0.0, [True])[: len(runs)]
    ends = final[run] & (log.end_s[found.inside] > runs.end_s[run] - _TAIL_S)
    code[ends & (code == SOURCE)] = ENDING
    throttled = log.state[found.inside] == STATE_CODE[OperatingState.THROTTLED]
    code[throttled & (code == SOURCE)] = HEAT
    usual = usual_power(found, usable, rated_w)
    charging = CHARGING_V * found.blocks
    with np.errstate(invalid="ignore"):
        idle = (power < _IDLING * usual) & (voltage > charging)
    code[idle & (code != BATTERY)] = OTHER_SOURCE
    np.copyto(code, found.code, where=~usable)
    held_v = held_current_v(run, found.since_start_h, voltage, power, code == SOURCE)
    if held_v is not None:
        power = power * (held_v / np.where(found.code == UNMEASURED, held_v, voltage))
    found = replace(found, code=code, power_w=power)
    return found, replace(ceiling, held_current_v=held_v)


def _at(ceiling: Ceiling, run: NDArray[np.intp], voltage: Floats, highest: Floats) -> Flags:
    """Mark the intervals whose mean or highest voltage reaches the ceiling of their run."""
    top = ceiling.voltage_v[run] - ceiling.margin_v
    with np.errstate(invalid="ignore"):
        reaches: Flags = voltage >= top
        top += 0.6 * ceiling.margin_v
        reaches |= highest >= top
    return reaches


def usual_power(found: Stretches, use: Flags, rated_w: float) -> float:
    """Return the 95 % quantile of the runs' highest powers, W: float time lowers their means."""
    if not use.any():
        return rated_w
    run, power = found.run[use], smoothed(found.power_w[use], found.run[use])
    opens = np.concatenate(([0], np.flatnonzero(np.diff(run)) + 1))
    return float(np.quantile(np.maximum.reduceat(power, opens), 0.95))


def smoothed(values: Floats, run: NDArray[np.intp]) -> Floats:
    """Return each value's mean with its neighbours in the run, so that one spike sets no top."""
    same = run[1:] == run[:-1]
    total = values.copy()
    total[1:] += np.where(same, values[:-1], values[1:])
    total[:-1] += np.where(same, values[1:], values[:-1])
    if len(values):
        total[0] += values[0]
        total[-1] += values[-1]
    total /= 3.0
    return total


def find_ceiling(
    found: Stretches,
    usable: Flags,
    runs: int,
    start_s: Floats,
    configured_v: float | None,
) -> Ceiling:
    """Find the ceiling of each run from the plateaus of the log and the configured value."""
    scale = found.blocks
    if configured_v is None:
        fallback = Ceiling(np.full(runs, np.nan), _MARGIN_V[0] * scale, 0.0)
    else:
        fallback = Ceiling(np.full(runs, configured_v), _CONFIGURED_MARGIN_V * scale, 0.0)
    run, duration = found.run[usable], found.duration_s[usable]
    if len(run) < 3:
        return fallback
    voltage = smoothed(found.voltage_v[usable], run)
    power = smoothed(found.power_w[usable], run)
    fallen, level = plateaus(run, duration, voltage, power, runs, scale)
    del power
    shows = np.isfinite(level)
    if not shows.any():
        return fallback
    heat = found.temperature_c[usable]
    told = np.isfinite(heat)
    heat[~told] = 0.0
    on_plateau_c = mean_by_run(run, heat, duration * (fallen & told), runs)
    per_k = compensation_of(level[shows], on_plateau_c[shows], CELLS_PER_BLOCK * scale)
    mean_c = mean_by_run(run, heat, duration * told, runs)
    del heat
    own_c = np.where(np.isfinite(on_plateau_c), on_plateau_c, mean_c)
    local, spread = local_median(start_s, level - per_k * np.nan_to_num(own_c - 25.0), shows)
    margin = float(np.clip(3.0 * spread, _MARGIN_V[0] * scale, _MARGIN_V[1] * scale))
    everywhere = local + per_k * np.nan_to_num(mean_c - 25.0)
    with np.errstate(invalid="ignore"):
        everywhere = np.where(shows, np.minimum(level, everywhere), everywhere)
        at_it = voltage >= everywhere[run] - margin
    standing = sums_by(run, duration * at_it, runs) >= _STANDING_S
    if shows.sum() < _BELIEVED * standing.sum():
        return fallback
    if configured_v is not None:
        everywhere = np.minimum(everywhere, configured_v)
    return Ceiling(everywhere, margin, per_k)


def plateaus(
    run: NDArray[np.intp], duration: Floats, voltage: Floats, power: Floats, runs: int, scale: int
) -> tuple[Flags, Floats]:
    """Find the runs whose power falls while the voltage stands at its top.

    ``scale`` is the number of 12 V blocks in series.

    Returns
    -------
    fallen, level
        Intervals at the run's top voltage after its power has fallen, shape (m,); and the voltage
        of each run's plateau, V, shape (runs,), NaN where it shows none.
    """
    opens = np.concatenate(([0], np.flatnonzero(np.diff(run)) + 1))
    present = run[opens]
    top_v, top_p = np.full(runs, np.nan), np.full(runs, np.nan)
    top_v[present] = np.maximum.reduceat(voltage, opens)
    top_p[present] = np.maximum.reduceat(power, opens)
    near = voltage >= top_v[run] - _FLAT_V * scale
    # Only what comes after the run's best: a cold start is not a battery that takes no more.
    peak = np.flatnonzero(power >= top_p[run])
    best = np.full(runs, len(run))
    np.minimum.at(best, run[peak], peak)
    low = np.flatnonzero(near & (power <= _FALLEN * top_p[run]))
    fallen = np.zeros(len(run), dtype=bool)
    fallen[low[low > best[run[low]]]] = True
    time_fallen = sums_by(run, duration * fallen, runs)
    with np.errstate(invalid="ignore"):
        shows = time_fallen >= _PLATEAU_S / 2.0
        shows &= sums_by(run, duration * near, runs) >= _PLATEAU_S
        # A plateau needs a charging voltage. If the power fails, the bank falls below that.
        shows &= top_v > CHARGING_V * scale
        level = mean_by_run(run, voltage, duration * fallen, runs)
        # At a ceiling the voltage holds while the power falls. If the voltage falls with the power,
        # the charger gave less: fuel running out on a bank whose voltage hardly moves.
        before = mean_by_run(run, voltage, duration * (near & ~fallen), runs)
        shows &= ~(level < before - _HOLDS_V * scale)
    level[~shows] = np.nan
    return fallen, level


def mean_by_run(run: NDArray[np.intp], values: Floats, weights: Floats, runs: int) -> Floats:
    """Return the weighted mean by run, NaN where nothing weighs."""
    total = sums_by(run, weights, runs)
    mean: Floats = np.full(runs, np.nan)
    np.divide(sums_by(run, weights * values, runs), total, out=mean, where=total > 0)
    return mean


def compensation_of(level: Floats, warmth: Floats, cells: int) -> float:
    """Return the slope of the ceiling over temperature, V/K, limited to ``_COMPENSATION``."""
    told = np.isfinite(warmth)
    if told.sum() < 8 or np.ptp(warmth[told]) < 6.0:
        return 0.0
    step = max(1, int(told.sum()) // 200)
    slope = theil_sen(warmth[told][::step], level[told][::step]).slope
    return float(np.clip(slope, _COMPENSATION[0] * cells, _COMPENSATION[1] * cells))


def local_median(start_s: Floats, level: Floats, shows: Flags) -> tuple[Floats, float]:
    """Return the median plateau near each run in time, and the spread about it (robust sd)."""
    at = np.flatnonzero(shows)
    values = level[at]
    width = min(_NEIGHBOURS, len(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, width)
    middle = np.median(windows, axis=1)
    lead = (width - 1) // 2
    smooth = np.concatenate(
        (
            np.full(lead, middle[0]),
            middle,
            np.full(len(values) - lead - len(middle), middle[-1]),
        )
    )
    spread = MAD_TO_SD * float(np.median(np.abs(values - smooth)))
    return np.interp(start_s, start_s[at], smooth), spread
