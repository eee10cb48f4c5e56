"""A charger that holds its current is told from one that holds its power."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.health.held_current import held_current_v
from analysis.health.limiter import stretches
from analysis.health.run_output import outputs
from analysis.history.runs import find_runs
from tests.support.boats.plain_log import RATED_W, log

RUNS, REST, EACH = 40, 3, 36
#: The bank rises from 12.4 to 14.2 V in a run, and a cold box moves it by 0.1 V.
RISING = np.linspace(12.4, 14.1, EACH) + 0.1 * (np.arange(EACH) % 2)


def charged(power_w, volts=RISING):
    """Return a log whose runs give these powers at these voltages."""
    plain = log(runs=RUNS)
    inside = np.tile(np.arange(REST + EACH) >= REST, RUNS)
    voltage, power = plain.voltage_mean_v.copy(), plain.energy_j / plain.duration_s
    voltage[inside] = np.tile(volts, RUNS)
    power[inside] = np.tile(power_w, RUNS)
    power[inside] *= 1.0 + 0.002 * np.random.default_rng(3).standard_normal(inside.sum())
    return replace(
        plain, energy_j=power * plain.duration_s, charge_c=power / voltage * plain.duration_s,
        voltage_mean_v=voltage, voltage_min_v=voltage, voltage_max_v=voltage,
        voltage_last_v=voltage,
    )  # fmt: skip


def figures(history):
    runs = find_runs(history, RATED_W)
    found, ceiling = stretches(runs, RATED_W, None)
    return outputs(runs, found, RATED_W), ceiling


def test_a_worn_charger_that_holds_its_current_gives_values_at_one_voltage():
    # 6 A of a unit of 110 W: 78 W at 13 V. At 14.2 V it gives 85 W.
    out, ceiling = figures(charged(6.0 * RISING))
    assert ceiling.held_current_v == pytest.approx(np.median(RISING), abs=0.2)
    assert not out.bound.any()
    assert out.used.all()
    assert np.median(out.value) == pytest.approx(6.0 * ceiling.held_current_v / RATED_W, rel=0.02)


def test_a_charger_that_holds_its_power_is_left_as_it_is():
    out, ceiling = figures(charged(np.full(EACH, 80.0)))
    assert ceiling.held_current_v is None
    assert np.median(out.value) == pytest.approx(80.0 / RATED_W, rel=0.02)


@pytest.mark.parametrize(
    ("answer", "held"),
    [(-1.0, False), (-0.55, False), (-0.45, True), (0.0, True), (0.45, True), (0.55, False)],
)
def test_half_way_between_the_two_decides(answer, held):
    amps = 6.0 * (RISING / 13.0) ** answer
    assert (figures(charged(amps * RISING))[1].held_current_v is not None) == held


@pytest.mark.parametrize("meter", ["tenths", "scatters"])
def test_a_voltmeter_that_moves_by_itself_makes_no_held_current(meter):
    # 80 W are held while the bank rises. What the meter adds from one reading to the next, no
    # current answers.
    true = np.tile(np.linspace(12.4, 14.1, EACH), RUNS)
    noise = 0.06 * np.random.default_rng(5).standard_normal(true.size)
    shown = np.round(true + noise, 1) if meter == "tenths" else true + noise
    run = np.repeat(np.arange(RUNS), EACH)
    ones = np.ones(true.size)
    assert held_current_v(run, 2.0 * ones, shown, 80.0 / true * shown, ones > 0.0) is None
    told = held_current_v(run, 2.0 * ones, shown, 6.0 * shown, ones > 0.0)
    assert told == pytest.approx(13.25, abs=0.1)


def test_pauses_and_weak_hours_do_not_hide_a_held_power():
    # Seen on study boats: in one interval of twenty the charger idles while the bank is low, and
    # the voltmeter scatters. Over whole runs the rest answers as a held power does.
    rng = np.random.default_rng(6)
    true = np.tile(np.linspace(12.4, 14.1, EACH), RUNS)
    power = np.where(np.arange(true.size) % EACH < 2, 20.0, 80.0)
    shown = true + 0.06 * rng.standard_normal(true.size)
    run = np.repeat(np.arange(RUNS), EACH)
    ones = np.ones(true.size)
    assert held_current_v(run, 2.0 * ones, shown, power / true * shown, ones > 0.0) is None


def pairs(count, rise=0.01, noise=0.0, run=None):
    """Return intervals of a held current whose voltage goes up and down by ``rise``."""
    volts = 13.0 * (1.0 + rise * (np.arange(count) % 2))
    amps = 6.0 * (1.0 + noise * np.random.default_rng(1).standard_normal(count))
    ones = np.ones(count)
    run = np.zeros(count, dtype=np.intp) if run is None else run
    return run, 2.0 * ones, volts, amps * volts, ones > 0.0


def test_what_it_takes_to_say_so():
    assert held_current_v(*pairs(101)) == pytest.approx(13.0, abs=0.14)
    assert held_current_v(*pairs(100)) is None
    # Steps of 0.2 % are the meter's, steps of 5 % the end of a charge.
    assert held_current_v(*pairs(500, rise=0.002)) is None
    assert held_current_v(*pairs(500, rise=0.05)) is None
    # Neighbours of two runs are no neighbours; the first hour warms up.
    assert held_current_v(*pairs(500, run=np.arange(500))) is None
    run, since, *rest = pairs(500)
    assert held_current_v(run, 0.4 * since, *rest) is None
    # A current that scatters by 3 % shows nothing in 200 steps, and much in 20,000.
    assert held_current_v(*pairs(200, noise=0.03)) is None
    assert held_current_v(*pairs(20_000, noise=0.03)) is not None


def test_hours_at_rest_and_without_power_do_not_count():
    run, since, volts, power, free = pairs(500)
    assert held_current_v(run, since, volts, power, ~free) is None
    power[::2] = 0.0
    assert held_current_v(run, since, volts, power, free) is None
