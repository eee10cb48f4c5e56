"""How long the fuel lasts under this boat's own distribution of daily energy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment import Span
from analysis.fuel_use import FuelUse, changes, energy_before, find_changes, fuel_use
from analysis.load_sources import blocks_of
from analysis.physics import (
    CO2_PEL_PPM,
    co2_air_m3_per_h,
    fuel_balance,
    methanol_density_kg_per_l,
    ventilation_m3_per_h,
)
from analysis.runs import find_runs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history import History
    from analysis.runs import Runs
    from logger.config import Config
    from logger.store.events import Event

    Floats = NDArray[np.float64]

DAY_S = 86400.0
#: The days that speak for the days to come: the latest ones, so that the season is right.
RECENT_DAYS = 90
FEWEST_DAYS = 14
YEARLY_FEWEST_D = 60
#: Days are drawn in stretches of this length: kinds of day go on for a week or two.
STRETCH_D = 14
LONGEST_D = 730
#: How far the mean use of the coming weeks may be from that of the latest, relative: other waters,
#: other weather, more or fewer aboard (judgement, no source).
REGIME_SD = 0.25
#: Last year's season may have come so many days earlier or later.
YEAR_D, SHIFT_D = 365, 14
DRAWS = 2000
_SEED = 20240608
_Z = 1.645


@dataclass(frozen=True, slots=True)
class Passage:
    """Fuel for a passage of so many days: litres for the middle and for 19 in 20 of such times."""

    days: int
    litres: Span
    containers: int
    """Whole containers that suffice 19 times in 20."""


@dataclass(frozen=True, slots=True)
class FuelOutlook:
    """Fuel use and what is left. Spans hold the 90 % interval; None where it is not known."""

    use: FuelUse
    l_per_kwh: Span
    litres_left: Span
    days_left: Span
    last_s: float | None
    """End of the log, Unix time: days are counted from here."""
    litres_per_year: Span
    containers_per_year: Span
    kwh_per_day: float | None
    days_used: int
    passage: Passage | None
    withheld: dict[str, str]
    """Why a figure is missing, by its published key."""
    container_l: float
    changes: str
    """``recorded``, ``found`` in the log where none is recorded, or ``none``."""
    mean_c: float
    """Temperature at which litres are meant, degC."""
    rated_w: float
    battery_air_m3_per_h: float | None
    """Air that the battery's space needs while it is charged; None where the rule is silent."""

    @property
    def closed_space_m3_per_h(self) -> float:
        """Fresh air that would hold a closed space at the limit of carbon dioxide, m3/h."""
        balance = fuel_balance(self.use.estimate, self.mean_c)
        return co2_air_m3_per_h(balance.co2_g_per_kwh * self.rated_w / 1000.0)

    def document(self) -> dict[str, object]:
        """Return the figures under their published keys."""
        balance = fuel_balance(self.use.estimate, self.mean_c)
        passage = None
        if self.passage is not None:
            passage = {
                "days": self.passage.days,
                "litres": _block(self.passage.litres),
                "containers": self.passage.containers,
            }
        return {
            "l_per_kwh": {
                "estimate": _short(self.l_per_kwh.median),
                "low": _short(self.l_per_kwh.low),
                "high": _short(self.l_per_kwh.high),
            },
            "litres_left": _block(self.litres_left),
            "days_left": _block(self.days_left),
            "containers_per_year": _block(self.containers_per_year),
            "litres_per_year": _block(self.litres_per_year),
            "kwh_per_day": _short(self.kwh_per_day),
            "days_used": self.days_used,
            "containers_counted": len(self.use.counted),
            "container_changes": self.changes,
            "containers_refused": [c.problem for c in self.use.containers if c.problem],
            "passage": passage,
            "per_kwh": {
                "efficiency_lhv": round(balance.efficiency_lhv, 4),
                "co2_g": round(balance.co2_g_per_kwh, 1),
                "water_g": round(balance.water_g_per_kwh, 1),
            },
            "closed_space": {
                "air_m3_per_h": round(self.closed_space_m3_per_h, 2),
                "co2_limit_ppm": CO2_PEL_PPM,
                "battery_air_m3_per_h": _short(self.battery_air_m3_per_h),
            },
            "withheld": self.withheld,
        }


