"""Cells in which the battery sets the current: ceiling and float, drawn by hand."""

import numpy as np

from analysis.load.battery_limited import in_float, limited

HOUR = 12


def test_clearly_less_power_than_in_that_fortnight_is_limited():
    volts = np.full(200, 13.8)
    amps = np.full(200, 8.0)
    amps[150:] = 7.0  # 0.875 of the usual
    running = np.ones(200, dtype=bool)
    assert limited(volts, amps, running).tolist() == [False] * 150 + [True] * 50
    amps[150:] = 7.6  # 0.95 of it: weather
    assert not limited(volts, amps, running).any()
    amps[150:] = 7.0
    assert not limited(volts, amps, ~running).any()
    assert not limited(np.full(200, 13.1), amps, running).any(), "not nearly full"
    assert not limited(volts, np.full(200, np.nan), running).any()


def test_power_that_heat_takes_below_the_ceiling_is_not_limited():
    # Runs of a day that climb from 13.0 to 14.4 V; by day a hot compartment takes 15 % of the
    # power. The last two hours are held at the ceiling with a current that falls.
    climb = np.concatenate((np.linspace(13.0, 14.4, 264), np.full(24, 14.4)))
    power = np.where((np.arange(288) > 96) & (np.arange(288) < 216), 85.0, 100.0)
    power[264:] = np.linspace(90.0, 40.0, 24)
    volts, watts = np.tile(climb, 10), np.tile(power, 10)
    found = limited(volts, watts / volts, np.ones(2880, dtype=bool)).reshape(10, 288)
    assert not found[:, :216].any()
    assert found[:, 264:].all()


def test_wear_over_years_is_no_limit_of_the_battery():
    cells = 10 * 14 * 288
    amps = np.linspace(8.0, 6.5, cells)
    volts, running = np.full(cells, 13.8), np.ones(cells, dtype=bool)
    assert limited(volts, amps, running).mean() < 0.01


def test_a_full_bank_is_floated_by_the_charger_whose_current_follows_the_loads():
    cells = 10 * HOUR
    running = np.ones(cells, dtype=bool)
    running[0] = False
    volts = np.full(cells, 13.6)
    loads = 2.0 + 2.0 * (np.arange(cells) // HOUR % 2)
    assert in_float(volts, loads, running)[4 * HOUR :].all()
    # Somebody else holds the voltage: it goes on giving all it can.
    assert not in_float(volts, np.full(cells, 8.0), running).any()
    # The ceiling of absorption is no float, and a voltage that rises neither.
    assert not in_float(np.full(cells, 14.2), loads, running).any()
    assert not in_float(np.linspace(13.22, 13.88, cells), loads, running).any()
    assert not in_float(volts, loads, np.zeros(cells, dtype=bool)).any()
