"""One boat of the study: its description, its life as a log, and the truth about it.

The log goes through the real condenser. The truth is defined so:

Available output
    Power the charger can give warm, in a compartment at 25 degC, with the battery not limiting,
    early in a run: the charger's course at its present running hours, run-to-run scatter and
    sensor noise excluded, the charger's own wander included.
Remaining hours
    Until the course, which goes on fluctuating in the future, falls below the replacement limit and
    stays below for 100 running hours; or until the design hours are used up; or until it falls
    below what the load asks for and stays below; whichever comes first. The course has no future
    sudden steps, because nothing could forecast them.
What the load asks for
    The output with which the boat's own bank falls below its usable share on one day in twenty of
    the season: :mod:`analysis.study.short_days`.
Daily load
    What the boat drew on days in season on which no other source was connected.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import math
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

import analysis.study.short_days
import logger.interval
import logger.sources.boat.bank
import logger.sources.boat.charger
import logger.sources.boat.course
import logger.sources.boat.days
import logger.sources.boat.instruments
import logger.sources.boat.run
from analysis.history.history import STATE_CODE, History
from analysis.study.short_days import needed_output, short_share
from logger.config import (
    BatteryConfig,
    ChargerConfig,
    Config,
    FuelConfig,
    LogConfig,
    SensorConfig,
    StoreConfig,
)
from logger.event import Event
from logger.interval import Condenser, Interval
from logger.settings import Document
from logger.sources.boat.course import course_at, crossing_h
from logger.sources.boat.run import Voyage
from logger.store.reader import Fitting

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logger.sources.boat.model import BoatModel

#: How long output must stay below a limit for the crossing to be for good, running hours.
SUSTAINED_H = 100.0
#: Largest relative scatter of a container's content about its label (judgement).
MOST_FILL_SD = 0.03

_COLUMNS = (
    "start_s",
    "duration_s",
    "state",
    "readings",
    "charge_c",
    "energy_j",
    "voltage_min_v",
    "voltage_max_v",
    "voltage_mean_v",
    "voltage_last_v",
    "runtime_h",
    "temperature_c",
    "battery_charge_c",
    "fuel_l",
)
_DAY_COLUMNS = (
    "start_s",
    "load_ah",
    "load_wh",
    "other_h",
    "fed_h",
    "fed_ah",
    "charger_ah",
    "charger_wh",
    "running_h",
    "free_h",
    "passed_ah",
    "stored_ah",
    "silent_h",
    "least_soc",
    "start_soc",
)
#: Modules whose change makes a kept life worthless.
_MODEL_SOURCES = (
    logger.interval,
    logger.sources.boat.bank,
    logger.sources.boat.charger,
    logger.sources.boat.course,
    logger.sources.boat.days,
    logger.sources.boat.instruments,
    logger.sources.boat.run,
)


@dataclass(frozen=True, slots=True)
class Boat:
    """One boat of the study. ``model`` is what happens; the rest is what its owner configures.

    Parameters
    ----------
    name
        Unique within a population.
    category
        Purpose for which the boat was drawn; tables group boats by the truth, not by this.
    until_h
        The log ends when the charger has run this many hours (``hours_before`` included).
    most_days
        The log ends after this many days at the latest.
    ceiling_told, capacity_told, fuel_told
        Whether the configuration and the events contain these.
    unknown_clock
        Share of the logger's restarts after which it never has the true time.
    """

    name: str
    category: str
    model: BoatModel
    log: LogConfig
    until_h: float
    most_days: float = 3650.0
    design_life_h: float = 7500.0
    plan_below: float = 0.75
    replace_below: float = 0.60
    ceiling_told: bool = True
    capacity_told: bool = True
    fuel_told: bool = True
    unknown_clock: float = 0.0
    gain_uncertainty: float = 0.0
    """The configured uncertainty of the current's scale; the simulated sensors are exact."""

    def digest(self) -> str:
        """Return a digest of the boat and of the code that simulates it."""
        text = repr(self).encode()
        here = Path(__file__).read_bytes()
        code = b"".join(Path(str(module.__file__)).read_bytes() for module in _MODEL_SOURCES)
        return hashlib.sha256(text + here + code).hexdigest()[:24]

    def config(self) -> Config:
        """Return the configuration that the boat's owner would have written."""
        model = self.model
        path = Path("ebbwatt.toml")
        return Config(
            path=path,
            charger=ChargerConfig(
                label=self.name,
                rated_w=model.charger.rated_w,
                fitted=model.start.date(),
                # In the study the end of the design life is exact.
                design_life_h=(self.design_life_h, self.design_life_h),
                plan_below=self.plan_below,
                replace_below=self.replace_below,
            ),
            battery=BatteryConfig(
                capacity_ah=model.battery.capacity_ah if self.capacity_told else None,
                chemistry=model.battery.chemistry,
                charge_ceiling_v=model.charger.ceiling_v if self.ceiling_told else None,
            ),
            fuel=(
                FuelConfig(container_l=model.charger.container_l)
                if model.charger.container_l > 0.0
                else None
            ),
            store=StoreConfig(path.absolute().with_name("ebbwatt.db")),
            log=self.log,
            plausible={},
            source=None,
            document=Document(path, {}),
            sensor=SensorConfig(self.gain_uncertainty, 0.0),
        )


