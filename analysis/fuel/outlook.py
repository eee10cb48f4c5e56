"""How long the fuel lasts, from draws of this boat's own daily energy."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90, Span
from analysis.fuel.changes import changes, find_changes
from analysis.fuel.consumption import fuel_use
from analysis.fuel.result import FuelOutlook
from analysis.fuel.wear import Wear, wear_of
from analysis.history.energy import DRAWS, days_to_come, energy_before, with_season
from analysis.physics import (
    CELLS_PER_BLOCK,
    blocks_in_series,
    methanol_density_kg_per_l,
    ventilation_m3_per_h,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment.case import Case
    from analysis.history.runs import Runs
    from analysis.history.use import Use, Year
    from logger.config import Config, FuelConfig
    from logger.event import Event

    Floats = NDArray[np.float64]

#: Number of latest days from which days to come are drawn: one season (judgement, no source).
RECENT_DAYS = 90
#: Fewest days for a forecast: two weeks, so that weekends are in it (judgement, no source).
FEWEST_DAYS = 14
#: Why nothing is known before the first reading; said once where several figures are missing.
EMPTY = "the log is empty"
#: Furthest day of the forecast: two years (judgement, no source).
LONGEST_D = 730
#: Relative standard deviation of the mean use of the coming weeks about that of the latest: other
#: waters, other weather, more or fewer people aboard (judgement, no source).
REGIME_SD = 0.25
#: Relative standard deviation of a level gauge, and of the filling of a container (judgement).
_GAUGE_SD, _FILLED_SD = 0.01, 0.02
#: If more than this times its litres was used since a change, a later change was not recorded
#: (judgement: three and more standard deviations of litres per kWh).
_OVERDRAWN = 1.3
#: Newest intervals in which a reading of the gauge is looked for (our choice, some days).
_GAUGE_INTERVALS = 500
#: Seed of the random generator, so that the same log gives the same outlook.
_SEED = 20240608


def fuel_of(case: Case, *, spare_l: float = 0.0, temperature_c: float = 20.0) -> FuelOutlook:
    """Forecast how long the fuel lasts, with all that the log tells; see :func:`fuel_outlook`."""
    found = fuel_outlook(
        case.runs,
        case.use,
        case.config,
        wear=wear_of(case),
        spare_l=spare_l,
        temperature_c=temperature_c,
    )
    return replace(found, caution=case.caution)


def fuel_outlook(
    runs: Runs,
    by_day: Use,
    config: Config,
    *,
    wear: Wear | None = None,
    spare_l: float = 0.0,
    temperature_c: float = 20.0,
) -> FuelOutlook:
    """Forecast how long the fuel lasts.

    Parameters
    ----------
    runs
        The runs of the log; the log has the events.
    by_day
        Energy and hours by day and in the last year.
    config
        With a [fuel] section.
    wear
        The course of the output, where it is known.
    spare_l
        Fuel aboard in sealed containers besides the one in use, L.
    temperature_c
        Temperature of the fuel, degC: a litre of warm fuel has less mass.

    Raises
    ------
    ValueError
        If the configuration has no [fuel] section.
    """
    if config.fuel is None:
        raise ValueError("the configuration has no [fuel] section")
    last = float(runs.log.end_s[-1]) if len(runs.log) else None
    known, how = known_changes(runs, config.fuel)
    use = fuel_use(runs, known, config.fuel, wear)
    warm = methanol_density_kg_per_l(20.0) / methanol_density_kg_per_l(temperature_c)
    rng = np.random.default_rng(_SEED)
    per_kwh = use.estimate * warm * np.exp(use.sd * rng.standard_normal(DRAWS))
    withheld: dict[str, str] = {}
    left = fuel_left(runs, known, per_kwh, rng, withheld)
    ahead = None if left is None else left + spare_l
    days_left, year = _days_and_year(by_day, ahead, per_kwh, rng, withheld, empty=last is None)
    recent = _whole_days(by_day)[-RECENT_DAYS:]
    container = config.fuel.container_l
    return FuelOutlook(
        use=use,
        l_per_kwh=Span(
            *(warm * value for value in (use.quantile(-Z90), use.estimate, use.quantile(Z90)))
        ),
        litres_left=Span() if left is None else _span(left),
        days_left=days_left,
        last_s=last,
        litres_per_year=year,
        containers_per_year=scaled(year, 1.0 / container),
        kwh_per_day=float(recent.mean()) if len(recent) else None,
        days_used=len(recent),
        passage=None,
        withheld=withheld,
        container_l=container,
        changes=how,
        mean_c=temperature_c,
        rated_w=config.charger.rated_w,
        battery_air_m3_per_h=battery_air(config, runs),
        year=by_day.year,
        draws=per_kwh,
    )


def _whole_days(by_day: Use) -> Floats:
    """Return the energy of each day that was logged whole, kWh, in order of time."""
    return np.asarray(
        by_day.energy_kwh[by_day.whole & np.isfinite(by_day.energy_kwh)], dtype=np.float64
    )


def _days_and_year(
    by_day: Use,
    ahead_l: Floats | None,
    per_kwh: Floats,
    rng: np.random.Generator,
    withheld: dict[str, str],
    *,
    empty: bool,
) -> tuple[Span, Span]:
    """Return for how many days the fuel lasts, and the litres of a year.

    Parameters
    ----------
    by_day
        Energy and hours by day and in the last year.
    ahead_l
        Draws of all fuel aboard, L; None where it is not known.
    per_kwh
        Draws of the litres per kilowatt-hour.
    rng
        Source of the days to come.
    withheld
        Takes the reason of each figure that is not told.
    empty
        Whether the log is empty.
    """
    daily = _whole_days(by_day)
    if len(daily) < FEWEST_DAYS:
        told = len(daily) or "none"
        text = f"it takes {FEWEST_DAYS} whole days, and the log has {told} so far"
        withheld["days_left"] = withheld["containers_per_year"] = EMPTY if empty else text
        return Span(), Span()
    year = Span()
    if by_day.year is not None and not by_day.year.whole and by_day.year.kwh <= 0.0:
        # Of a part of a year without a run nothing follows for the rest.
        withheld["containers_per_year"] = "the charger did not run"
    else:
        year = litres_a_year(by_day.year, per_kwh, rng)
    calendar = np.where(by_day.whole, by_day.energy_kwh, np.nan)
    days = with_season(days_to_come(daily[-RECENT_DAYS:], LONGEST_D, rng), calendar, rng)
    # The mean of the coming weeks differs from the latest ones, not only the single days.
    days *= np.exp(REGIME_SD * rng.standard_normal((DRAWS, 1)))
    if ahead_l is None:
        withheld["days_left"] = withheld["litres_left"]
        return Span(), year
    return days_of_fuel(ahead_l / per_kwh, np.cumsum(days, axis=1), withheld), year


def days_of_fuel(kwh: Floats, future_kwh: Floats, withheld: dict[str, str]) -> Span:
    """Return for how many days the fuel lasts.

    Parameters
    ----------
    kwh
        Draws of the energy that the fuel aboard gives, shape (draws,).
    future_kwh
        Draws of the energy used up to each day to come, shape (draws, days).
    withheld
        Receives the reason where the high end is not known.
    """
    days = _span((future_kwh < kwh[:, None]).sum(axis=1).astype(float))
    if days.high is None or days.high < LONGEST_D:
        return days
    withheld["days_left"] = f"the fuel may last longer than {LONGEST_D} days"
    return Span(days.low if days.low is not None and days.low < LONGEST_D else None)


def battery_air(config: Config, runs: Runs) -> float | None:
    """Return the fresh air that the battery needs, m3 per hour; None where it is not known."""
    bank = config.battery
    shown = runs.log.voltage_mean_v[np.isfinite(runs.log.voltage_mean_v)]
    if bank.capacity_ah is None or len(shown) == 0:
        return None
    cells = CELLS_PER_BLOCK * blocks_in_series(float(np.median(shown)))
    return ventilation_m3_per_h(bank.capacity_ah, bank.chemistry, cells)


def known_changes(runs: Runs, fuel: FuelConfig) -> tuple[tuple[Event, ...], str]:
    """Return the container changes, and whether they are recorded or found."""
    if len(runs.log) == 0:
        return (), "none"
    known = changes(runs.log.events, float(runs.log.end_s[-1]))
    if known:
        return tuple(known), "recorded"
    found = find_changes(runs, fuel)
    return found, "found" if found else "none"


def fuel_left(
    runs: Runs,
    known: tuple[Event, ...],
    per_kwh: Floats,
    rng: np.random.Generator,
    withheld: dict[str, str],
) -> Floats | None:
    """Return draws of the fuel left in the container in use, L; None, with a reason, if unknown."""
    if len(runs.log) == 0:
        withheld["litres_left"] = EMPTY
        return None
    gauge = runs.log.fuel_l[-_GAUGE_INTERVALS:]
    told = gauge[np.isfinite(gauge)]
    if len(told):
        spread = _GAUGE_SD * max(float(told[-1]), 1.0)
        drawn = told[-1] + spread * rng.standard_normal(len(per_kwh))
        return np.asarray(np.maximum(drawn, 0.0), dtype=np.float64)
    end = float(runs.log.end_s[-1])
    if not known:
        withheld["litres_left"] = (
            "no fuel change is recorded and the log shows none; record the last one with: "
            "ebbwatt event add fuel --litres 10"
        )
        return None
    newest = known[-1]
    litres = float(newest.amount or 0.0)
    used = float(np.diff(energy_before(runs, np.array([newest.time_s, end])))[0])
    filled = litres * (1.0 + _FILLED_SD * rng.standard_normal(len(per_kwh)))
    if used * float(np.median(per_kwh)) > _OVERDRAWN * litres:
        withheld["litres_left"] = (
            "the charger has delivered more since the last known change than one container holds: "
            "a change was not recorded"
        )
        return None
    return np.asarray(np.maximum(filled - used * per_kwh, 0.0), dtype=np.float64)


def litres_a_year(year: Year | None, per_kwh: Floats, rng: np.random.Generator) -> Span:
    """Return litres a year at the present litres per kWh."""
    if year is None:
        return Span()
    energy = year.kwh_per_year()
    if year.whole:
        kwh = year.kwh + year.kwh_sd * rng.standard_normal(len(per_kwh))
        return _span(np.maximum(kwh, 0.0) * per_kwh)
    low, middle, high = (float(v) for v in np.percentile(per_kwh, [5.0, 50.0, 95.0]))
    return Span((energy.low or 0.0) * low, (energy.median or 0.0) * middle,
                (energy.high or 0.0) * high)  # fmt: skip


def _span(draws: Floats) -> Span:
    low, median, high = np.percentile(draws, [5.0, 50.0, 95.0])
    return Span(float(low), float(median), float(high))


def scaled(span: Span, factor: float) -> Span:
    """Return each end that is known, times ``factor``."""
    values = (None if v is None else v * factor for v in (span.low, span.median, span.high))
    return Span(*values)
