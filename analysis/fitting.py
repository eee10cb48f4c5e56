"""The fit check: what the first hours of a new fitting say, and how it has changed since.

Reached output, resistance of the loop to the battery, warming of the compartment, quality of the
source. Each is a figure with its interval, or None with a reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assess import assess
from analysis.assessment import Limit, Span
from analysis.checklist import ticked
from analysis.fitting_figures import Figures, FitCheck
from analysis.fitting_loop import Loop, Steps, current_steps, loop_resistance, loop_trend
from analysis.fitting_warmth import LEAST_RUNS, Warmth, rise_and_change, rise_trend, warmth
from analysis.physics import conductor_ohm, ventilation_m3_per_h
from analysis.robust import robust_mean
from analysis.runs import find_runs
from logger.errors import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment import RunTable
    from analysis.history import History
    from analysis.runs import Runs
    from logger.config import Config, WiringConfig
    from logger.store.events import Event

    Flags = NDArray[np.bool_]

#: Running hours that make the first and the latest figures.
FIRST_H = 100.0
#: Of one 12 V lead-acid battery.
_NOMINAL_V, _CHARGING_V, _CELLS = 12.0, 13.2, 6
_LEAST_SD_OUTPUT = 0.003
NO_BATTERY_VOLTAGE = (
    "the log holds the voltage at the charger alone; measure both with a voltmeter in a run"
)


def check_fitting(history: History, config: Config, first_h: float = FIRST_H) -> FitCheck:
    """Check how a charger was fitted.

    Parameters
    ----------
    history
        The log of one fitting.
    config
        Rated output, charge ceiling, cable.
    first_h
        Running hours that make the first and the latest figures.

    Raises
    ------
    ConfigError
        If the configured cross-section is not a nominal one of IEC 60228.
    """
    wiring = config.wiring
    iec_ohm = None if wiring is None else _iec_ohm(config, wiring)
    history = _since_replacement(history)
    runs = find_runs(history, config.charger.rated_w)
    blocks = _blocks(runs)
    nominal_v = _NOMINAL_V * blocks
    steps = current_steps(runs, config.charger.rated_w / nominal_v)
    warm = warmth(runs, config.charger.rated_w, config.battery.charge_ceiling_v)
    table = assess(history, config).run_table
    reasons: dict[str, str] = {}
    first = latest = None
    if len(runs) == 0 or table is None:
        reasons["first"] = reasons["latest"] = "the log holds no running"
    else:
        look = _Look(history, config, runs, steps, warm, table)
        begin_h, end_h = float(runs.hours.at_end_h[0]), float(runs.hours.at_end_h[-1])
        first = look.at(begin_h, begin_h + first_h)
        if end_h - begin_h >= 2.0 * first_h:
            latest = look.at(end_h - first_h, end_h)
        else:
            reasons["latest"] = (
                f"{end_h - begin_h:.0f} of {2.0 * first_h:.0f} running hours seen so far"
            )
    trend = loop_trend(steps)
    rise, why = rise_trend(warm)
    if trend.reason:
        reasons["per_1000h.loop_ohm"] = trend.reason
    if why:
        reasons["per_1000h.temperature_rise_k"] = why
    if wiring is None:
        reasons["wiring"] = (
            "no [wiring] section: add cross_section_mm2 and length_m (one way) to compare with "
            "IEC 60228"
        )
    battery, air = config.battery, None
    if battery.capacity_ah is not None:
        air = ventilation_m3_per_h(battery.capacity_ah, battery.chemistry, _CELLS * blocks)
    if air is None:
        reasons["battery_air_m3_per_h"] = (
            "no capacity_ah in [battery]"
            if battery.capacity_ah is None
            else "IEC 62485-2 does not cover a lithium bank: follow its maker and ISO 23625"
        )
    fitted = history.fitting.fitted
    return FitCheck(
        label=history.fitting.label,
        rated_w=config.charger.rated_w,
        fitted=fitted,
        nominal_v=nominal_v,
        wiring=wiring,
        iec_ohm=iec_ohm,
        battery_air_m3_per_h=air,
        first=first,
        latest=latest,
        loop_per_1000h=trend,
        rise_per_1000h=rise,
        ticks=ticked(history.events, fitted),
        reasons=reasons,
    )


def _iec_ohm(config: Config, wiring: WiringConfig) -> float:
    try:
        return conductor_ohm(wiring.cross_section_mm2, 2.0 * wiring.length_m, tinned=wiring.tinned)
    except UsageError as error:
        raise config.document.error(str(error), "wiring", "cross_section_mm2") from None


def _since_replacement(history: History) -> History:
    """Leave out what an earlier charger gave, where an exchange was noted as an event alone."""
    times = [e.time_s for e in history.events if e.kind == "replacement" and not e.struck]
    begun = [t for t in times if len(history) and t < history.end_s[-1]]
    return history.select(history.start_s >= max(begun)) if begun else history


def _blocks(runs: Runs) -> int:
    """Return how many 12 V the bank has in series, by its voltage while it is charged."""
    volts = runs.log.voltage_mean_v[runs.running]
    volts = volts[np.isfinite(volts)]
    return max(1, round(float(np.median(volts)) / _CHARGING_V)) if len(volts) else 1


@dataclass(frozen=True, slots=True)
class _Look:
    """Looks at some running hours of a log."""

    history: History
    config: Config
    runs: Runs
    steps: Steps
    warm: Warmth
    table: RunTable

    def at(self, begin_h: float, end_h: float) -> Figures:
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
            return Span(), "no run tells the output yet: none was long enough to settle"
        low = float(np.max((t.fraction - 1.645 * np.nan_to_num(t.standard_error))[use]))
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