@dataclass(frozen=True, slots=True)
class Asked:
    """What the load asks of the charger, by the simulated bank."""

    output: float
    """Output, fraction of rated, with which the bank is short on one day in twenty; infinite if
    none is enough, NaN without days in season."""
    short_days: float
    """Share of the days in season on which the bank is short at the present output."""


@dataclass(frozen=True, slots=True)
class Truth:
    """The truth about one boat at the end of its log; the module has the definitions."""

    output: float
    """Available output now, fraction of rated."""
    at_h: float
    """True running hours of the charger, those before the log included."""
    observed_h: float
    """Running hours within the log, silent stretches included."""
    decline_per_1000h: float
    """Permanent loss per 1000 h over the last 500 h, wander excluded."""
    steps: tuple[tuple[float, float], ...]
    """(running hours, change) of each step within the log, since the last renewal."""
    renewals: tuple[float, ...]
    """Running hours of each renewal within the log."""
    remaining_output_h: float
    """Running hours until the replacement limit is crossed for good; infinite if never."""
    remaining_design_h: float
    load_ah: float
    """Mean of self-reliant days, Ah; NaN if there are none."""
    load_wh: float
    load_wh_p95: float
    charge_efficiency: float
    """Share of the charge passed into the battery that it kept."""
    fuel_used_l: float
    fuel_left_l: float
    """Infinite for a charger that never runs out."""
    l_per_kwh: float
    """Fuel per kilowatt-hour at the end of the log."""
    changes: tuple[float, ...]
    """Unix time of each container change, recorded or not."""
    changes_early: tuple[float, ...]
    """Those of a container that was not yet empty."""
    loop_ohm: float
    other_days: int
    """Days in season with another source connected."""
    self_reliant_days: int
    free_h: float
    """Running hours in which only the charger limited."""
    heat_k_above_knee: float
    """Temperature of the compartment in a long summer run above the knee of the heat loss, K."""
    course: NDArray[np.float64]
    """Available output at whole running hours, past and future."""
    days: dict[str, NDArray[np.float64]]
    """Columns of the day records, one value per day."""
    day_kind: tuple[str, ...]
    asked: Asked | None = None
    """What the load asks for; None until :func:`with_load_limit` has found it."""

    @property
    def remaining_load_h(self) -> float:
        """Running hours until the charger gives less than the load asks for."""
        if self.asked is None:
            raise ValueError("the limit of the load is not known yet: call with_load_limit first")
        if math.isnan(self.asked.output):
            return math.inf
        return _left(list(self.course), self.asked.output, self.at_h)

    @property
    def remaining_h(self) -> float:
        """Running hours until the first of the three limits."""
        return min(self.remaining_output_h, self.remaining_design_h, self.remaining_load_h)

    @property
    def until(self) -> str:
        """Name the limit that comes first, in the words of the assessment document."""
        first = self.remaining_h
        if first == self.remaining_output_h:
            return "output"
        return "design_hours" if first == self.remaining_design_h else "load"


def simulate(boat: Boat, cache: Path | None = None) -> tuple[History, Truth]:
    """Simulate a boat and return its log and the truth.

    Parameters
    ----------
    boat
        The boat.
    cache
        A folder that keeps simulated lives; None keeps nothing.
    """
    kept = None if cache is None else cache / f"{boat.digest()}.npz"
    if kept is not None and kept.is_file():
        return _load(kept)
    voyage = Voyage(boat.model)
    table = _log(boat, voyage)
    truth = _truth(boat, voyage)
    history = _history(boat, voyage, table)
    if kept is not None:
        _save(kept, history, truth)
    return history, truth