def fuel_outlook(
    history: History,
    config: Config,
    *,
    passage_days: int | None = None,
    spare_l: float = 0.0,
    temperature_c: float = 20.0,
) -> FuelOutlook:
    """Say how long the fuel lasts.

    Parameters
    ----------
    history
        The log with its events.
    config
        With a [fuel] section.
    passage_days
        Length of a passage to be provisioned, days.
    spare_l
        Fuel aboard in sealed containers besides the one in use, L.
    temperature_c
        Temperature of the fuel: a litre of warm fuel holds less.

    Raises
    ------
    ValueError
        If the configuration has no [fuel] section.
    """
    if config.fuel is None:
        raise ValueError("the configuration has no [fuel] section")
    runs = find_runs(history, config.charger.rated_w)
    last = float(runs.log.end_s[-1]) if len(runs.log) else None
    known, how = _changes(runs, history, config.fuel.container_l)
    use = fuel_use(runs, known, config.fuel)
    warm = methanol_density_kg_per_l(20.0) / methanol_density_kg_per_l(temperature_c)
    rng = np.random.default_rng(_SEED)
    per_kwh = use.estimate * warm * np.exp(use.sd * rng.standard_normal(DRAWS))
    withheld: dict[str, str] = {}
    left = _left(runs, known, per_kwh, rng, withheld)
    calendar = _calendar(runs)
    daily = calendar[np.isfinite(calendar)]
    days_left, year, passage = Span(), Span(), None
    if len(daily) < FEWEST_DAYS:
        text = (
            f"{len(daily)} whole days in the log; {FEWEST_DAYS} are needed, "
            f"{FEWEST_DAYS - len(daily)} more"
        )
        withheld["days_left"] = withheld["containers_per_year"] = text
    else:
        recent = daily[-RECENT_DAYS:]
        year = _span(per_kwh * 365.25 * _mean_draws(daily[-365:], rng))
        days = _season(_futures(recent, LONGEST_D, rng), calendar, rng)
        # Weeks to come differ from weeks past by more than their days do among themselves.
        days *= np.exp(REGIME_SD * rng.standard_normal((DRAWS, 1)))
        future = np.cumsum(days, axis=1)
        if left is not None:
            kwh = (left + spare_l) / per_kwh
            days_left = _span((future < kwh[:, None]).sum(axis=1).astype(float))
            if days_left.high is not None and days_left.high >= LONGEST_D:
                withheld["days_left"] = f"the far end lies beyond {LONGEST_D} days"
                low = days_left.low
                days_left = Span(low if low is not None and low < LONGEST_D else None)
        else:
            withheld["days_left"] = withheld["litres_left"]
        if passage_days is not None:
            litres = per_kwh * future[:, passage_days - 1]
            need = float(np.percentile(litres, 95.0))
            passage = Passage(
                passage_days, _span(litres), int(np.ceil(need / config.fuel.container_l))
            )
    container = config.fuel.container_l
    return FuelOutlook(
        use=use,
        l_per_kwh=Span(use.quantile(-_Z), use.estimate, use.quantile(_Z)),
        litres_left=Span() if left is None else _span(left),
        days_left=days_left,
        last_s=last,
        litres_per_year=year,
        containers_per_year=_scaled(year, 1.0 / container),
        kwh_per_day=float(daily[-RECENT_DAYS:].mean()) if len(daily) else None,
        days_used=min(len(daily), RECENT_DAYS),
        passage=passage,
        withheld=withheld,
        container_l=container,
        changes=how,
        mean_c=temperature_c,
        rated_w=config.charger.rated_w,
        battery_air_m3_per_h=_battery_air(config, runs),
    )


def _battery_air(config: Config, runs: Runs) -> float | None:
    bank = config.battery
    shown = runs.log.voltage_mean_v[np.isfinite(runs.log.voltage_mean_v)]
    if bank.capacity_ah is None or len(shown) == 0:
        return None
    cells = 6 * blocks_of(float(np.median(shown)), bank.chemistry)
    return ventilation_m3_per_h(bank.capacity_ah, bank.chemistry, cells)


def kwh_per_year(history: History, config: Config) -> float | None:
    """Return the energy that the charger delivers a year, kWh; None from less than 60 days."""
    calendar = _calendar(find_runs(history, config.charger.rated_w))[-YEAR_D:]
    known = calendar[np.isfinite(calendar)]
    if len(known) < YEARLY_FEWEST_D:
        return None
    # Days without a log of a boat that is logged all year are days laid up.
    share = len(known) / len(calendar) if len(calendar) >= YEAR_D else 1.0
    return float(known.mean()) * 365.25 * share


