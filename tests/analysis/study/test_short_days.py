"""What a load asks of a charger, by the simulated bank: against a load that never changes."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.study.boats import simulate, with_load_limit
from analysis.study.population import draw
from analysis.study.short_days import SHORT, floor_after, needed_output, short_share
from logger.sources.boat.model import BatteryModel, BoatModel, ChargerModel, Habits, Sensors
from logger.sources.boat.run import Voyage

LOAD_A = 3.0


@pytest.fixture(scope="module")
def steady():
    # Always under way with the same load, without engine, heat, sag, or loss in the leads; an LFP
    # bank keeps 99.5 % of its charge.
    return BoatModel(
        charger=ChargerModel(
            sag=0.0, run_scatter=0.0, slope_per_k=0.0, heat_per_k=0.0, loop_ohm=1e-4,
            start_v=13.1, ceiling_v=14.2, container_l=0.0, transient=0.0,
        ),
        battery=BatteryModel(capacity_ah=100.0, chemistry="lfp", cells=4),
        habits=Habits(
            under_way_a=LOAD_A, day_sigma=0.0, cycling_a=0.0, season=(1, 366),
            under_way_share=1.0, away_share=0.0, shore_share=0.0, engine_share=0.0,
        ),
        sensors=Sensors(spacing_s=300.0),
    )  # fmt: skip


@pytest.fixture(scope="module")
def found(steady):
    return needed_output(steady, 0.5)


def test_a_load_that_never_changes_asks_for_its_own_power(steady, found):
    # By hand: 3 A at the voltage of an LFP bank near the start of its charger, 13.1 to 13.2 V.
    assert found * steady.charger.rated_w == pytest.approx(LOAD_A * 13.15, rel=0.03)
    assert short_share(steady, 1.1 * found) == 0.0
    assert short_share(steady, 0.8 * found) > 0.9


def test_a_guess_far_off_ends_at_the_same_output(steady, found):
    assert needed_output(steady, 0.05) == pytest.approx(found, rel=0.03)
    assert needed_output(steady, 3.0) == pytest.approx(found, rel=0.03)


def test_no_charger_of_this_size_carries_ten_times_its_load(steady):
    # 40 A are five times what 110 W give.
    heavy = replace(steady, habits=replace(steady.habits, under_way_a=40.0))
    assert math.isinf(needed_output(heavy, 0.3))


def test_the_share_of_short_days_is_that_of_the_days_lived(steady):
    # Counted again from a life of the same boat, without the search's early end.
    habits = replace(steady.habits, day_sigma=0.5, under_way_a=4.0, rescue_below=0.0)
    model = replace(steady, habits=habits)
    output = 0.5
    lived = Voyage(replace(model, charger=replace(model.charger, horizon_h=1.0)))
    lived.course = [output, output]
    for _ in lived.readings(days=365):
        pass
    # Its charger starts near 0.3, far below which a day is short; more than a tenth below a start
    # is short as well.
    started, by_hand = math.nan, []
    for day in lived.days:
        started = day.start_soc if day.start_soc == day.start_soc else started
        by_hand.append(day.running_h > 0.0 and day.least_soc < min(0.16, started - 0.10))
    assert 0.0 < np.mean(by_hand) < 1.0
    assert short_share(model, output) == pytest.approx(np.mean(by_hand), abs=0.02)
    assert short_share(model, output, enough=SHORT) > SHORT


def test_a_day_without_a_running_charger_is_not_short_for_want_of_output(steady):
    # Aboard, the load lowers the voltage and the charger starts early. Away, hardly anything does:
    # the bank sinks far below that start before the charger is asked for anything.
    lead = BatteryModel(capacity_ah=60.0, chemistry="agm", cells=6, resistance=3.0)
    charger = replace(steady.charger, start_v=12.25, ceiling_v=14.4)
    habits = replace(steady.habits, under_way_share=0.4, away_share=0.6, away_a=0.4)
    model = replace(steady, battery=lead, charger=charger, habits=habits)
    lived = Voyage(replace(model, charger=replace(charger, horizon_h=1.0)))
    lived.course = [1.0, 1.0]
    for _ in lived.readings(days=365):
        pass
    started, low = math.nan, []
    for day in lived.days:
        started = day.start_soc if day.start_soc == day.start_soc else started
        low.append(day.least_soc < floor_after(started, 0.5))
    idle = np.array([day.running_h == 0.0 for day in lived.days])
    assert np.mean(low & idle) > SHORT, "the boat shows what the rule is for"
    assert short_share(model, 1.0) == pytest.approx(np.mean(low & ~idle), abs=0.01)


def test_the_floor_follows_the_start_of_the_charger():
    assert floor_after(math.nan, 0.5) == 0.5
    assert floor_after(0.8, 0.5) == 0.5
    assert floor_after(0.45, 0.5) == pytest.approx(0.35)


def test_a_bank_carries_over_a_heavy_day_and_the_truth_is_kept(tmp_path):
    boat = replace(draw(1, 7), most_days=120.0)
    _, truth = simulate(boat)
    with pytest.raises(ValueError, match="with_load_limit"):
        _ = truth.remaining_h
    found = with_load_limit(boat, truth, tmp_path)
    # Without a bank the heaviest day of twenty would set the limit.
    assert 0.0 < found.asked.output < truth.load_wh_p95 / 24.0 / boat.model.charger.rated_w
    assert found.until in {"output", "design_hours", "load"}
    assert found.asked.short_days < SHORT / 2.0, "it gives four times what is asked for"
    assert len(list(tmp_path.iterdir())) == 1
    assert with_load_limit(boat, truth, tmp_path).asked == found.asked
