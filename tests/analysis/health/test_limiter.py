"""Which ceilings are believed: a battery that takes no more, and what only looks like one."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.health.limiter import (
    BATTERY,
    EDGE,
    ENDING,
    HEAT,
    OTHER_SOURCE,
    SOURCE,
    UNMEASURED,
    compensation_of,
    find_ceiling,
    local_median,
    mean_by_run,
    plateaus,
    smoothed,
    stretches,
    usual_power,
)
from analysis.health.run_output import outputs
from analysis.history.history import STATE_CODE
from analysis.history.runs import find_runs
from logger.reading import OperatingState
from tests.support.boats.plain_log import RATED_W, RUNNING, log

RUN_H = 6.0
EACH, REST = 36, 3


def shaped(voltage, share, runs=40):
    """Return a log whose runs follow the given voltages and shares of full power, 36 each."""
    plain = log(runs=runs, run_h=RUN_H)
    inside = np.tile(np.r_[np.zeros(REST, bool), np.ones(EACH, bool)], runs)
    volts, power = plain.voltage_mean_v.copy(), plain.energy_j / plain.duration_s
    volts[inside] = np.ravel(voltage)
    power[inside] *= np.ravel(share)
    state = plain.state.copy()
    state[inside] = RUNNING
    return replace(
        plain,
        state=state,
        energy_j=power * plain.duration_s,
        charge_c=power / volts * plain.duration_s,
        voltage_mean_v=volts,
        voltage_min_v=volts,
        voltage_max_v=volts,
        voltage_last_v=volts,
    )


def ceiling(history):
    found, ceiling = stretches(find_runs(history, RATED_W), RATED_W, None)
    return found, ceiling


def everywhere(voltage, share, runs=40):
    return np.tile(voltage, (runs, 1)), np.tile(share, (runs, 1))


K = np.arange(EACH) / (EACH - 1)


def test_power_that_falls_at_a_steady_voltage_shows_the_ceiling():
    voltage = np.minimum(13.2 + 3.0 * K, 14.2)
    found, ceil = ceiling(shaped(*everywhere(voltage, np.where(voltage < 14.2, 1.0, 1.2 - K))))
    assert np.allclose(ceil.voltage_v, 14.2, atol=0.01)
    assert (found.code == BATTERY).mean() > 0.4


def test_fuel_that_runs_out_on_a_flat_bank_shows_none():
    # The power fades in the last hour and the voltage with it, by less than a tenth of a volt.
    fade = np.clip((1.0 - K) * 6.0, 0.0, 1.0)
    _, ceil = ceiling(shaped(*everywhere(13.35 + 0.06 * fade, fade)))
    assert not ceil.known


def test_one_plateau_among_many_runs_that_stand_as_high_is_not_believed():
    # A bank that is full of a weak charger's power stands still; one run was cut short by fuel.
    voltage, share = everywhere(np.full(EACH, 14.05), np.ones(EACH))
    share[7, EACH // 2 :] = 0.6
    found, ceil = ceiling(shaped(voltage, share))
    assert not ceil.known
    assert not (found.code == BATTERY).any()


def test_a_charger_that_gives_less_in_the_heat_is_no_full_battery():
    # The compartment warms by 20 K; the power follows it, the voltage stays within 80 mV.
    warmth = 25.0 + 20.0 * np.minimum(4.0 * K, 1.0)
    loss = 0.01
    history = shaped(*everywhere(13.3 + 0.02 * K, 1.0 - loss * (warmth - 25.0)))
    inside = np.tile(np.r_[np.zeros(REST, bool), np.ones(EACH, bool)], 40)
    temperature = history.temperature_c.copy()
    temperature[inside] = np.tile(warmth, 40)
    history = replace(history, temperature_c=temperature)
    runs = find_runs(history, RATED_W)
    assert stretches(runs, RATED_W, None)[1].known  # for want of better knowledge
    told = np.array([-10.0 * loss, 0.0, 0.0, 0.0, 0.0])
    assert not stretches(runs, RATED_W, None, told)[1].known


def test_a_charger_that_floats_is_idle_not_weak():
    # Full power in one run of ten; in the others the battery is full and floats at 13.6 V.
    voltage, share = everywhere(np.full(EACH, 13.6), np.full(EACH, 0.15))
    voltage[::10], share[::10] = 12.8 + 0.5 * K, 1.0
    found, ceil = ceiling(shaped(voltage, share))
    assert not ceil.known
    floating = found.run % 10 != 0
    assert (found.code[floating] == OTHER_SOURCE).all()
    assert not (found.code[~floating] == OTHER_SOURCE).any()


def test_a_figure_below_what_the_same_run_gave_at_the_ceiling_is_none():
    # Absorption at 14.2 V with up to 60 % of the power, then hours at 13.7 V with less.
    voltage = np.where(K < 0.3, 14.2, 13.7)
    share = np.where(K < 0.3, 0.62 - 0.3 * K, 0.4)
    share[0] = 0.7
    history = shaped(*everywhere(voltage, share))
    runs = find_runs(history, RATED_W)
    found, ceil = stretches(runs, RATED_W, 14.2)
    assert ceil.known
    out = outputs(runs, found, RATED_W)
    assert out.bound.all()
    assert (out.value > 0.5).all()


def test_what_each_interval_of_a_run_says():
    """A run of six hours at 13 V: its states, its gaps, its end; the ceiling is configured."""
    voltage, share = everywhere(np.full(EACH, 13.0), np.ones(EACH), runs=3)
    voltage[1, 8], voltage[1, 9] = 14.051, 14.049
    share[1, 12] = 0.29
    share[1, 13], voltage[1, 13] = 0.29, 13.3
    share[1, 14], voltage[1, 14] = 0.31, 13.3
    history = shaped(voltage, share, runs=3)
    at = np.flatnonzero(history.state == RUNNING)[EACH : 2 * EACH]
    state, highest = history.state.copy(), history.voltage_max_v.copy()
    mean, energy = history.voltage_mean_v.copy(), history.energy_j.copy()
    state[at[3]] = STATE_CODE[OperatingState.SHUTTING_DOWN]
    state[at[4]] = STATE_CODE[OperatingState.FAULT]
    state[at[5]] = state[at[8]] = STATE_CODE[OperatingState.THROTTLED]
    # The highest reading of an interval: nearer to the ceiling than four tenths of the margin.
    highest[at[9]] = 14.05
    highest[at[10]], highest[at[11]] = 14.141, 14.139
    mean[at[20]] = energy[at[21]] = np.nan
    history = replace(
        history, state=state, voltage_max_v=highest, voltage_mean_v=mean, energy_j=energy
    )
    found, ceil = stretches(find_runs(history, RATED_W), RATED_W, 14.2)
    # The margin of a configured ceiling is 0.15 V.
    assert ceil.voltage_v == pytest.approx(np.full(3, 14.2))
    assert (ceil.margin_v, ceil.per_k) == (0.15, 0.0)
    expected = np.full(EACH, SOURCE)
    expected[[3, 4]] = EDGE
    expected[5] = HEAT
    expected[[8, 10]] = BATTERY
    expected[13] = OTHER_SOURCE  # below three tenths at more than 13.2 V
    expected[[20, 21]] = UNMEASURED
    expected[-1] = ENDING  # the last ten minutes
    assert found.code[found.run == 1].tolist() == expected.tolist()
    assert found.since_start_h[found.run == 1][:3] == pytest.approx([1 / 12, 3 / 12, 5 / 12])


def test_states_that_are_not_believed_make_no_edges():
    runs = find_runs(log(runs=2, run_h=RUN_H), RATED_W)
    told, _ = stretches(runs, RATED_W, None)
    assert told.code[0] == EDGE
    untold, _ = stretches(replace(runs, states_told=False), RATED_W, None)
    assert untold.code[0] == SOURCE


def test_only_the_last_day_of_a_long_run_ends_it():
    runs = find_runs(log(runs=9, run_h=6.0, rest=0, apart_d=0.25), RATED_W)
    assert len(runs) == 2
    found, _ = stretches(runs, RATED_W, None)
    assert np.flatnonzero(found.code == ENDING).tolist() == [len(found.code) - 1]


def test_power_is_brought_to_the_reference_temperature():
    history = shaped(*everywhere(np.full(EACH, 13.0), np.ones(EACH), runs=2), runs=2)
    runs = find_runs(replace(history, temperature_c=np.full(len(history), 35.0)), RATED_W)
    plain = stretches(runs, RATED_W, None)[0].power_w
    # A tenth of the output for 10 K.
    heat = np.array([-0.1, 0.0, 0.0, 0.0, 0.0])
    assert stretches(runs, RATED_W, None, heat)[0].power_w == pytest.approx(plain / 0.9)
    # No more than a factor: an effect beyond that is not believed.
    assert stretches(runs, RATED_W, None, 9 * heat)[0].power_w == pytest.approx(plain / 0.3)
    assert stretches(runs, RATED_W, None, -4 * heat)[0].power_w == pytest.approx(plain / 1.3)


def test_a_value_is_smoothed_within_its_run():
    found = smoothed(np.array([3.0, 6.0, 0.0, 9.0, 30.0]), np.array([0, 0, 0, 1, 2]))
    # At either end of a run the value counts for its missing neighbour.
    assert found == pytest.approx([4.0, 3.0, 2.0, 9.0, 30.0])
    assert len(smoothed(np.empty(0), np.empty(0, dtype=np.intp))) == 0


def test_the_mean_by_run():
    run, values = np.array([0, 0, 2]), np.array([1.0, 4.0, 5.0])
    found = mean_by_run(run, values, np.array([1.0, 2.0, 0.5]), 3)
    assert found == pytest.approx([3.0, np.nan, 5.0], nan_ok=True)
    assert np.isnan(mean_by_run(run, values, np.zeros(3), 3)).all()


def test_usual_power_is_that_of_the_best_runs():
    runs, count = 21, 3
    run = np.repeat(np.arange(runs), count)
    tops = 80.0 + np.arange(runs)
    found = SimpleNamespace(run=run, power_w=np.repeat(tops, count))
    # The 95 % quantile of 80, 81 .. 100 is the last but one.
    assert usual_power(found, np.ones(len(run), dtype=bool), 110.0) == pytest.approx(99.0)
    assert usual_power(found, np.zeros(len(run), dtype=bool), 110.0) == 110.0


def test_the_ceiling_over_temperature():
    warmth = np.linspace(10.0, 30.0, 9)
    # -4 mV a cell and kelvin, six cells.
    assert compensation_of(14.4 - 0.024 * warmth, warmth, 6) == pytest.approx(-0.024)
    # Steeper than -6 mV, or rising, is no compensation.
    assert compensation_of(14.4 - 0.1 * warmth, warmth, 6) == pytest.approx(-0.036)
    assert compensation_of(14.4 + 0.1 * warmth, warmth, 6) == 0.0
    # Eight plateaus over six kelvin at least.
    assert compensation_of(14.4 - 0.024 * warmth[:8], warmth[:8], 6) == pytest.approx(-0.024)
    assert compensation_of(14.4 - 0.024 * warmth[:7], warmth[:7], 6) == 0.0
    near = np.linspace(20.0, 25.9, 9)
    assert compensation_of(14.4 - 0.024 * near, near, 6) == 0.0
    some = np.where(np.arange(9) < 7, warmth, np.nan)
    assert compensation_of(14.4 - 0.024 * warmth, some, 6) == 0.0
    many = np.linspace(10.0, 30.0, 999)
    assert compensation_of(14.4 - 0.024 * many, many, 6) == pytest.approx(-0.024)


def test_the_ceiling_near_a_run_is_the_median_of_fifteen():
    start_s = np.arange(33.0)
    shows = np.arange(33) % 2 == 0  # seventeen plateaus, 0, 2 .. 32
    level = np.where(shows, 14.2 + 0.001 * start_s, np.nan)
    level[4] = 15.0
    found, spread = local_median(start_s, level, shows)
    # With one far above, the median of 0 .. 28 is that of the fifteen others: 16 instead of 14.
    assert found[0] == pytest.approx(14.216)
    assert found[14] == pytest.approx(14.216)
    # The second window leaves out 0, the third 2 as well.
    assert found[[16, 18, 32]] == pytest.approx([14.218, 14.220, 14.220], abs=1e-9)
    assert found[17] == pytest.approx(14.219)
    distance = np.abs(level[shows] - found[shows])
    assert spread == pytest.approx(1.4826 * np.median(distance), rel=1e-4)
    few, spread = local_median(start_s, 14.0 + 0.1 * start_s, np.arange(33) < 3)
    # Three plateaus: one window, and a tenth beside it twice.
    assert few == pytest.approx(np.full(33, 14.1))
    assert spread == pytest.approx(0.14826)


def plateau(voltage, power, seconds=600.0, scale=1):
    count = len(power)
    voltage = np.broadcast_to(voltage, count).astype(float)
    fallen, level = plateaus(
        np.zeros(count, dtype=np.intp), np.full(count, seconds), voltage,
        np.asarray(power, dtype=float), 1, scale,
    )  # fmt: skip
    return fallen.tolist(), level[0]


def test_a_plateau_by_its_four_conditions():
    falling = [90.0, 100.0, 95.0, 90.0, 80.0]
    fallen, level = plateau(14.2, falling)
    # At most nine tenths of the highest, and after it.
    assert fallen == [False, False, False, True, True]
    assert level == pytest.approx(14.2)
    # Seven and a half minutes of fallen power, fifteen at the top voltage.
    assert plateau(14.2, falling, 225.0)[1] == pytest.approx(14.2)
    assert np.isnan(plateau(14.2, falling, 224.0)[1])
    assert np.isnan(plateau([13.9, 13.9, 13.9, 14.2, 14.2], falling, 449.0)[1])
    # 80 mV below the top is still the top; the mean of the fallen part is the level.
    assert plateau([14.0, 14.0, 14.0, 14.2, 14.121], falling)[1] == pytest.approx(14.1605)
    assert np.isnan(plateau([14.0, 14.0, 14.0, 14.2, 14.119], falling, 700.0)[1])
    # A charging voltage, more than 13.2 V.
    assert plateau(13.21, falling)[1] == pytest.approx(13.21)
    assert np.isnan(plateau(13.2, falling)[1])
    # 10 mV below what came before is a voltage that falls with the power.
    assert plateau([14.2, 14.2, 14.2, 14.191, 14.191], falling)[1] == pytest.approx(14.191)
    assert np.isnan(plateau([14.2, 14.2, 14.2, 14.189, 14.189], falling)[1])
    # Two blocks in series: twice of each.
    assert np.isnan(plateau(26.3, falling, scale=2)[1])
    assert plateau([28.4, 28.4, 28.4, 28.382, 28.382], falling, scale=2)[1] == pytest.approx(28.382)


def test_a_short_log_may_show_its_ceiling():
    found, _ = stretches(
        find_runs(shaped(*everywhere(np.full(EACH, 14.2), np.ones(EACH), 1), 1), RATED_W),
        RATED_W, None,
    )  # fmt: skip
    usable = np.zeros(EACH, dtype=bool)
    usable[:5] = True
    power = np.where(np.arange(EACH) < 2, 100.0, 60.0)
    ceil = find_ceiling(replace(found, power_w=power), usable, 1, np.zeros(1), None)
    assert ceil.voltage_v == pytest.approx([14.2])
    assert ceil.margin_v == pytest.approx(0.08), "the least margin"
    usable[2:] = False
    assert not find_ceiling(replace(found, power_w=power), usable, 1, np.zeros(1), None).known
    told = find_ceiling(replace(found, power_w=power), usable, 1, np.zeros(1), 14.4)
    assert (told.voltage_v[0], told.margin_v) == (14.4, pytest.approx(0.15))


def test_a_configured_ceiling_is_not_exceeded_by_what_is_found():
    voltage = np.minimum(13.2 + 3.0 * K, 14.2)
    history = shaped(*everywhere(voltage, np.where(voltage < 14.2, 1.0, 1.2 - K)))
    runs = find_runs(history, RATED_W)
    assert stretches(runs, RATED_W, 14.1)[1].voltage_v == pytest.approx(np.full(40, 14.1))
    assert stretches(runs, RATED_W, 14.6)[1].voltage_v == pytest.approx(np.full(40, 14.2), abs=0.01)
