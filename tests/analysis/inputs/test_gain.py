"""A gain of the sensor that drifts, against what the clock and the voltage say of the output."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.inputs.finding import Severity
from analysis.inputs.gain import Change, find_change, find_cycles, in_doubt
from logger.event import Event
from tests.support.boats import plain_log
from tests.support.findings import assessed, doubts, found, holds_truth

WORN = {"seasons": 3, "days": 110, "loss_per_kh": 0.08, "load_a": 2.4}
DRIFTS = WORN | {"loss_per_kh": 0.005, "gain_per_year": -0.05}


def test_a_gain_that_drifts_is_told_with_what_was_compared(season):
    sailed = season(**DRIFTS)
    a = assessed(sailed)
    finding = found(a, "gain_drift")
    assert finding.severity is Severity.DOUBT
    assert "does not run longer" in finding.text
    assert "running hours against the load" in finding.text
    assert "no second witness" in finding.text
    assert "clamp meter" in finding.what_to_do
    assert holds_truth(a, sailed[2])
    assert a.output.high - a.output.low > 0.1, "it is not known, and that is said"
    assert a.since_start.median is None, "a gain that drifts touches that as well"
    assert a.verdict == "sound"


def test_a_clamp_reading_decides_it(season):
    history, config, course = season(**DRIFTS)
    readings = []
    for k, share in enumerate((0.05, 0.97)):
        near = np.flatnonzero(course.current_a > 5.0)
        at = near[int(share * len(near))]
        text = f"current {course.current_a[at]:.2f} A, voltage {course.voltage_v[at]:.2f} V"
        readings.append(Event(k + 1, float(course.time_s[at]), "reading", None, text))
    a = assessed((replace(history, events=tuple(readings)), config, course))
    assert doubts(a) == []
    assert holds_truth(a, course)
    assert a.output.high - a.output.low < 0.08


def test_a_gain_that_hides_wear_is_told(season):
    sailed = season(**WORN, gain_per_year=0.06)
    a = assessed(sailed)
    assert "longer" in found(a, "gain_drift").text
    assert holds_truth(a, sailed[2])


@pytest.mark.parametrize("seed", [1, 2])
def test_wear_that_makes_the_charger_run_longer_is_believed(season, seed):
    sailed = season(**WORN | {"seed": seed})
    a = assessed(sailed)
    assert doubts(a) == []
    assert holds_truth(a, sailed[2])


def test_the_two_comparisons_by_hand(season):
    history, _, _ = season(**WORN)
    runs = find_runs(history, 110.0)
    cycles = find_cycles(runs)
    third = len(cycles.time_s) // 3
    change = find_change(cycles)
    # I / L = (T_run + T_rest) / T_run: medians of the first and the last third.
    ratio = (cycles.run_h + cycles.rest_h) / cycles.run_h
    assert change.by_hours == pytest.approx(
        np.log(np.median(ratio[-third:]) / np.median(ratio[:third])), abs=1e-9
    )
    # It lost 0.08 of rated in 1000 h.
    lost = np.log(np.median(cycles.power_w[-third:]) / np.median(cycles.power_w[:third]))
    assert change.seen == pytest.approx(lost, abs=1e-9)
    assert change.by_hours == pytest.approx(lost, abs=0.05)


def change(seen, by_hours, by_times, se=0.02):
    return Change(seen, by_hours, by_times, se, se, 0.0, 1e8)


@pytest.mark.parametrize(
    ("case", "doubted"),
    [
        (change(-0.15, -0.01, 0.01), True),
        (change(-0.15, -0.14, 0.01), False),
        (change(-0.15, 0.01, -0.16), False),
        (change(-0.05, 0.1, 0.1), False),
        (change(0.0, -0.15, -0.2), True),
        (change(-0.15, -0.01, 0.01, se=0.08), False),
        (change(-0.12, 0.11, 0.11), False),
    ],
    ids=["both", "the load fell", "the bank grew", "little", "hidden wear", "unsure", "stronger"],
)
def test_only_where_both_say_so_is_the_sensor_in_doubt(case, doubted):
    assert in_doubt(case) is doubted


@pytest.mark.parametrize(("rest_v", "counts"), [(12.6, True), (13.6, False), (np.nan, False)])
def test_a_rest_counts_only_where_its_voltage_shows_that_nothing_else_charged(rest_v, counts):
    history = plain_log.log(
        runs=20, rest=30, apart_d=11.0 / 24.0
    )  # 6 h of running, 5 h of rest, no gap
    at_rest = history.state == plain_log.STANDBY
    volts = np.where(at_rest, rest_v, history.voltage_max_v)
    cycles = find_cycles(find_runs(replace(history, voltage_max_v=volts), plain_log.RATED_W))
    assert (len(cycles.time_s) > 15) == counts
    assert counts or len(cycles.time_s) == 0


def test_a_gain_in_doubt_tells_neither_decline_nor_remaining_life(season):
    a = assessed(season(**DRIFTS))
    assert a.decline_per_1000h.median is None
    assert a.remaining_h.low is None
    assert a.remaining_date.median is None
    assert "clamp reading" in a.withheld
