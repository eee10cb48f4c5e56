"""Figures of `ebbwatt fuel --passage`, by hand; their truth comes from the simulator."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from logger.config import load_config
from logger.sources.boat.run import Voyage
from logger.sources.simulated import build
from tests.support.pause import coverage_paused
from tests.support.screens.figures_told import assert_tells

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


def test_three_weeks_under_way_are_those_of_the_same_boat_sent_there(demonstration, said):
    """Send the invented boat under way from where her log ends: other days, the same charger."""
    folder, _ = demonstration
    said = said["passage"]
    model = build(load_config(folder / "ebbwatt.toml")).voyage.model
    used, drawn_ah = [], []
    for seed in (101, 102, 103):
        sent = replace(
            model,
            seed=seed,
            start=datetime(2025, 9, 8, tzinfo=UTC),
            habits=replace(
                model.habits,
                under_way_share=1.0,
                away_share=0.0,
                shore_share=0.0,
                engine_share=0.0,
                season=(1, 366),
            ),
            sensors=replace(model.sensors, spacing_s=60.0, rest_spacing_s=300.0),
        )
        voyage = Voyage(sent)
        with coverage_paused():
            for _ in voyage.readings(days=21.0):
                pass
        used.append(voyage.fuel_used_l)
        drawn_ah += [day.load_ah for day in voyage.days[1:-1]]  # whole days
    assert min(used) > 28.0, "30 to 35 L, by other lives of this boat"
    assert said["litres"]["low"] < np.mean(used) < said["litres"]["high"]
    assert said["litres"]["median"] == pytest.approx(np.mean(used), rel=0.15)
    assert said["days_under_way_seen"] > 60
    load = said["ah_per_day_under_way"]
    assert load["low"] < np.mean(drawn_ah) < load["high"]


def test_the_sheet_of_a_passage_adds_up(said, exported):
    trip = said["passage"]
    fuel, load = said["fuel"], said["load"]
    litres, drawn = trip["litres"], trip["ah_per_day_under_way"]["median"]
    # What is drawn comes from the charger, through the bank in part: between all and none of it.
    least = 21 * drawn * 12.8 / 1000.0
    most = 21 * drawn / load["charge_efficiency"] * 14.0 / 1000.0
    assert least < trip["kwh"] < most
    # Wh stand beside Ah, at the voltage at which the load is drawn.
    ah_mean, wh_mean = load["ah_per_day"]["mean"], load["wh_per_day"]["mean"]
    for end, wh in trip["wh_per_day_under_way"].items():
        assert wh == pytest.approx(trip["ah_per_day_under_way"][end] * wh_mean / ah_mean, rel=1e-3)
    use = fuel["l_per_kwh"]["estimate"]
    assert litres["median"] == pytest.approx(trip["kwh"] * use, rel=0.02)
    assert trip["aboard_litres"] == pytest.approx(
        litres["median"] + trip["reserve_litres"], abs=0.1
    )
    # Three more days, and a margin that covers the upper end.
    assert trip["aboard_litres"] > litres["high"] + 2.0 * litres["median"] / 21.0
    assert trip["containers"] == np.ceil(litres["high"] / 10.0)
    assert trip["stock_litres"] == pytest.approx(fuel["litres_left"]["low"], abs=0.05)
    buy = np.ceil((trip["aboard_litres"] - trip["stock_litres"]) / 10.0)
    assert trip["buy_containers"] == buy
    assert (trip["days"], trip["days_under_way"], trip["days_at_anchor"]) == (21, 21, 0)
    assert (trip["reserve_days"], trip["delivery_days"]) == (3, 14)
    assert (trip["watts"], trip["depart"]) == (None, None)
    assert trip["aboard_containers"] == np.ceil(trip["aboard_litres"] / 10.0)
    # Round the clock at the output of today it would give more.
    most_kwh = 21 * 24.0 * said["report"]["output"]["watts"] / 1000.0
    assert trip["charger_flat_out"] == (trip["kwh"] > 0.98 * most_kwh)
    assert trip["few_days_seen"] == (trip["days_under_way_seen"] < 10.0)
    # Counted back from the day until which the fuel lasts 19 times in 20.
    end = exported[0].end.iloc[-1]
    by = end + timedelta(days=np.floor(fuel["days_left"]["low"]) - 14)
    assert datetime.fromisoformat(trip["order_by"]) == by


def test_days_under_way_are_those_that_took_more(said, last_year):
    """Two groups of whole days by their energy, each nearest to its own mean (least squares)."""
    by_day = last_year.set_index("start")[["kwh", "duration_s"]].resample("D").sum()
    kwh = np.sort(by_day[by_day.duration_s > 23 * 3600.0].kwh.to_numpy())
    apart = [kwh[:k].var() * k + kwh[k:].var() * (len(kwh) - k) for k in range(3, len(kwh) - 3)]
    many = len(kwh) - 3 - int(np.argmin(apart))
    # A day at anchor with a long run looks like one under way, and a shore day hides one.
    assert said["passage"]["days_under_way_seen"] == pytest.approx(many, rel=0.3)


def test_the_sheet_tells_these_figures(said, shown):
    trip, fuel = said["passage"], said["fuel"]

    def ends(name):
        return [trip[name][end] for end in ("median", "low", "high")]

    text = shown("fuel", "--passage", "--under-way", "21").partition("Cautions")[0]
    assert_tells(text, [
        21, *ends("litres"), *ends("ah_per_day_under_way"), *ends("wh_per_day_under_way"),
        trip["days_under_way_seen"], trip["reserve_litres"], 3,
        trip["aboard_litres"], trip["aboard_containers"], 10,
        trip["stock_litres"], trip["buy_containers"], 10, 14, 90,
    ])  # fmt: skip
    assert fuel["litres_left"]["low"] == pytest.approx(trip["stock_litres"], abs=0.01)
