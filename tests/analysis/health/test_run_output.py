"""One figure a run, from powers that are given: each figure, error and hour is reckoned by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.health.limiter import (
    BATTERY,
    EDGE,
    ENDING,
    HEAT,
    SOURCE,
    WARMING,
    Stretches,
    stretches,
)
from analysis.health.run_output import (
    FEW_READINGS,
    bounds_held,
    outputs,
    run_table,
    without_surpassed,
)
from analysis.health.run_table import Limit
from analysis.history.runs import find_runs
from tests.support.boats.plain_log import RATED_W, RUNNING, log

RUNS, EACH, REST = 10, 36, 3
#: A run of six hours in intervals of ten minutes, at nine tenths of rated.
PLAIN = np.full((RUNS, EACH), 99.0)


def made(power_w, **kind):
    """Return runs and stretches of a log with the given powers, each run after a rest."""
    plain = log(runs=len(power_w), **kind)
    inside = plain.energy_j > 0.0
    power = np.zeros(len(inside))
    power[inside] = np.ravel(power_w)
    state = np.where(inside, RUNNING, plain.state).astype(np.int8)
    history = replace(
        plain,
        state=state,
        energy_j=power * plain.duration_s,
        charge_c=power / plain.voltage_mean_v * plain.duration_s,
    )
    runs = find_runs(history, RATED_W)
    return runs, stretches(runs, RATED_W, None)[0]


def test_a_steady_run_gives_its_power_without_the_sag():
    runs, found = made(PLAIN)
    out = outputs(runs, found, RATED_W)
    assert (out.warm_h, out.warm_found) == (pytest.approx(0.1), True)
    assert out.value * (1.0 - out.sag.depth * out.sagged) == pytest.approx(np.full(RUNS, 0.9))
    assert 0.0 < out.sag.depth < 0.01
    assert out.standard_error == pytest.approx(np.full(RUNS, 0.001), rel=0.05)
    assert set(out.limit) == {Limit.SOURCE}
    assert set(out.reason) == {"used as a value: the charger set the current"}
    assert out.used.all()
    assert not out.bound.any()
    # The first ten minutes warm up, the last ten end the run; three hours from there on count.
    assert out.left_out_h == {
        "later in the run": pytest.approx(RUNS * 16 / 6),
        "still warming up": pytest.approx(RUNS / 6),
        "the last minutes of the run": pytest.approx(RUNS / 6),
    }
    assert out.kept_h == pytest.approx(np.full(RUNS, 3.0))
    # The 2nd to the 19th interval: their middle is a hundred minutes after the start.
    assert out.middle_s - runs.start_s == pytest.approx(np.full(RUNS, 6000.0))
    warmth = runs.log.temperature_c[runs.first[4] + 1 : runs.first[4] + 19]
    assert out.temperature_c[4] == pytest.approx(warmth.mean())


def test_the_scatter_inside_a_run_is_its_error():
    runs, found = made(PLAIN + np.resize([1.1, -1.1], EACH))
    error = outputs(runs, found, RATED_W).standard_error
    # A hundredth of rated about the mean; three hours are eighteen samples of ten minutes.
    assert error == pytest.approx(np.full(RUNS, 0.01 / math.sqrt(18.0)), rel=0.03)


def test_a_run_that_held_no_level_counts_by_what_it_held():
    power = PLAIN + np.resize([22.0, -22.0], EACH)
    runs, found = made(power)
    out = outputs(runs, found, RATED_W)
    # 0.2 over the root of 18 is 0.047, more than 0.03.
    assert out.bound.all()
    assert out.value == pytest.approx(np.full(RUNS, 1.1), abs=1e-9)


def test_an_unseen_start_leaves_the_sag_open():
    at_h = (np.arange(EACH) + 0.5) / 6.0
    runs, found = made(PLAIN * (1.0 - 0.03 * (1.0 - np.exp(-at_h / 4.0))))
    out = outputs(replace(runs, start_seen=np.arange(RUNS) != 3), found, RATED_W)
    assert out.sag.depth == pytest.approx(0.03, abs=0.01)
    # Anything from none to all of it: half of the depth beside the error of the others.
    seen = outputs(runs, found, RATED_W).standard_error[3]
    assert seen < 0.002
    assert out.standard_error[3] == pytest.approx(math.hypot(seen, 0.5 * out.sag.depth), rel=0.02)


def test_the_later_part_counts_where_the_battery_limited_the_early_one():
    power = PLAIN.copy()
    power[2, :20] = 80.0
    runs, found = made(power)
    code = found.code.copy()
    code[(found.run == 2) & (found.since_start_h < 20 / 6)] = BATTERY
    out = outputs(runs, replace(found, code=code), RATED_W)
    assert out.limit[2] is Limit.SOURCE
    assert out.value[2] * (1.0 - out.sag.depth * out.sagged[2]) == pytest.approx(0.9)
    assert out.kept_h[2] == pytest.approx(15 / 6), "without the twenty and the last interval"
    assert out.left_out_h["later in the run"] == pytest.approx((RUNS - 1) * 16 / 6)


def test_what_limited_a_run_and_why_it_counts_or_not():
    runs, found = made(PLAIN)
    code = found.code.copy()
    for run, said in ((0, HEAT), (1, BATTERY), (2, EDGE)):
        code[found.run == run] = said
    # Too little of a run set by the charger: five minutes are no value.
    few = np.flatnonzero(found.run == 3)
    code[few] = WARMING
    code[few[20]] = SOURCE
    duration = found.duration_s.copy()
    duration[few] = 120.0
    duration[few[20]] = 599.0
    # Heat for longer than the battery, and the other way round.
    code[found.run == 4] = np.where(np.arange(EACH) < 19, HEAT, BATTERY)
    code[found.run == 5] = np.where(np.arange(EACH) < 17, HEAT, BATTERY)
    out = outputs(runs, replace(found, code=code, duration_s=duration), RATED_W)
    heat, battery = (
        f"used as a lower bound: {w} limited the current" for w in ("heat", "the battery")
    )
    assert out.reason[:6] == (
        heat, battery, "left out: starting, shutting down or at fault",
        "left out: still warming up", heat, battery,
    )  # fmt: skip
    assert out.limit[:6] == (
        Limit.HEAT, Limit.BATTERY, Limit.UNUSABLE, Limit.UNUSABLE, Limit.HEAT, Limit.BATTERY,
    )  # fmt: skip
    assert out.used.tolist() == [True, True, False, False] + [True] * 6
    assert out.bound.tolist() == [True, True, False, True, True, True] + [False] * 4
    assert out.value[[0, 1, 4]] == pytest.approx([0.9, 0.9, 0.9])
    assert out.standard_error[[0, 1]] == pytest.approx([0.001, 0.001])
    assert np.isnan(out.value[2])
    assert np.isnan(out.standard_error[2])
    # A run at the ceiling is used whole where the battery limited it; heat is left out.
    assert out.kept_h[[0, 1, 4, 5]] == pytest.approx([0.0, 6.0, 17 / 6, 19 / 6])


def test_a_figure_too_short_says_so():
    runs, found = made(PLAIN)
    code = found.code.copy()
    mine = np.flatnonzero(found.run == 0)
    duration = found.duration_s.copy()
    code[mine] = ENDING
    code[mine[10]] = SOURCE
    duration[mine] = 10.0
    duration[mine[10]] = 590.0
    out = outputs(runs, replace(found, code=code, duration_s=duration), RATED_W)
    assert out.reason[0] == "left out: too short"
    duration[mine[10]] = 600.0
    out = outputs(runs, replace(found, code=code, duration_s=duration), RATED_W)
    assert out.reason[0] == "used as a value: the charger set the current"


def test_each_day_of_a_long_run_has_its_first_hours():
    # Three days and more without a stop, cut into days.
    runs, found = made(np.full((13, EACH), 99.0), rest=0, apart_d=0.25)
    assert runs.starts == 1
    assert len(runs) >= 3
    out = outputs(runs, found, RATED_W)
    # One start shows no warm-up: half an hour is assumed, then three hours count; later days need
    # no warm-up.
    assert (out.warm_h, out.warm_found) == (0.5, False)
    assert out.kept_h == pytest.approx([18 / 6, 21 / 6, 21 / 6])
    assert out.value * (1.0 - out.sag.depth * out.sagged) == pytest.approx(np.full(len(runs), 0.9))
    assert (np.diff(out.sagged) > 0.0).all()
    table = run_table(runs, out, np.arange(len(runs)) * 24.0)
    assert table.opens.tolist() == [True] + [False] * (len(runs) - 1)
    assert table.hours.sum() == pytest.approx(13 * 6)
    assert table.energy_kwh.sum() == pytest.approx(0.099 * 13 * 6)
    assert table.charge_ah.sum() == pytest.approx(
        (runs.power_w / runs.log.voltage_mean_v).sum() / 6.0
    )


def test_a_bound_is_what_a_run_held_for_five_minutes():
    # Run 0: five minutes about 82 W, two minutes of 100 W, three of 90 W. Run 1: two minutes.
    power = np.array([80.0, 82.0, 84.0, 82.0, 82.0, 100.0, 100.0, 90.0, 90.0, 90.0, 95.0, 95.0])
    minute = np.array([0, 1, 2, 3, 4, 5, 6, 10, 11, 12, 12, 13])
    run = np.array([0] * 10 + [1] * 2)
    nan = np.full(12, np.nan)
    found = Stretches(
        np.arange(12), run, (minute + 0.5) / 60.0, np.full(12, 60.0), power, nan, nan,
        np.zeros(12, dtype=np.int8),
    )  # fmt: skip
    every = np.ones(12, dtype=bool)
    assert bounds_held(found, every, 3) == pytest.approx([90.0, np.nan, np.nan], nan_ok=True)
    early = minute < 5
    # Less two standard errors: variance 8 / 5 of five minutes.
    held = 82.0 - 2.0 * math.sqrt(1.6 / 5.0)
    assert bounds_held(found, early, 1) == pytest.approx([held])
    assert np.isnan(bounds_held(found, ~every, 2)).all()


def given(value, *, bound=False, used=True):
    """Return figures of runs with the given values, each with an error of 0.002."""
    value = np.asarray(value)
    count = len(value)
    runs, found = made(np.full((count, EACH), 99.0))
    return replace(
        outputs(runs, found, RATED_W),
        value=value,
        standard_error=np.full(count, 0.002),
        bound=np.broadcast_to(bound, count).copy(),
        used=np.broadcast_to(used, count).copy(),
    )


def left_out(value, hours=None, **kind):
    out = given(value, **kind)
    hours = 10.0 * np.arange(len(value)) if hours is None else np.asarray(hours, dtype=float)
    done = without_surpassed(out, hours)
    gone = out.used & ~done.used
    for run in np.flatnonzero(gone):
        assert done.limit[run] is Limit.UNUSABLE
        assert done.reason[run] == "left out: soon afterwards it gave clearly more"
    for run in np.flatnonzero(~gone):
        assert (done.limit[run], done.reason[run]) == (out.limit[run], out.reason[run])
    return np.flatnonzero(gone).tolist()


def test_a_run_that_two_others_surpass_before_and_after_is_left_out():
    # 0.95 less two errors is 0.946; a value below it by 0.04 and its own two errors is surpassed.
    level = np.full(8, 0.95)
    level[3] = 0.901
    assert left_out(level) == [3]
    level[3] = 0.903
    assert left_out(level) == []
    level[3] = 0.85
    # Later is within 100 h, before within 50 h; the order of the rows does not matter.
    assert left_out(level, [0, 10, 20, 30, 40, 129.9, 140, 150]) == [3]
    assert left_out(level, [0, 10, 20, 30, 40, 130.1, 140, 150]) == []
    assert left_out(level, [0, 1, 2, 53, 60, 70, 80, 90]) == [3], "nothing before it: later decides"
    assert left_out(level[::-1], 10.0 * np.arange(8)[::-1]) == [4]
    assert left_out(level, [0, 10, 20, np.nan, 40, 50, 60, 70]) == []


def test_a_step_down_and_a_renewal_stay():
    assert left_out([0.95] * 5 + [0.85] * 5) == []
    # Only the first two of the log have fewer than two before them.
    assert left_out([0.85] * 5 + [0.95] * 5) == [0, 1]
    # One run above the others may be a fault of the meter.
    assert left_out([0.85, 0.85, 0.95, 0.85, 0.85]) == []
    assert left_out([0.85, 0.95, 0.95, 0.85, 0.95, 0.95]) == [0, 3]


def test_bounds_are_not_left_out_but_tell():
    level = np.array([0.95, 0.95, 0.85, 0.95, 0.95])
    assert left_out(level, bound=np.arange(5) == 2) == []
    assert left_out(level, bound=np.arange(5) != 2) == [2]
    # A bound has no error that is taken off: 0.944 surpasses 0.9 by more than 0.044.
    level = np.array([0.9445, 0.9445, 0.90, 0.9445, 0.9445])
    assert left_out(level) == []
    assert left_out(level, bound=np.arange(5) != 2) == [2]
    assert left_out(np.where(np.arange(5) == 2, 0.85, 0.95), used=np.arange(5) > 1) == [2]
    assert left_out([0.85, 0.95, np.nan], used=np.arange(3) < 2) == []


def test_a_noisy_recording_of_single_readings_bounds_no_more_than_it_gives():
    noise = np.random.default_rng(5).normal(0.0, 11.0, (RUNS, EACH))
    runs, found = made(PLAIN + noise)
    single = np.full(len(runs.log), 2)
    coarse = replace(runs, log=replace(runs.log, readings=single))
    every = np.isfinite(found.power_w)
    fine_w = bounds_held(found, every, RUNS, runs.log.readings[found.inside] < FEW_READINGS)
    coarse_w = bounds_held(found, every, RUNS, coarse.log.readings[found.inside] < FEW_READINGS)
    assert fine_w == pytest.approx(bounds_held(found, every, RUNS))
    assert fine_w.min() > 1.1 * 99.0, "a mean of many readings was held for minutes"
    assert 0.8 * 99.0 < np.median(coarse_w) < 1.05 * 99.0
