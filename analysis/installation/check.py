"""The fit check: figures from the first hours of a new fitting, and their change since.

Reached output, resistance of the loop to the battery, warming of the compartment, quality of the
source. Each is a figure with its interval, or None with a reason.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.health.run_output import run_table
from analysis.history.history import load_fitting
from analysis.installation.cable_limit import iec_ohm
from analysis.installation.checklist import ticked
from analysis.installation.loop_resistance import current_steps, loop_trend
from analysis.installation.manual_limits import against_log
from analysis.installation.result import Figures, FitCheck
from analysis.installation.warming import rise_trend, warmth
from analysis.installation.window import LogWindow
from analysis.physics import (
    CELLS_PER_BLOCK,
    NOMINAL_V,
    blocks_in_series,
    ventilation_m3_per_h,
)
from logger.event import EXCHANGE
from logger.store.reader import Reader

if TYPE_CHECKING:
    from analysis.history.history import History
    from analysis.history.runs import Runs
    from logger.config import BatteryConfig, Config

#: Running hours for the first and for the latest figures (judgement).
FIRST_H = 100.0


def check_log(config: Config, number: int | None = None, first_h: float = FIRST_H) -> FitCheck:
    """Check the configured fitting (else the newest of the log), or the one of that number.

    Raises
    ------
    StoreError
        If the database cannot be read or holds no such fitting.
    ConfigError
        As for :func:`check_fitting`.
    """
    case = Case(*load_fitting(config, number))
    return check_fitting(case, first_h, replaced_on(case.history, config))


def replaced_on(history: History, config: Config) -> str | None:
    """Return the ISO date on which the next charger was fitted, None where there is none."""
    with Reader(config.store.path) as reader:
        known = reader.fittings()
    ids = [fitting.id for fitting in known]
    later = known[ids.index(history.fitting.id) + 1 :] if history.fitting.id in ids else []
    return next((fitting.fitted for fitting in later if fitting.fitted), None)


def check_fitting(case: Case, first_h: float = FIRST_H, replaced: str | None = None) -> FitCheck:
    """Check how a charger was fitted.

    Parameters
    ----------
    case
        The log of one fitting, with rated output, charge ceiling and cable.
    first_h
        Running hours that make the first and the latest figures.
    replaced
        ISO date on which the next charger was fitted, if there was one.

    Raises
    ------
    ConfigError
        If the configured cross-section is not a nominal one of IEC 60228.
    """
    config = case.config
    wiring = config.wiring
    limit_ohm = iec_ohm(config)
    window = _window(case)
    history, runs, steps = window.history, window.runs, window.steps
    blocks = _blocks(runs)
    nominal_v = NOMINAL_V * blocks
    reasons: dict[str, str] = {}
    first, latest = _first_and_latest(window, first_h, reasons)
    trend = loop_trend(steps)
    rise, why = rise_trend(window.warm)
    if trend.reason:
        reasons["per_1000h.loop_ohm"] = trend.reason
    if why:
        reasons["per_1000h.temperature_rise_k"] = why
    if wiring is None:
        reasons["wiring"] = (
            "no [wiring] section: add cross_section_mm2 and length_m (one way) to compare with "
            "IEC 60228"
        )
    fitted = history.fitting.fitted
    return FitCheck(
        label=history.fitting.label,
        rated_w=config.charger.rated_w,
        fitted=fitted,
        nominal_v=nominal_v,
        wiring=wiring,
        iec_ohm=limit_ohm,
        battery_air_m3_per_h=_battery_air(config.battery, blocks, reasons),
        first=first,
        latest=latest,
        loop_per_1000h=trend,
        rise_per_1000h=rise,
        ticks=ticked(history.events, fitted, replaced),
        reasons=reasons,
        unit=config.unit,
        steps=steps,
        against_manual=tuple(against_log(config.unit, history, config.charger.rated_w / nominal_v)),
        running_h=float(runs.hours.at_end_h[-1]) if len(runs) else None,
    )


def _first_and_latest(
    window: LogWindow, first_h: float, reasons: dict[str, str]
) -> tuple[Figures | None, Figures | None]:
    """Return the figures of the first and of the latest running hours; note why there are none."""
    if len(window.runs) == 0:
        reasons["first"] = reasons["latest"] = "the log holds no running"
        return None, None
    at_end_h = window.runs.hours.at_end_h
    begin_h, end_h = float(at_end_h[0]), float(at_end_h[-1])
    first = window.at(begin_h, begin_h + first_h)
    if end_h - begin_h >= 2.0 * first_h:
        return first, window.at(end_h - first_h, end_h)
    reasons["latest"] = f"{end_h - begin_h:.0f} of {2.0 * first_h:.0f} running hours seen so far"
    return first, None


def _battery_air(battery: BatteryConfig, blocks: int, reasons: dict[str, str]) -> float | None:
    """Return the air that the battery space needs, m3 per hour; note why it is not known."""
    air = None
    if battery.capacity_ah is not None:
        air = ventilation_m3_per_h(battery.capacity_ah, battery.chemistry, CELLS_PER_BLOCK * blocks)
    if air is None:
        reasons["battery_air_m3_per_h"] = (
            "no capacity_ah in [battery]"
            if battery.capacity_ah is None
            else "IEC 62485-2 does not cover a lithium bank: follow its maker and ISO 23625"
        )
    return air


def last_figures(case: Case, hours: float) -> Figures | None:
    """Return the figures of the last running hours of a log; None where it holds no running."""
    window = _window(case)
    if len(window.runs) == 0:
        return None
    end_h = float(window.runs.hours.at_end_h[-1])
    return window.at(end_h - hours, end_h)


def _window(case: Case) -> LogWindow:
    """Return what the figures of a fitting are taken from."""
    config, history = case.config, _since_replacement(case.history)
    evidence = (case if history is case.history else Case(history, config)).evidence
    runs, rated_w = evidence.runs, config.charger.rated_w
    return LogWindow(
        history,
        config,
        runs,
        current_steps(runs, rated_w / (NOMINAL_V * _blocks(runs))),
        warmth(runs, rated_w, config.battery.charge_ceiling_v),
        run_table(runs, evidence.out, evidence.runtime_h),
    )


def _since_replacement(history: History) -> History:
    """Leave out the log of an earlier charger, if only an event records the exchange."""
    times = [e.time_s for e in history.events if e.kind == EXCHANGE and not e.struck]
    begun = [t for t in times if len(history) and t < history.end_s[-1]]
    return history.select(history.start_s >= max(begun)) if begun else history


def _blocks(runs: Runs) -> int:
    """Return the number of 12 V blocks in series, by the voltage of the bank while charged."""
    volts = runs.log.voltage_mean_v[runs.running]
    volts = volts[np.isfinite(volts)]
    return blocks_in_series(float(np.median(volts))) if len(volts) else 1
