"""The parts of the fuel outlook, each on figures that can be reckoned by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.fuel.consumption import Container, FuelUse
from analysis.fuel.outlook import (
    battery_air,
    days_of_fuel,
    fuel_left,
    fuel_outlook,
    known_changes,
    litres_a_year,
    scaled,
)
from analysis.fuel.result import FuelOutlook
from analysis.history.runs import find_runs
from analysis.history.use import Year
from logger.config import FuelConfig
from logger.event import Event
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log
from tests.support.configurations import config_for

DAY_S = 86400.0
RUNS = find_runs(log(runs=20, loss=0.0, noise=0.0), RATED_W)
KWH = float(RUNS.log.energy_j.sum()) / 3.6e6
PER_KWH = np.full(4000, 0.9)
#: Ends of 90 % of a normal distribution.
HIGH = 1.6449


def left(runs=RUNS, known=(), per_kwh=PER_KWH):
    withheld = {}
    found = fuel_left(runs, known, per_kwh, np.random.default_rng(3), withheld)
    return found, withheld.get("litres_left")


def gauge(level):
    return replace(RUNS, log=replace(RUNS.log, fuel_l=np.asarray(level, dtype=float)))


def test_what_is_left_by_the_gauge():
    level = np.full(len(RUNS.log), np.nan)
    level[-10], level[-3] = 9.0, 4.0
    drawn, why = left(gauge(level))
    # The last level that was told, within a hundredth of it.
    assert why is None
    assert np.percentile(drawn, [5, 50, 95]) == pytest.approx(
        4.0 + 0.04 * HIGH * np.array([-1, 0, 1]), abs=0.004
    )
    # A nearly empty one within a hundredth of a litre, and never less than nothing.
    level[-3] = 0.01
    drawn, _ = left(gauge(level))
    assert drawn.min() == 0.0
    assert np.percentile(drawn, 95) == pytest.approx(0.01 + 0.01 * HIGH, abs=0.002)
    # What the gauge told long ago is not of now.
    assert len(RUNS.log) > 600
    level[:] = np.nan
    level[-500] = 6.0
    assert np.median(left(gauge(level))[0]) == pytest.approx(6.0, abs=0.01)
    level[-501], level[-500] = 6.0, np.nan
    assert left(gauge(level))[0] is None


def change(day, litres=10.0):
    return (Event(1, BEGIN_S + day * DAY_S, "fuel", litres),)


def test_what_is_left_by_the_last_change():
    drawn, why = left(known=change(15))
    # Five of twenty runs, each of the same energy; filled to a fiftieth.
    assert why is None
    used = 0.9 * KWH / 4.0
    assert np.percentile(drawn, [5, 50, 95]) == pytest.approx(
        10.0 - used + 0.2 * HIGH * np.array([-1, 0, 1]), abs=0.03
    )
    assert left(known=(*change(0), *change(15)))[0] == pytest.approx(drawn)
    # A container of which three tenths more was used than it holds was changed since.
    litres = 0.9 * KWH / 1.29
    assert left(known=change(-1, litres))[1] is None
    assert "was not recorded" in left(known=change(-1, 0.98 * litres))[1]
    assert left(known=change(-1, litres))[0].max() == 0.0
    assert "no fuel change is recorded" in left()[1]
    empty = find_runs(log(runs=0), RATED_W)
    assert left(empty, change(0)) == (None, "the log is empty")


def year(days, kwh=100.0, sd=0.0):
    return Year(0.0, days * DAY_S, kwh, sd, 10.0, 0.0, days)


def test_litres_a_year():
    rng = np.random.default_rng(5)
    assert litres_a_year(None, PER_KWH, rng) == Span()
    whole = litres_a_year(year(365.0), PER_KWH, rng)
    assert (whole.low, whole.median, whole.high) == pytest.approx((90.0, 90.0, 90.0))
    filled = litres_a_year(year(365.0, sd=10.0), PER_KWH, rng)
    assert filled.high - filled.low == pytest.approx(2 * HIGH * 9.0, rel=0.05)
    # Half a year: laid up for the rest of it, or going on.
    per_kwh = 0.9 + 0.1 * np.linspace(-1.0, 1.0, 4001)
    part = litres_a_year(year(182.5), per_kwh, rng)
    energy = year(182.5).kwh_per_year()
    assert part.low == pytest.approx(0.81 * energy.low)
    assert part.median == pytest.approx(0.9 * energy.median)
    assert part.high == pytest.approx(0.99 * energy.high)


def test_for_how_many_days_the_fuel_lasts():
    # One to a hundred days at 1 kWh a day.
    days = np.tile(np.arange(1.0, 731.0), (100, 1))
    withheld = {}
    found = days_of_fuel(np.arange(100.0) + 0.5, days, withheld)
    assert (found.low, found.median, found.high) == pytest.approx((4.95, 49.5, 94.05))
    assert withheld == {}
    far = days_of_fuel(np.where(np.arange(100) < 20, 50.5, 9999.0), days, withheld)
    assert (far.low, far.median, far.high) == (50.0, None, None)
    assert withheld == {"days_left": "the fuel may last longer than 730 days"}
    assert days_of_fuel(np.full(100, 9999.0), days, {}) == Span()
    # Exactly what is used up is not left.
    assert days_of_fuel(np.full(100, 5.0), days, {}).median == 4.0


def test_recorded_changes_come_before_found_ones():
    fuel = FuelConfig(l_per_kwh=0.9, container_l=10.0)
    assert known_changes(RUNS, fuel) == ((), "none")
    known = replace(RUNS, log=replace(RUNS.log, events=change(3)))
    assert known_changes(known, fuel) == (change(3), "recorded")
    empty = find_runs(log(runs=0), RATED_W)
    assert known_changes(empty, fuel) == ((), "none")


def test_the_air_of_the_battery():
    config = config_for()
    bank = replace(config.battery, capacity_ah=200.0, chemistry="agm")
    one = battery_air(replace(config, battery=bank), RUNS)
    # Q = 0.05 n I C / 1000 with 8 mA/Ah on boost (EN/IEC 62485-2), six cells a block.
    assert one == pytest.approx(0.05 * 6 * 8.0 * 200.0 / 1000.0)
    two = replace(RUNS, log=replace(RUNS.log, voltage_mean_v=2.0 * RUNS.log.voltage_mean_v))
    assert battery_air(replace(config, battery=bank), two) == pytest.approx(2.0 * one)
    unknown = replace(bank, capacity_ah=None)
    assert battery_air(replace(config, battery=unknown), RUNS) is None
    silent = replace(RUNS, log=replace(RUNS.log, voltage_mean_v=np.full(len(RUNS.log), np.nan)))
    assert battery_air(replace(config, battery=bank), silent) is None


def test_two_weeks_carry_a_forecast():
    config = config_for()
    known = replace(RUNS, log=replace(RUNS.log, events=change(19)))

    def told(days, runs=known, **more):
        by_day = SimpleNamespace(
            whole=np.ones(days, dtype=bool), energy_kwh=np.ones(days), year=None
        )
        return fuel_outlook(runs, by_day, config, **more)

    found = told(14)
    # Without a word there is no spare fuel, and that aboard is at 20 degC.
    assert told(14, spare_l=0.0, temperature_c=20.0).days_left == found.days_left
    assert told(14, spare_l=1.0).days_left.median > found.days_left.median
    assert found.days_left.median is not None
    assert (found.kwh_per_day, found.days_used, found.withheld) == (1.0, 14, {})
    few = told(13)
    assert few.days_left == Span()
    assert few.withheld["days_left"] == "it takes 14 whole days, and the log has 13 so far"
    assert few.kwh_per_day == 1.0
    # Days that are not whole do not count, and of the others the last ninety.
    assert told(95).days_used == 90
    # Without a known change nobody knows for how long, and why.
    open_ = told(14, RUNS)
    assert open_.days_left == Span()
    assert open_.withheld["days_left"] == open_.withheld["litres_left"]
    with pytest.raises(ValueError, match=r"no \[fuel\] section"):
        fuel_outlook(RUNS, None, replace(config, fuel=None))


def test_a_scaled_span_keeps_what_is_not_known():
    assert scaled(Span(1.0, 2.0, None), 0.5) == Span(0.5, 1.0, None)


def test_the_document_of_the_outlook():
    good = Container(0.0, 1.0, 10.0, 10.0, True, 1.0, 0.02)
    use = FuelUse(0.9, 0.02, (good, replace(good, problem="why")))
    found = FuelOutlook(
        use=use, l_per_kwh=Span(0.81111111, 0.9, 0.98888888), litres_left=Span(4.0, 5.00006, 6.0),
        days_left=Span(10.9, 12.0, None), last_s=1000.0, litres_per_year=Span(80.0, 90.0, 100.0),
        containers_per_year=Span(8.0, 9.0, 10.0), kwh_per_day=0.93456, days_used=30, passage=None,
        withheld={"days_left": "why not"}, container_l=10.0, changes="recorded", mean_c=20.0,
        rated_w=100.0, battery_air_m3_per_h=None, draws=PER_KWH,
    )  # fmt: skip
    told = found.document()
    assert told["l_per_kwh"] == {"estimate": 0.9, "low": 0.8111, "high": 0.9889}
    assert told["litres_left"] == {"low": 4.0, "median": 5.0001, "high": 6.0}
    assert told["days_left"]["high"] is None
    assert (told["kwh_per_day"], told["days_used"], told["year"]) == (0.9346, 30, None)
    assert (told["containers_counted"], told["containers_refused"]) == (1, ["why"])
    assert (told["container_changes"], told["passage"]) == ("recorded", None)
    # 98 g of carbon dioxide an hour at 100 W need 11.9 m3/h (420 ppm outside, 5000 ppm at most).
    assert told["closed_space"]["air_m3_per_h"] == pytest.approx(11.9, abs=0.05)
    assert told["closed_space"]["co2_limit_ppm"] == 5000
    assert told["per_kwh"]["efficiency_lhv"] == pytest.approx(0.254, abs=5e-4)
    for key, digits in (("efficiency_lhv", 4), ("co2_g", 1), ("water_g", 1)):
        assert told["per_kwh"][key] == round(told["per_kwh"][key], digits)
    air = told["closed_space"]["air_m3_per_h"]
    assert air == round(air, 2)
    # Whole days from the end of the log on, of the low end.
    stock = found.stock()
    assert (stock.left_l, stock.container_l, stock.out_s) == (4.0, 10.0, 1000.0 + 10 * DAY_S)
    assert replace(found, last_s=None).stock().out_s is None
    assert replace(found, days_left=Span()).stock().out_s is None
    assert told["withheld"] == {"days_left": "why not"}