def with_load_limit(boat: Boat, truth: Truth, cache: Path | None = None) -> Truth:
    """Return the truth with what the load asks for, which takes several simulations of the bank.

    Parameters
    ----------
    boat, truth
        The boat, and the truth about her log.
    cache
        A folder that keeps what was found; None keeps nothing.
    """
    code = Path(analysis.study.short_days.__file__).read_bytes()
    name = hashlib.sha256(boat.digest().encode() + code).hexdigest()[:24]
    kept = None if cache is None else cache / f"{name}-asked.json"
    if kept is not None and kept.is_file():
        return replace(truth, asked=Asked(**json.loads(kept.read_text(encoding="utf-8"))))
    model = boat.model
    season = np.array([kind != "laid_up" for kind in truth.day_kind], dtype=bool)
    if not season.any():
        return replace(truth, asked=Asked(math.nan, math.nan))
    mean_w = float(truth.days["load_wh"][season].mean()) / 24.0
    asked = Asked(
        needed_output(model, mean_w / model.charger.rated_w),
        short_share(model, truth.output),
    )
    if kept is not None:
        kept.write_text(json.dumps(asdict(asked)), encoding="utf-8")
    return replace(truth, asked=asked)


def _log(boat: Boat, voyage: Voyage) -> NDArray[np.float64]:
    """Return the intervals of a life as an array of shape (n, columns)."""
    condenser = Condenser(boat.log)
    rows: list[tuple[float | None, ...]] = []
    for reading in voyage.readings(until_h=boat.until_h, days=boat.most_days):
        closed = condenser.add(reading)
        if closed is not None:
            rows.append(_row(closed))
    last = condenser.flush()
    if last is not None:
        rows.append(_row(last))
    return np.array(rows, dtype=np.float64).reshape(len(rows), len(_COLUMNS))


def _row(interval: Interval) -> tuple[float | None, ...]:
    return (
        interval.start_s,
        interval.duration_s,
        STATE_CODE[interval.state],
        interval.readings,
        interval.charge_c,
        interval.energy_j,
        interval.voltage_min_v,
        interval.voltage_max_v,
        interval.voltage_mean_v,
        interval.voltage_last_v,
        interval.runtime_h,
        interval.temperature_c,
        interval.battery_charge_c,
        interval.fuel_l,
    )


def _history(boat: Boat, voyage: Voyage, table: NDArray[np.float64]) -> History:
    """Make the log: number the sessions, and lose the time of those whose clock was never set."""
    column = {name: table[:, place] for place, name in enumerate(_COLUMNS)}
    start_s, duration_s = column["start_s"].copy(), column["duration_s"]
    gap_s = np.diff(start_s) - duration_s[:-1]
    session = np.concatenate([[0], np.cumsum(gap_s > 1800.0)]).astype(np.int64) + 1
    known = np.ones(len(table), dtype=bool)
    rng = np.random.default_rng([boat.model.seed, 77])
    edges = np.flatnonzero(np.diff(session)) + 1
    for first, stop in itertools.pairwise([*edges, len(table)]):
        if rng.random() < boat.unknown_clock:
            # Without a time it can only be placed directly behind the session before.
            start_s[first:stop] -= gap_s[first - 1] - 60.0
            known[first:stop] = False
    charger = boat.model.charger
    told = [e for e in voyage.events if e[1] != "fuel" or boat.fuel_told]
    # The owner records a container's label; its content differs, more on some boats.
    held = np.random.default_rng([boat.model.seed, 78])
    spread = held.uniform(0.0, MOST_FILL_SD)
    events = tuple(
        Event(
            number, when, kind, None if amount is None else amount / held.normal(1.0, spread), text
        )
        for number, (when, kind, amount, text) in enumerate(told, start=1)
    )
    order = np.argsort(start_s, kind="stable")
    values: dict[str, Any] = {name: column[name][order] for name in _COLUMNS}
    values["start_s"] = start_s[order]
    values["state"] = values["state"].astype(np.int8)
    values["readings"] = values["readings"].astype(np.int64)
    fitting = Fitting(1, boat.name, charger.rated_w, boat.model.start.date().isoformat())
    return History(
        **values, session=session[order], clock_known=known[order], fitting=fitting, events=events
    )


