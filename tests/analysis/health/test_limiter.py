"""Which ceilings are believed: a battery that takes no more, and what only looks like one."""

from dataclasses import replace

import numpy as np

from analysis.health.limiter import BATTERY, OTHER_SOURCE, stretches
from analysis.health.run_output import outputs
from analysis.history.runs import find_runs
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
