"""Draws the boats of the study: every factor on its own from a broad range, all from one seed.

The ranges follow the trade (sizes, loads, charge rates, ceilings) and, where there is no source,
what seems possible; no range is taken from the estimator, nor the other way round. Boat ``k`` of a
seed is the same whatever the size of the population.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from analysis.study.boats import SUSTAINED_H, Boat
from logger.config import LogConfig
from logger.sources.boat.course import crossing_h, lay_out
from logger.sources.boat.model import (
    BatteryModel,
    BoatModel,
    ChargerModel,
    Habits,
    Renewal,
    Sensors,
    StepChange,
)

#: Purposes of the boats; each gets a tenth of the population.
TENTHS = (
    "wear",
    "half_life",
    "healthy",
    "wear",
    "past",
    "step",
    "half_life",
    "battery_limited",
    "hot",
    "wear",
)
#: In every second round of ten, these take the place of the last three.
RARE = ("short", "renewed", "healthy")
#: Longest log, running hours, so that a study of hundreds of boats takes minutes.
MOST_RUNNING_H = 4500.0
#: Least distance of a step from either end of the log, running hours: nearer ones cannot be found.
STEP_MARGIN_H = 100.0

#: Size of the wander of a charger after 1000 h, fraction of rated: logarithm of its median, spread
#: of the logarithm, and the most.
WANDER_LOG, WANDER_MOST = (math.log(0.007), 0.5), 0.02


def population(count: int, seed: int) -> list[Boat]:
    """Return the first ``count`` boats of a seed."""
    return [draw(number, seed) for number in range(count)]


def category(number: int) -> str:
    """Return the purpose of boat ``number``."""
    place = number % 10
    if (number // 10) % 2 == 1 and place >= 10 - len(RARE):
        return RARE[place - 10]
    return TENTHS[place]


def draw(number: int, seed: int) -> Boat:
    """Draw one boat."""
    rng = np.random.default_rng([seed, number])
    kind = category(number)
    rated = float(rng.choice([40.0, 65.0, 90.0, 110.0, 140.0]))
    chemistry = str(rng.choice(["agm", "flooded", "gel", "lfp"], p=[0.4, 0.25, 0.15, 0.2]))
    banks = 2 if rng.random() < 0.12 else 1
    full_a = rated / (13.2 * banks)
    battery = _battery(rng, kind, chemistry, banks, full_a)
    model = BoatModel(
        seed=int(rng.integers(1, 2**31)),
        start=datetime(2018, 1, 1, 6, tzinfo=UTC) + timedelta(days=int(rng.integers(0, 2000))),
        charger=_charger(rng, kind, battery, rated, full_a),
        battery=battery,
        habits=_habits(rng, kind, full_a),
        sensors=_sensors(rng),
    )
    replace_below = float(rng.choice([0.5, 0.6, 0.6, 0.6, 0.7]))
    model, until_h = _span(rng, kind, model, replace_below)
    sensors = model.sensors
    if rng.random() < 0.08:
        reset = float(rng.uniform(model.charger.hours_before, until_h))
        model = replace(model, sensors=replace(sensors, counter_resets_h=(reset,)))
    # Design hours may or may not start again with a new stack, so the study avoids this case.
    design = float(rng.choice([3500.0, 5000.0, 7500.0, 7500.0, 7500.0, 9000.0]))
    return Boat(
        name=f"boat {seed}/{number}",
        category=kind,
        model=model,
        log=LogConfig(
            interval_s=sensors.spacing_s,
            gap_s=2.0 * sensors.rest_spacing_s + 1.0,
            longest_running_s=float(rng.choice([120.0, 300.0, 600.0])),
            longest_rest_s=float(rng.choice([600.0, 1800.0])),
        ),
        until_h=until_h,
        design_life_h=20000.0 if kind == "renewed" else design,
        plan_below=replace_below + 0.15,
        replace_below=replace_below,
        ceiling_told=bool(rng.random() < 0.5),
        capacity_told=bool(rng.random() < 0.8),
        fuel_told=bool(rng.random() < 0.7),
        unknown_clock=0.3 if rng.random() < 0.12 else 0.0,
    )


def draw_charger(rng: np.random.Generator, kind: str) -> ChargerModel:
    """Draw a charger of a given purpose, on a bank of its own."""
    full_a = 110.0 / 13.2
    return _charger(rng, kind, _battery(rng, kind, "agm", 1, full_a), 110.0, full_a)


def _battery(
    rng: np.random.Generator, kind: str, chemistry: str, banks: int, full_a: float
) -> BatteryModel:
    """Draw a bank that the charger fills at 0.02 to 0.08 C, every seventh an old one."""
    rate = float(np.exp(rng.uniform(np.log(0.02), np.log(0.08))))
    resistance = float(rng.lognormal(0.0, 0.25))
    if rng.random() < 0.15:
        resistance = float(rng.uniform(2.0, 4.0))
    if kind == "battery_limited":
        rate = float(rng.uniform(0.06, 0.12))
        resistance = float(rng.uniform(2.5, 4.0))
        chemistry = chemistry if chemistry != "lfp" else "agm"
    return BatteryModel(
        capacity_ah=full_a / rate,
        chemistry=chemistry,
        cells=(4 if chemistry == "lfp" else 6) * banks,
        resistance=resistance,
        first_charge=float(rng.uniform(0.4, 0.95)),
    )


def _charger(
    rng: np.random.Generator, kind: str, battery: BatteryModel, rated: float, full_a: float
) -> ChargerModel:
    lfp = battery.chemistry == "lfp"
    banks = battery.cells // (4 if lfp else 6)
    sealed = battery.chemistry in {"agm", "gel"}
    start_v = float(rng.uniform(13.02, 13.12) if lfp else rng.uniform(12.05, 12.3))
    start_v += 0.12 if sealed else 0.0
    if kind == "battery_limited":
        # Kept topped up: it starts when the bank is nearly full, and is at its ceiling at once.
        start_v = (12.74 if sealed else 12.62) - 0.02
    ceiling = {
        "flooded": rng.uniform(14.3, 14.7),
        "agm": rng.uniform(14.1, 14.6),
        "gel": rng.uniform(14.0, 14.3),
        "lfp": rng.uniform(14.0, 14.5),
    }[battery.chemistry]
    compensated = not lfp and rng.random() < 0.4
    low, high = (0.008, 0.04) if kind == "healthy" else (0.045, 0.18)
    loss = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    form = str(rng.choice(["linear", "exponential", "accelerating", "power"]))
    bend = rng.uniform(0.3, 0.9) if form == "accelerating" else rng.uniform(0.7, 1.5)
    wander = float(rng.lognormal(*WANDER_LOG))
    return ChargerModel(
        rated_w=rated,
        new_fraction=float(rng.uniform(0.97, 1.06)),
        form=form,
        loss_per_1000h=loss,
        reference_h=min(9000.0, 400.0 / loss),
        curvature=float(bend),
        transient=float(rng.uniform(0.0, 0.03)),
        transient_h=float(rng.uniform(50.0, 200.0)),
        wander_per_sqrt_1000h=min(wander, WANDER_MOST),
        hours_before=float(rng.uniform(200.0, 1500.0)) if rng.random() < 0.15 else 0.0,
        horizon_h=40000.0,
        sag=float(rng.uniform(0.0, 0.05)),
        sag_h=float(rng.uniform(2.0, 10.0)),
        recovery_h=float(rng.uniform(0.7, 4.0)),
        run_scatter=float(rng.uniform(0.002, 0.008)),
        start_min=float(rng.uniform(2.0, 6.0)),
        warm_min=float(rng.uniform(10.0, 25.0)),
        stop_min=float(rng.uniform(1.0, 5.0)),
        heat_per_k=float(rng.uniform(0.01, 0.03)),
        heat_knee_c=float(rng.uniform(28.0, 33.0) if kind == "hot" else rng.uniform(30.0, 38.0)),
        slope_per_k=float(rng.uniform(0.0, 0.001)),
        tells_throttled=bool(rng.random() < 0.5),
        start_v=start_v * banks,
        ceiling_v=float(ceiling) * banks,
        ceiling_per_k=-float(rng.uniform(0.018, 0.030)) * banks if compensated else 0.0,
        tail_a=full_a * float(rng.uniform(0.15, 0.35)),
        absorb_h=float(rng.uniform(1.0, 4.0)),
        loop_ohm=float(rng.uniform(0.01, 0.05)) * 12.5 * banks / full_a,
        l_per_kwh=float(rng.uniform(0.75, 1.05)),
        container_l=0.0 if rng.random() < 0.15 else float(rng.choice([5.0, 10.0, 28.0])),
    )


def _habits(rng: np.random.Generator, kind: str, full_a: float) -> Habits:
    under_way = full_a * float(rng.uniform(0.18, 0.60))
    year_round = rng.random() < 0.2
    first = int(rng.integers(60, 130))
    hot = kind == "hot"
    return Habits(
        under_way_a=under_way,
        at_rest_a=under_way * float(rng.uniform(0.5, 0.95)),
        away_a=full_a * float(rng.uniform(0.02, 0.08)),
        day_sigma=float(rng.uniform(0.05, 0.3)),
        cycling_a=0.0 if rng.random() < 0.25 else full_a * float(rng.uniform(0.25, 0.6)),
        season=(1, 366) if year_round else (first, first + int(rng.integers(110, 220))),
        under_way_share=float(rng.uniform(0.2, 0.5)),
        away_share=float(rng.uniform(0.0, 0.25)),
        shore_share=float(rng.uniform(0.0, 0.2)),
        engine_share=float(rng.uniform(0.0, 0.5)),
        engine_a=float(rng.uniform(25.0, 70.0)),
        laid_up="sleeping" if rng.random() < 0.2 else "silent",
        ambient_c=float(rng.uniform(22.0, 29.0) if hot else rng.uniform(8.0, 20.0)),
        ambient_swing_c=float(rng.uniform(3.0, 8.0)),
        rise_c=float(rng.uniform(12.0, 20.0) if hot else rng.uniform(4.0, 12.0)),
        rise_min=float(rng.uniform(25.0, 90.0)),
        refuel_h=float(rng.uniform(1.0, 20.0)),
        early_change=float(rng.uniform(0.0, 0.5)),
    )


def _sensors(rng: np.random.Generator) -> Sensors:
    coarse = rng.random() < 0.25
    spacing = float(rng.choice([60.0, 60.0, 120.0]))
    return Sensors(
        spacing_s=spacing,
        rest_spacing_s=5.0 * spacing,
        voltage_step_v=0.05 if coarse else 0.01,
        current_step_a=0.1 if coarse else 0.01,
        voltage_noise_v=float(rng.uniform(0.004, 0.03)),
        current_noise_a=float(rng.uniform(0.005, 0.05)),
        temperature=bool(rng.random() < 0.75),
        temperature_missing=0.05 if rng.random() < 0.2 else 0.0,
        states=str(rng.choice(["told", "missing", "stuck"], p=[0.75, 0.17, 0.08])),
        counter=bool(rng.random() < 0.85),
        counter_step_h=float(rng.choice([1.0 / 60.0, 0.1, 1.0])),
        shunt=bool(rng.random() < 0.15),
        gauge=bool(rng.random() < 0.15),
        dropout=float(rng.choice([0.0, 0.002, 0.02])),
        gaps_per_100d=float(rng.choice([0.0, 1.0, 5.0])),
        gap_h=float(rng.uniform(4.0, 72.0)),
    )


def _span(
    rng: np.random.Generator, kind: str, model: BoatModel, replace_below: float
) -> tuple[BoatModel, float]:
    """Draw the running hours at the end of the log, and steps and renewals before it."""
    charger = model.charger
    if not model.sensors.counter:
        charger = replace(charger, hours_before=0.0)  # without a counter, earlier hours are unknown
    begun = charger.hours_before
    model = replace(model, charger=charger)
    if kind == "short":
        return model, begun + float(rng.uniform(10.0, 120.0))
    if kind == "step":
        observed = float(rng.uniform(500.0, 2500.0))
        at = begun + float(rng.uniform(STEP_MARGIN_H, observed - STEP_MARGIN_H))
        change = float(rng.uniform(0.05, 0.15)) * (1.0 if rng.random() < 0.15 else -1.0)
        stepped = replace(charger, steps=(StepChange(at, change),))
        return replace(model, charger=stepped), begun + observed
    if kind == "renewed":
        observed = float(rng.uniform(1500.0, 3500.0))
        renewal = Renewal(
            begun + observed * float(rng.uniform(0.4, 0.75)),
            float(rng.uniform(0.95, 1.03)),
            charger.loss_per_1000h * float(rng.uniform(0.6, 1.4)),
            recorded=bool(rng.random() < 0.5),
        )
        return replace(model, charger=replace(charger, renewals=(renewal,))), begun + observed
    if kind in {"healthy", "battery_limited"}:
        most = 600.0 if kind == "battery_limited" else 3500.0
        return model, begun + float(rng.uniform(250.0, most))
    crossing = crossing_h(lay_out(charger, model.seed), replace_below, begun, SUSTAINED_H)
    left = MOST_RUNNING_H if crossing is None else crossing - begun
    if kind == "past":
        return model, begun + max(left * float(rng.uniform(1.01, 1.10)), left + 60.0)
    share = 0.5 if kind == "half_life" else float(rng.uniform(0.25, 0.98))
    return model, begun + min(MOST_RUNNING_H, max(60.0, left * share))
