"""Computes the figures of the fit check from some running hours of a log."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90, Span
from analysis.health.run_table import Limit
from analysis.installation.loop_resistance import Loop, Steps, loop_resistance
from analysis.installation.result import Figures
from analysis.installation.warming import LEAST_RUNS, Warmth, rise_and_change
from analysis.statistics.robust import robust_mean

if TYPE_CHECKING:
    from analysis.health.run_table import RunTable
    from analysis.history.history import History
    from analysis.history.runs import Runs
    from logger.config import Config
    from logger.event import Event

NO_BATTERY_VOLTAGE = (
    "the log holds the voltage at the charger alone; measure both with a voltmeter in a run"
)
#: Least scatter of the output from run to run, fraction of rated (judgement).
_LEAST_SD_OUTPUT = 0.003


@dataclass(frozen=True, slots=True)
class LogWindow:
    """A log with its runs, steps and warming; it gives the figures of some running hours."""

    history: History
    config: Config
    runs: Runs
    steps: Steps
    warm: Warmth
    table: RunTable

    def at(self, begin_h: float, end_h: float) -> Figures:
        """Return the figures between two numbers of running hours."""
        log, hours = self.runs.log, self.runs.hours.at_end_h
        inside = np.flatnonzero((hours >= begin_h) & (hours <= end_h))
        from_s, to_s = float(log.start_s[inside[0]]), float(log.end_s[inside[-1]])
        reasons = {"battery_voltage_v": NO_BATTERY_VOLTAGE}
        output, limit = self._output(from_s, to_s)
        if output.median is None:
            reasons["output"] = limit
        timed = (self.steps.time_s >= from_s) & (self.steps.time_s <= to_s)
        loop = loop_resistance(self.steps.select(timed))
        if loop.reason:
            reasons["loop_ohm"] = reasons["loop_drop"] = loop.reason
        cable, why = self._cable(loop)
        if why:
            reasons["cable_ohm"] = reasons["cable_drop"] = why
        warm = (self.warm.start_s >= from_s) & (self.warm.start_s <= to_s)
        rise, change, rise_runs = rise_and_change(self.warm, warm)
        if rise.median is None:
            reasons["temperature_rise_k"] = (
                f"{rise_runs} of {LEAST_RUNS} runs of two hours with a compartment temperature"
                if np.isfinite(log.temperature_c).any()
                else "no compartment temperature is logged"
            )
        if change.median is None:
            reasons["output_change"] = (
                f"fewer than {LEAST_RUNS} runs in which the charger itself set the current for "
                "two hours"
            )
        start, end = log.start_s[inside], log.end_s[inside]
        silence = start[1:] - end[:-1]
        gaps = silence > max(self.config.log.gap_s, 1.0)
        return Figures(
            from_s,
            to_s,
            float(log.duration_s[inside][self.runs.running[inside]].sum()) / 3600.0,
            output,
            limit,
            loop,
            cable,
            rise,
            rise_runs,
            change,
            int(gaps.sum()),
            float(silence[gaps].sum()) / max(to_s - from_s, 1.0),
            _refused_s(self.history.events, from_s, to_s),
            reasons,
        )

    def _output(self, from_s: float, to_s: float) -> tuple[Span, str]:
        """Return the reached output, fraction of rated, and what limits the statement."""
        t = self.table
        use = t.used & np.isfinite(t.fraction) & (t.start_s >= from_s) & (t.start_s <= to_s)
        free = use & np.array([kind is Limit.SOURCE for kind in t.limit])
        span = robust_mean(t.fraction[free], _LEAST_SD_OUTPUT)
        if span.median is not None:
            text = f"{int(free.sum())} runs in which the charger itself set the current"
            if not np.isfinite(t.temperature_c[free]).any():
                text += "; without a compartment temperature, heat may hide part of it"
            return span, text
        if not use.any():
            return Span(), "no run shows the output yet: none was long enough to settle"
        low = float(np.max((t.fraction - Z90 * np.nan_to_num(t.standard_error))[use]))
        return Span(low=low), (
            "a lower bound: the battery set the current; run it from a battery well below full"
            if not free.any()
            else f"a lower bound: only {int(free.sum())} of {LEAST_RUNS} runs in which the charger "
            "itself set the current"
        )

    def _cable(self, loop: Loop) -> tuple[Span, str | None]:
        wiring = self.config.wiring
        if loop.ohm.median is None:
            return Span(), loop.reason
        if wiring is None or wiring.battery_ohm is None:
            return Span(), (
                "the loop holds the battery's own resistance; give it as battery_ohm in [wiring], "
                "or measure the drop along both leads with a voltmeter in a run"
            )
        less = wiring.battery_ohm
        ends = [
            None if end is None else max(end - less, 0.0)
            for end in (loop.ohm.low, loop.ohm.median, loop.ohm.high)
        ]
        return Span(*ends), None


def _refused_s(events: tuple[Event, ...], from_s: float, to_s: float) -> float:
    kept = [e for e in events if e.kind == "refused" and from_s <= e.time_s <= to_s]
    return sum(e.amount or 0.0 for e in kept)