def _changes(runs: Runs, history: History, container_l: float) -> tuple[tuple[Event, ...], str]:
    """Return the container changes, and whether they are recorded or found."""
    if len(runs.log) == 0:
        return (), "none"
    known = changes(history.events, float(runs.log.end_s[-1]))
    if known:
        return tuple(known), "recorded"
    found = find_changes(runs, container_l)
    return found, "found" if found else "none"


def _left(
    runs: Runs,
    known: tuple[Event, ...],
    per_kwh: Floats,
    rng: np.random.Generator,
    withheld: dict[str, str],
) -> Floats | None:
    """Return draws of what is left in the container in use, L."""
    if len(runs.log) == 0:
        withheld["litres_left"] = "the log is empty"
        return None
    gauge = runs.log.fuel_l[-500:]
    told = gauge[np.isfinite(gauge)]
    if len(told):
        spread = 0.01 * max(float(told[-1]), 1.0)
        drawn = told[-1] + spread * rng.standard_normal(len(per_kwh))
        return np.asarray(np.maximum(drawn, 0.0), dtype=np.float64)
    end = float(runs.log.end_s[-1])
    if not known:
        withheld["litres_left"] = (
            "no fuel change is recorded, none shows in the log; "
            "'ebbwatt event add fuel --litres 10' records one"
        )
        return None
    newest = known[-1]
    litres = float(newest.amount or 0.0)
    used = float(np.diff(energy_before(runs, np.array([newest.time_s, end])))[0])
    filled = litres * (1.0 + 0.02 * rng.standard_normal(len(per_kwh)))
    if used * float(np.median(per_kwh)) > 1.3 * litres:
        withheld["litres_left"] = (
            "more energy was delivered since the last known change than its container holds: "
            "a change was not recorded"
        )
        return None
    return np.asarray(np.maximum(filled - used * per_kwh, 0.0), dtype=np.float64)


def _calendar(runs: Runs) -> Floats:
    """Return the energy of each whole day from first to last, kWh; NaN where it was not logged."""
    log = runs.log
    if len(log) == 0:
        return np.empty(0)
    first, last = np.ceil(log.start_s[0] / DAY_S), np.floor(log.end_s[-1] / DAY_S)
    if last <= first:
        return np.empty(0)
    edges = DAY_S * np.arange(first, last + 1.0)
    energy = np.diff(energy_before(runs, edges))
    total = np.concatenate(([0.0], np.cumsum(log.duration_s)))
    knots = np.column_stack((log.start_s, np.maximum.accumulate(log.end_s))).ravel()
    seen = np.column_stack((total[:-1], total[1:])).ravel()
    logged = np.diff(np.interp(edges, np.maximum.accumulate(knots), seen))
    return np.where(logged > 0.9 * DAY_S, energy, np.nan)


def _futures(daily: Floats, length: int, rng: np.random.Generator) -> Floats:
    """Draw days to come, shape (draws, length): stretches of the days that were (bootstrap)."""
    stretches = -(-length // STRETCH_D)
    begin = rng.integers(0, len(daily), (DRAWS, stretches))
    index = (begin[:, :, None] + np.arange(STRETCH_D)) % len(daily)
    return np.asarray(daily[index.reshape(DRAWS, -1)[:, :length]], dtype=np.float64)


def _season(future: Floats, calendar: Floats, rng: np.random.Generator) -> Floats:
    """Let half of the draws follow what came at this time of last year, if the log knows it.

    Nobody can tell from the last weeks that the boat is about to be laid up; last year can.
    """
    if len(calendar) < YEAR_D + SHIFT_D:
        return future
    mixed = future.copy()
    length = future.shape[1]
    for row in range(0, len(future), 2):
        begin = len(calendar) - YEAR_D + int(rng.integers(-SHIFT_D, SHIFT_D + 1))
        known = calendar[begin : begin + length]
        mixed[row, : len(known)] = np.where(np.isfinite(known), known, future[row, : len(known)])
    return mixed


def _mean_draws(daily: Floats, rng: np.random.Generator) -> Floats:
    """Return bootstrap draws of the mean day."""
    return np.asarray(_futures(daily, len(daily), rng).mean(axis=1), dtype=np.float64)


def _span(draws: Floats) -> Span:
    low, median, high = np.percentile(draws, [5.0, 50.0, 95.0])
    return Span(float(low), float(median), float(high))


def _scaled(span: Span, factor: float) -> Span:
    values = (None if v is None else v * factor for v in (span.low, span.median, span.high))
    return Span(*values)


def _short(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _block(span: Span) -> dict[str, float | None]:
    return {"low": _short(span.low), "median": _short(span.median), "high": _short(span.high)}
