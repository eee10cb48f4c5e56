"""Questions the log before anything is concluded from it, and hands on what is left.

The zero of the current is taken off, a counter that counts something else is left out. Everything
that was found is told; nothing is taken away in silence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.runs import Runs, find_runs
from analysis.inputs import clamp
from analysis.inputs.cap import cap_finding, find_cap, power_of_runs
from analysis.inputs.counter import counter_findings, without_counter
from analysis.inputs.exchange import Jump, jump_finding, jumps_back
from analysis.inputs.finding import Finding, Severity, worst_first
from analysis.inputs.mended import mended_findings
from analysis.inputs.rated import above_rated, current_missing, not_the_chargers
from analysis.inputs.stuck import saturated_current, stuck_current, without_current
from analysis.inputs.zero import find_zero, matters, without_zero, zero_finding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from logger.config import Config

    Flags = NDArray[np.bool_]


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
    """Runs that a setting held at a figure: what they gave is a lower bound. Shape (runs,)."""
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
    log = runs.log
    if len(log) == 0:
        return Examined(runs, (), 0.0, np.zeros(0, dtype=bool))
    sensor = config.sensor
    volts = (
        float(np.nanmedian(log.voltage_mean_v)) if np.isfinite(log.voltage_mean_v).any() else 12.0
    )
    rated_a = rated_w / max(volts, 1.0)
    findings: list[Finding] = []
    current = not_the_chargers(log, rated_a) or current_missing(log)
    stuck = stuck_current(log, rated_a, volts)
    if stuck is not None:
        findings.append(stuck[0])
        log = without_current(log, stuck[1])
        runs = find_runs(log, rated_w)
    zero = find_zero(log, rated_a)
    # A device that blanks small currents shows a zero of exactly nothing, whatever it is.
    shown = zero is not None and bool(np.any(zero.current_a != 0.0))
    zero_sd_a = zero.sd_a if zero is not None and shown else sensor.zero_uncertainty_a
    if zero is not None and matters(zero, rated_a):
        findings.append(zero_finding(zero, rated_a))
        log = without_zero(log, zero)
        runs = find_runs(log, rated_w)
    gain_sd, zero_sd = sensor.gain_uncertainty, zero_sd_a / rated_a
    clamped = clamp.look(history.events, log, zero_sd_a, _exchanged_s(history))
    if clamped is not None:
        findings.append(clamp.clamp_finding(clamped))
        log = clamp.corrected(log, clamped)
        runs = find_runs(log, rated_w)
        gain_sd, zero_sd = clamped.relative_sd, 0.0
    findings += [f for f in (current, above_rated(log, rated_w)) if f is not None]
    odd, unsound_from_s = counter_findings(runs)
    findings += odd
    if unsound_from_s is not None:
        runs = find_runs(without_counter(log, unsound_from_s), rated_w)
    jumps = () if unsound_from_s is not None else tuple(jumps_back(runs, log.events))
    findings += [jump_finding(jump) for jump in jumps[-5:]]
    power = power_of_runs(runs)
    cap = find_cap(power, rated_w)
    if cap is not None:
        findings.append(cap_finding(cap, power.whole, runs.start_s, rated_w))
    held = np.zeros(len(runs), dtype=bool) if cap is None else cap.runs
    saturated = saturated_current(log, rated_a, volts)
    if saturated is not None:
        findings.append(saturated)
        held[:] = True
    findings += mended_findings(history.events, len(history))
    return Examined(runs, worst_first(findings), zero_sd, held, gain_sd, jumps)


def _exchanged_s(history: History) -> float:
    """Return when the charger was exchanged last by an event; its sensor goes with it."""
    times = (e.time_s for e in history.events if e.kind == "replacement" and not e.struck)
    return max(times, default=-np.inf)
