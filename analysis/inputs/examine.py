"""Questions the log before anything is concluded from it, and hands on what is left.

The zero of the current is taken off, a counter that counts something else is left out. Everything
that was found is told; nothing is taken away in silence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90
from analysis.history.runs import Runs, find_runs
from analysis.inputs import clamp
from analysis.inputs.cap import cap_finding, find_caps, power_of_runs
from analysis.inputs.capacity import capacity_finding
from analysis.inputs.channels.current import (
    saturated_current,
    step_of,
    stuck_current,
    without_current,
)
from analysis.inputs.channels.drop import look_for_drop
from analysis.inputs.channels.late import LATE, late_current
from analysis.inputs.channels.silent import silent_current
from analysis.inputs.channels.spikes import peaks
from analysis.inputs.channels.state import stuck_state, two_recordings, without_state
from analysis.inputs.channels.temperature import stuck_temperature, without_temperature
from analysis.inputs.channels.voltage import foreign_voltage, stuck_voltage, without_voltage
from analysis.inputs.counter import counter_findings, jumping_counter, without_counter
from analysis.inputs.dates import begun_before_fitted, impossible_dates
from analysis.inputs.exchange import MANY, Jump, jump_finding, many_jumps, unexplained_jumps
from analysis.inputs.finding import Finding, Severity, by_day, worst_first
from analysis.inputs.gain import find_cycles, look_for_drift
from analysis.inputs.mended import mended_findings
from analysis.inputs.rated import above_rated, not_believed, voltage_missing
from analysis.inputs.rest import by_counter, told
from analysis.inputs.zero import (
    find_zero,
    matters,
    mean_current,
    sd_of,
    unsure_finding,
    without_zero,
    zero_finding,
)
from analysis.physics import NOMINAL_V

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.inputs.rest import Told
    from logger.config import Config

    Flags = NDArray[np.bool_]


#: Findings after which the log no longer shows all running by the power.
_HIDE_RUNS = frozenset({"current_silent", "current_stuck", "voltage_missing", "voltage_stuck"})


@dataclass(frozen=True, slots=True)
class Examined:
    """What a log says about itself."""

    runs: Runs
    """The runs of the log as it may be used."""
    findings: tuple[Finding, ...]
    """The worst first."""
    zero_sd: float
    """What the output may be wrong by for the zero of the current, fraction of rated."""
    held: Flags
    """Runs that a setting held at a figure, or that went against another source by the
    configuration: what they gave is a lower bound. Shape (runs,)."""
    gain_sd: float = 0.0
    """What it may be wrong by for the gain of the current, as a part of the output."""
    jumps: tuple[Jump, ...] = ()
    """Jumps back of the hour counter that nobody explained."""

    @property
    def stopped(self) -> bool:
        """Whether nothing can be concluded from the log."""
        return any(f.severity is Severity.STOP for f in self.findings)


def examine(history: History, config: Config) -> Examined:
    """Question a log.

    Parameters
    ----------
    history
        The log of one fitting.
    config
        Rated output, and what [sensor] says.
    """
    rated_w = config.charger.rated_w
    runs = find_runs(history, rated_w)
    if len(runs.log) == 0:
        nothing = np.zeros(0, dtype=bool)
        return Examined(runs, tuple(impossible_dates(history)), 0.0, nothing)
    volts = runs.log.usual_v if math.isfinite(runs.log.usual_v) else NOMINAL_V
    turns = two_recordings(runs, rated_w)
    if turns is not None:
        # Whatever else such a log shows comes of its two chargers.
        found = [turns, *jumping_counter(runs), *impossible_dates(history)]
        return Examined(runs, worst_first(found), 0.0, np.zeros(len(runs), dtype=bool))
    # No channel that is left out changes what the hour counter tells.
    counted = by_counter(runs.log)
    runs, told_wrong = _channels(runs, counted, rated_w, volts)
    runs, zero_sd, gain_sd, findings = _current(runs, counted, config, volts)
    findings += told_wrong
    log = runs.log
    odd, unsound_from_s = _counter(runs, findings)
    findings += odd
    if unsound_from_s is not None:
        runs = find_runs(without_counter(log, unsound_from_s), rated_w)
    jumps = () if unsound_from_s is not None else tuple(unexplained_jumps(runs, log.events))
    if len(jumps) >= MANY:
        findings.append(many_jumps(jumps))
        jumps = ()
    findings += [jump_finding(jump) for jump in jumps]
    small = capacity_finding(find_cycles(runs), config.battery.capacity_ah, volts)
    findings += [] if small is None else [small]
    held, capped = _held(runs, config, volts)
    findings += capped
    left = by_day("hours in the log by day", "h", log, log.duration_s, None)
    findings += mended_findings(history.events, len(history), left)
    findings += impossible_dates(history)
    findings += begun_before_fitted(runs.log, config)
    return Examined(runs, worst_first(findings), zero_sd, held, gain_sd, jumps)


def _held(runs: Runs, config: Config, volts: float) -> tuple[Flags, list[Finding]]:
    """Return the runs whose power is only a lower bound, and what is found about them."""
    rated_w = config.charger.rated_w
    findings: list[Finding] = []
    power = power_of_runs(runs)
    held = np.zeros(len(runs), dtype=bool)
    for cap in find_caps(power, rated_w):
        findings.append(cap_finding(cap, power.whole, runs.start_s, rated_w))
        held |= cap.runs
    for source in config.other_sources:
        if source.holds:
            held |= (runs.end_s > source.begin_s) & (runs.start_s < source.end_s)
    saturated = saturated_current(runs.log, rated_w / max(volts, 1.0), volts)
    if saturated is not None:
        findings.append(saturated)
        held[:] = True
    return held, findings


def _channels(
    runs: Runs, counted: Told, rated_w: float, volts: float
) -> tuple[Runs, list[Finding]]:
    """Question voltage, state and temperature; return the runs without what is not believed."""
    rated_a = rated_w / max(volts, 1.0)
    findings: list[Finding] = []
    missing = voltage_missing(runs.log, runs.running, rated_a)
    findings += [] if missing is None else [missing]
    still = stuck_voltage(runs.log, rated_a)
    if still is not None:
        findings.append(still[0])
        runs = find_runs(without_voltage(runs.log, still[1]), rated_w)
    said = stuck_state(runs, counted, rated_w, volts)
    if said is not None:
        findings.append(said[0])
        runs = find_runs(without_state(runs.log, said[1]), rated_w)
    same = stuck_temperature(runs)
    if same is not None:
        findings.append(same[0])
        runs = find_runs(without_temperature(runs.log, same[1]), rated_w)
    return runs, findings


def _counter(runs: Runs, findings: list[Finding]) -> tuple[list[Finding], float | None]:
    """Question the hour counter, where the runs that it is held against are known."""
    stopped = any(f.severity is Severity.STOP for f in findings)
    hidden = any(f.code in _HIDE_RUNS for f in findings) and not runs.states_told
    if stopped or hidden:
        # The runs were found by what is not believed: only jumps of the counter count.
        return jumping_counter(runs), None
    return counter_findings(runs)


def _current(
    runs: Runs, counted: Told, config: Config, volts: float
) -> tuple[Runs, float, float, list[Finding]]:
    """Question the sensor of the current.

    Returns
    -------
    runs, zero_sd, gain_sd, findings
        The runs with the current as it may be used; what its zero (fraction of rated) and its gain
        (part of the output) may still be wrong by.
    """
    rated_w, sensor = config.charger.rated_w, config.sensor
    rated_a = rated_w / max(volts, 1.0)
    current = not_believed(runs.log, rated_a)
    runs, findings = _without_dead_current(runs, counted, config, volts)
    if current is None:
        current = late_current(runs.log, counted, rated_a)
    if current is not None and current.code == LATE:
        return runs, 0.0, 0.0, [*findings, current]  # what is seen at rest is no zero
    zero = find_zero(runs, rated_a, counted)
    zero_sd_a = sensor.zero_uncertainty_a
    if zero is not None:
        zero_sd_a = sd_of(zero, zero_sd_a)
    if zero is not None and matters(zero, rated_a):
        findings.append(zero_finding(zero, rated_a) if zero.sure else unsure_finding(zero, rated_a))
        if zero.sure:
            runs = find_runs(without_zero(runs.log, zero), rated_w)
    # Rounding to whole steps: a uniform distribution of a step's width.
    zero_sd_a = math.hypot(zero_sd_a, step_of(mean_current(runs.log), rated_a) / math.sqrt(12.0))
    gain_sd, zero_sd = sensor.gain_uncertainty, zero_sd_a / rated_a
    clamped = clamp.look(runs.log.events, runs.log, zero_sd_a, clamp.exchanged_s(runs.log))
    if clamped is not None:
        findings.append(clamp.clamp_finding(clamped))
        runs = find_runs(clamp.corrected(runs.log, clamped), rated_w)
        gain_sd, zero_sd = clamped.relative_sd, 0.0
    else:
        drift = look_for_drift(find_cycles(runs))
        if drift is not None:
            findings.append(drift[0])
            # The interval of 90 % reaches from what the sensor says to what the others may say.
            gain_sd = math.hypot(gain_sd, drift[1] / Z90)
    gain_sd, told_drop = _voltage_place(runs, rated_a, volts, clamped, gain_sd)
    findings += told_drop
    findings += [] if current is None else [current]
    runs, told_high = _too_high(runs, rated_w)
    return runs, zero_sd, gain_sd, findings + told_high


def _too_high(runs: Runs, rated_w: float) -> tuple[Runs, list[Finding]]:
    """Question output above rated; return the runs without its short peaks."""
    above = above_rated(runs.log, rated_w)
    if above is not None:
        return runs, [above]
    told_peaks, over = peaks(runs.log, rated_w)
    found = [] if told_peaks is None else [told_peaks]
    return (find_runs(without_current(runs.log, over), rated_w) if over.any() else runs), found


def _without_dead_current(
    runs: Runs, counted: Told, config: Config, volts: float
) -> tuple[Runs, list[Finding]]:
    """Return the runs without a current that stands still or shows nothing."""
    rated_w = config.charger.rated_w
    rated_a = rated_w / max(volts, 1.0)
    findings: list[Finding] = []
    stuck = stuck_current(runs.log, rated_a, volts)
    if stuck is not None:
        findings.append(stuck[0])
        runs = find_runs(without_current(runs.log, stuck[1]), rated_w)
    known = told(runs, counted)
    # A declared source raises the voltage as well.
    known = replace(known, runs=known.runs & ~_with_others(runs.log, config))
    silent = silent_current(runs.log, known, rated_a, volts)
    if silent is not None:
        findings.append(silent[0])
        runs = find_runs(without_current(runs.log, silent[1]), rated_w)
    return runs, findings


def _voltage_place(
    runs: Runs, rated_a: float, volts: float, clamped: clamp.Clamped | None, gain_sd: float
) -> tuple[float, list[Finding]]:
    """Question where the voltage is measured; say what the gain may be wrong by."""
    # A voltmeter on the terminals has told a drop.
    measured = clamped is not None and any(r.voltage_v is not None for r in clamped.readings)
    drop = None if measured else look_for_drop(runs, rated_a)
    if drop is not None:
        # The interval of 90 % reaches as far as an output that is put right. A large drop takes as
        # much as a start raises the voltage by, so that is no second finding.
        return math.hypot(gain_sd, drop[1] / Z90), [drop[0]]
    elsewhere = foreign_voltage(runs, rated_a, volts)
    return gain_sd, [] if elsewhere is None else [elsewhere]


def _with_others(log: History, config: Config) -> Flags:
    """Return the intervals in which a declared source may have charged as well."""
    found = np.zeros(len(log), dtype=bool)
    for source in config.other_sources:
        found |= (log.end_s > source.begin_s) & (log.start_s < source.end_s)
    return found
