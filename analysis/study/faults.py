"""The study of the inputs: each fault at three sizes on boats without faults, found or not.

A boat's log is taken as it is and one thing in it is made wrong, so that whatever else is said
against that log is a false alarm. The faults are written from what a fitter meets, not from how
they are looked for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.health.evidence import gather
from analysis.history.history import STATE_CODE
from analysis.history.runs import find_runs
from analysis.inputs.channels.voltage import without_voltage
from analysis.inputs.examine import examine
from analysis.inputs.finding import Severity
from analysis.study.boats import simulate
from logger.durations import YEAR_S
from logger.reading import OperatingState

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.history.history import History
    from analysis.inputs.finding import Finding
    from analysis.study.boats import Boat
    from logger.config import Config

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]
    Fault = Callable[[History, float, float], History]


@dataclass(frozen=True, slots=True)
class InputOutcome:
    """The findings of one boat: codes of stops and doubts, without a fault and with each."""

    name: str
    sound: tuple[str, ...]
    """Of the log without a fault."""
    stops: tuple[str, ...]
    faults: dict[tuple[str, float], tuple[str, ...]]


def _scaled(history: History, factor: Floats) -> History:
    return replace(history, charge_c=history.charge_c * factor, energy_j=history.energy_j * factor)


def _shifted(history: History, amps: Floats) -> History:
    charge = amps * history.duration_s
    return replace(
        history,
        charge_c=history.charge_c + charge,
        energy_j=history.energy_j + charge * history.voltage_mean_v,
    )


def _rated_a(history: History, rated_w: float) -> float:
    return rated_w / float(np.nanmedian(history.voltage_mean_v))


def zero_off(history: History, rated_w: float, size: float) -> History:
    """Shift the zero of the current by a part of the rated current."""
    return _shifted(history, np.full(len(history), size * _rated_a(history, rated_w)))


def zero_drift(history: History, rated_w: float, size: float) -> History:
    """Let the zero drift by a part of the rated current a year."""
    years = (history.start_s - history.start_s[0]) / YEAR_S
    return _shifted(history, size * _rated_a(history, rated_w) * years)


def gain_drift(history: History, _: float, size: float) -> History:
    """Let the gain fall by a part of itself a year."""
    years = (history.start_s - history.start_s[0]) / YEAR_S
    return _scaled(history, np.maximum(1.0 - size * years, 0.2))


def net_current(history: History, rated_w: float, size: float) -> History:
    """Measure at the battery: a load of a part of the rated current is in it."""
    rng = np.random.default_rng(len(history))
    load = size * _rated_a(history, rated_w) * rng.uniform(0.5, 1.5, len(history))
    return _shifted(history, -load)


def larger_unit(history: History, _: float, size: float) -> History:
    """Fit a unit so many times as strong as the configuration says."""
    return _scaled(history, np.full(len(history), size))


def switched_on(history: History, _: float, size: float) -> History:
    """Let the counter count this part of the resting hours, too."""
    runs = find_runs(history, _)
    rest = np.where(runs.running, 0.0, runs.log.duration_s)
    return replace(runs.log, runtime_h=runs.log.runtime_h + size * np.cumsum(rest) / 3600.0)


def counter_unit(history: History, _: float, size: float) -> History:
    """Give the counter in another unit."""
    return replace(history, runtime_h=history.runtime_h * size)


def counter_stuck(history: History, _: float, size: float) -> History:
    """Let the counter stop at this part of its course."""
    low, high = np.nanmin(history.runtime_h), np.nanmax(history.runtime_h)
    return replace(history, runtime_h=np.minimum(history.runtime_h, low + size * (high - low)))


def comes_and_goes(history: History, rated_w: float, size: float) -> History:
    """Let this share of the runs give 55 %."""
    runs = find_runs(history, rated_w)
    rng = np.random.default_rng(len(runs))
    starts, which = np.unique(runs.begun_s, return_inverse=True)
    low = rng.random(len(starts)) < size
    factor = np.ones(len(runs.log))
    inside = runs.run >= 0
    factor[inside] = np.where(low[which[runs.run[inside]]], 0.55, 1.0)
    return _scaled(runs.log, factor)


def turned_down(history: History, rated_w: float, size: float) -> History:
    """Turn the charger down to a part of rated from the middle of its runs on."""
    runs = find_runs(history, rated_w)
    log = runs.log
    from_s = runs.start_s[len(runs) // 2] if len(runs) else np.inf
    cap_w = 5.0 * round(size * rated_w / 5.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(log.start_s >= from_s, np.minimum(1.0, cap_w / runs.power_w), 1.0)
    return _scaled(log, np.where(np.isfinite(factor) & (runs.power_w > 0.0), factor, 1.0))


def stuck(history: History, _: float, size: float) -> History:
    """Let the current stand still from this part of the log on."""
    place = int(size * len(history))
    running = np.flatnonzero(history.charge_c[:place] > 0.0)
    if not len(running):
        return history
    amps = float(history.charge_c[running[-1]] / history.duration_s[running[-1]])
    late = np.arange(len(history)) >= place
    charge = np.where(late, amps * history.duration_s, history.charge_c)
    energy = np.where(late, charge * history.voltage_mean_v, history.energy_j)
    return replace(history, charge_c=charge, energy_j=energy)


def _late(history: History, size: float) -> Flags:
    return np.arange(len(history)) >= size * len(history)


def silent(history: History, _: float, size: float) -> History:
    """Let the current show nothing from this part of the log on."""
    return _scaled(history, np.where(_late(history, size), 0.0, 1.0))


def no_voltage(history: History, _: float, size: float) -> History:
    """Log no voltage from this part of the log on."""
    return without_voltage(history, _late(history, size))


def voltage_stuck(history: History, _: float, size: float) -> History:
    """Let the voltage stand still from this part of the log on."""
    late = _late(history, size)
    told = np.flatnonzero(late & np.isfinite(history.voltage_mean_v))
    if not len(told):
        return history
    volts = float(history.voltage_mean_v[told[0]])
    return replace(
        history,
        voltage_mean_v=np.where(late, volts, history.voltage_mean_v),
        voltage_min_v=np.where(late, volts, history.voltage_min_v),
        voltage_max_v=np.where(late, volts, history.voltage_max_v),
        voltage_last_v=np.where(late, volts, history.voltage_last_v),
        energy_j=np.where(late, volts * history.charge_c, history.energy_j),
    )


def behind_a_drop(history: History, rated_w: float, size: float) -> History:
    """Measure the voltage behind a resistance that loses a part of it at the rated current."""
    with np.errstate(invalid="ignore", divide="ignore"):
        amps = history.charge_c / history.duration_s
    usual_v = float(np.nanmedian(history.voltage_mean_v))
    lost = size * usual_v * np.nan_to_num(amps) / _rated_a(history, rated_w)
    return replace(
        history,
        voltage_mean_v=history.voltage_mean_v - lost,
        voltage_min_v=history.voltage_min_v - lost,
        voltage_max_v=history.voltage_max_v - lost,
        voltage_last_v=history.voltage_last_v - lost,
        energy_j=history.energy_j - lost * history.charge_c,
    )


def state_stuck(history: History, _: float, size: float) -> History:
    """Let the state say "running" at all times from this part of the log on."""
    running = STATE_CODE[OperatingState.RUNNING]
    state = np.where(_late(history, size), running, history.state)
    return replace(history, state=state.astype(history.state.dtype))


def averaged(history: History, _: float, size: float) -> History:
    """Give the mean current of so many hours before, as an hourly or daily recording does."""
    order = np.argsort(history.start_s, kind="stable")
    log = history.select(order)
    charge = np.concatenate(([0.0], np.cumsum(np.nan_to_num(log.charge_c))))
    spent_s = np.concatenate(([0.0], np.cumsum(log.duration_s)))
    first = np.searchsorted(log.end_s, log.end_s - 3600.0 * size, "right")
    upto = np.arange(len(log)) + 1
    mean_a = (charge[upto] - charge[first]) / np.maximum(spent_s[upto] - spent_s[first], 1.0)
    return replace(
        log,
        charge_c=mean_a * log.duration_s,
        energy_j=mean_a * log.duration_s * log.voltage_mean_v,
    )


#: Name of each fault, how it is made, its sizes, and the codes that find it.
FAULTS: tuple[tuple[str, Fault, tuple[float, float, float], frozenset[str]], ...] = (
    ("zero of the current off, part of rated", zero_off, (0.02, 0.05, 0.1),
     frozenset({"current_zero"})),
    ("zero drifting, part of rated a year", zero_drift, (0.02, 0.04, 0.08),
     frozenset({"current_zero"})),
    ("gain falling, part of itself a year", gain_drift, (0.03, 0.06, 0.1),
     frozenset({"gain_drift"})),
    ("measured at the battery, load as part of rated", net_current, (0.1, 0.25, 0.5),
     frozenset({"net_current"})),
    ("a unit so many times as strong", larger_unit, (1.25, 1.5, 2.0), frozenset({"above_rated"})),
    ("counter counts this part of the rest", switched_on, (0.3, 0.6, 1.0),
     frozenset({"counter_switched_on", "counter_differs"})),
    ("counter in another unit", counter_unit, (10.0, 60.0, 3600.0), frozenset({"counter_unit"})),
    ("counter stops at this part", counter_stuck, (0.25, 0.5, 0.75), frozenset({"counter_stuck"})),
    ("this part of the runs at 55 %", comes_and_goes, (0.1, 0.2, 0.3), frozenset({"two_levels"})),
    ("turned down to this part of rated", turned_down, (0.4, 0.5, 0.6), frozenset({"flat_cap"})),
    ("current stuck from this part of the log on", stuck, (0.3, 0.6, 0.9),
     frozenset({"current_stuck"})),
    ("current shows nothing from this part on", silent, (0.0, 0.3, 0.6),
     frozenset({"current_silent"})),
    ("current is the mean of so many hours", averaged, (3.0, 8.0, 24.0),
     frozenset({"current_late"})),
    ("no voltage from this part of the log on", no_voltage, (0.0, 0.3, 0.6),
     frozenset({"voltage_missing"})),
    ("voltage stuck from this part of the log on", voltage_stuck, (0.3, 0.6, 0.9),
     frozenset({"voltage_stuck"})),
    ("state stuck at running from this part on", state_stuck, (0.3, 0.6, 0.9),
     frozenset({"state_stuck"})),
    ("voltage behind a drop, part at rated current", behind_a_drop, (0.03, 0.06, 0.1),
     frozenset({"voltage_drop"})),
)  # fmt: skip


def _findings(history: History, config: Config) -> tuple[Finding, ...]:
    """Return the findings about a log; they need no estimate of health."""
    examined = examine(history, config)
    evidence = gather(examined.runs, config, examined.zero_sd, examined.held)
    return (*examined.findings, *evidence.findings)


def judge_inputs(boat: Boat, cache: Path | None) -> InputOutcome:
    """Simulate a boat, and check its log without a fault and with each fault."""
    history, _ = simulate(boat, cache)
    config = boat.config()
    rated_w = config.charger.rated_w
    whole = _findings(history, config)
    told: dict[tuple[str, float], tuple[str, ...]] = {}
    counted = bool(np.isfinite(history.runtime_h).any())
    stated = bool((history.state != STATE_CODE[OperatingState.UNKNOWN]).any())
    needs = {"counter": counted, "state": stated}
    for name, fault, sizes, _codes in FAULTS:
        for size in sizes:
            if len(history) == 0 or not needs.get(name.split()[0], True):
                continue
            wrong = _findings(fault(history, rated_w, size), config)
            told[name, size] = tuple(f.code for f in wrong if f.severity is not Severity.NOTE)
    return InputOutcome(
        boat.name,
        tuple(f.code for f in whole if f.severity is not Severity.NOTE),
        tuple(f.code for f in whole if f.severity is Severity.STOP),
        told,
    )


def inputs_markdown(outcomes: Sequence[InputOutcome], seed: int) -> str:
    """Return the table: false alarms, and each fault at three sizes."""
    number = len(outcomes)
    doubts = sum(bool(o.sound) for o in outcomes)
    stops = sum(bool(o.stops) for o in outcomes)
    measured = (
        f"Measured over {number} boats of seed {seed}. Without a fault {doubts} of {number} have a "
        f"doubt (wanted: at most 1 in 100) and {stops} a stop (wanted: none)."
    )
    lines = [
        measured,
        "",
        "| fault | three sizes | boats | found at each | something else said besides |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    for name, _, sizes, codes in FAULTS:
        said = [[set(o.faults[name, s]) for o in outcomes if (name, s) in o.faults] for s in sizes]
        cells = (
            name,
            ", ".join(f"{size:g}" for size in sizes),
            str(len(said[0])),
            ", ".join(str(sum(bool(codes & told) for told in of_size)) for of_size in said),
            ", ".join(str(sum(bool(told - codes) for told in of_size)) for of_size in said),
        )
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"