def _truth(boat: Boat, voyage: Voyage) -> Truth:
    charger = boat.model.charger
    now_h, course = voyage.hours, voyage.course
    output = course_at(course, now_h)
    begun_h = charger.hours_before
    renewals = tuple(r.at_h for r in charger.renewals if begun_h < r.at_h <= now_h)
    since_h = max((begun_h, *renewals))
    calm = replace(charger, wander_per_sqrt_1000h=0.0, steps=())
    smooth = logger.sources.boat.course.lay_out(calm, boat.model.seed)
    back_h = min(500.0, now_h - since_h) or 1.0
    lost = course_at(smooth, now_h - back_h) - course_at(smooth, now_h)
    days = voyage.days
    columns = {
        name: np.array([getattr(day, name) for day in days], dtype=np.float64)
        for name in _DAY_COLUMNS
    }
    kinds = tuple(day.kind for day in days)
    season = np.array([kind != "laid_up" for kind in kinds])
    season[[0, -1]] = False  # the first and the last day are not whole
    alone = season & (columns["other_h"] == 0.0)
    load_wh = columns["load_wh"][alone]
    passed = sum(day.passed_ah for day in days)
    efficiency = sum(day.stored_ah for day in days) / passed if passed > 0.0 else 1.0
    return Truth(
        output=output,
        at_h=now_h,
        observed_h=now_h - begun_h,
        decline_per_1000h=1000.0 * lost / back_h,
        steps=tuple((s.at_h, s.change) for s in charger.steps if since_h < s.at_h <= now_h),
        renewals=renewals,
        remaining_output_h=_left(course, boat.replace_below, now_h),
        remaining_design_h=max(0.0, boat.design_life_h - now_h),
        load_ah=float(columns["load_ah"][alone].mean()) if alone.any() else math.nan,
        load_wh=float(load_wh.mean()) if alone.any() else math.nan,
        load_wh_p95=float(np.quantile(load_wh, 0.95)) if alone.any() else math.nan,
        charge_efficiency=efficiency,
        fuel_used_l=voyage.fuel_used_l,
        fuel_left_l=voyage.fuel_l,
        l_per_kwh=charger.l_per_kwh * charger.new_fraction / output,
        changes=tuple(when for when, kind, _, _ in voyage.events if kind == "fuel"),
        changes_early=tuple(voyage.changed_early),
        loop_ohm=charger.loop_ohm,
        other_days=int((season & ~alone).sum()),
        self_reliant_days=int(alone.sum()),
        free_h=float(columns["free_h"].sum()),
        heat_k_above_knee=boat.model.habits.ambient_c
        + boat.model.habits.ambient_swing_c
        + boat.model.habits.rise_c
        - charger.heat_knee_c,
        course=np.array(course),
        days=columns,
        day_kind=kinds,
    )


def _left(course: list[float], limit: float, now_h: float) -> float:
    crossing = crossing_h(course, limit, now_h, SUSTAINED_H)
    return math.inf if crossing is None else crossing - now_h


def _save(path: Path, history: History, truth: Truth) -> None:
    arrays: dict[str, Any] = {f"history_{n}": getattr(history, n) for n in _array_names()}
    arrays |= {f"day_{name}": values for name, values in truth.days.items()}
    arrays["course"] = truth.course
    rest = {
        f.name: getattr(truth, f.name)
        for f in fields(truth)
        if f.name not in {"course", "days", "day_kind", "asked"}
    }
    meta = {
        "truth": rest,
        "day_kind": truth.day_kind,
        "fitting": asdict(history.fitting),
        "events": [asdict(event) for event in history.events],
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{id(history)}.part.npz")
    np.savez(part, meta=np.array(json.dumps(meta)), **arrays)
    part.replace(path)


def _load(path: Path) -> tuple[History, Truth]:
    with np.load(path) as kept:
        meta = json.loads(str(kept["meta"]))
        history = History(
            **{name: kept[f"history_{name}"] for name in _array_names()},
            fitting=Fitting(**meta["fitting"]),
            events=tuple(Event(**event) for event in meta["events"]),
        )
        rest = meta["truth"]
        rest["steps"] = tuple((at, change) for at, change in rest["steps"])
        rest["renewals"] = tuple(rest["renewals"])
        rest["changes"] = tuple(rest["changes"])
        truth = Truth(
            **rest,
            course=kept["course"],
            days={name: kept[f"day_{name}"] for name in _DAY_COLUMNS},
            day_kind=tuple(meta["day_kind"]),
        )
    return history, truth


def _array_names() -> list[str]:
    return [f.name for f in fields(History) if f.name not in {"fitting", "events"}]
