"""Cells in which the battery sets the current: ceiling and float, drawn by hand."""

import numpy as np
import pytest

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


def test_each_limit_of_what_counts_as_limited():
    running = np.ones(100, dtype=bool)
    volts, watts = np.full(100, 13.8), np.full(100, 100.0)
    # 93 % of the usual power; the usual is what all but one cell in twenty stay below.
    watts[90:] = [93.5, 92.5, 92.5, 93.5, 92.5, 92.5, 92.5, 92.5, 92.5, 93.5]
    expected = [False] * 90 + (watts[90:] < 93.0).tolist()
    assert limited(volts, watts / volts, running).tolist() == expected
    # A quarter of a volt below the top of the fortnight, heat may have taken the power.
    volts = np.full(100, 13.8)
    volts[90:] = [13.56, 13.54] * 5
    assert (
        limited(volts, 92.5 / volts * np.where(watts < 99.0, 1.0, 100 / 92.5), running)[
            90:
        ].tolist()
        == [True, False] * 5
    )
    # But never two fifths of it, at any charging voltage.
    volts[90:] = [13.21, 13.19] * 5
    for share, told in ((0.59, [True, False]), (0.61, [False, False])):
        amps = np.where(np.arange(100) < 90, 100.0, 100.0 * share) / volts
        assert limited(volts, amps, running)[90:].tolist() == told * 5


def test_a_fortnight_is_compared_with_its_own_power_and_at_least_with_the_best():
    cells = 14 * 288
    running = np.ones(2 * cells, dtype=bool)
    volts = np.full(2 * cells, 13.8)
    watts = np.r_[np.full(cells, 100.0), np.full(cells, 80.0)]
    watts[cells : cells + 100] = 70.0  # 0.875 of that fortnight
    found = limited(volts, watts / volts, running)
    assert np.flatnonzero(found).tolist() == list(range(cells, cells + 100))
    # A charger that gives 50 W all the time, where it gave 100 W, is held back: 60 % is the least.
    watts[cells:] = 50.0
    assert limited(volts, watts / volts, running)[cells:].all()
    watts[cells:] = 57.0
    assert not limited(volts, watts / volts, running)[cells:].any()
    # A fortnight without running tells nothing and hides nothing.
    watts[cells:] = 80.0
    running[cells:] = False
    assert not limited(volts, watts / volts, running).any()


@pytest.mark.parametrize("ohm", [-0.02, 0.0, 0.02])
def test_float_is_seen_through_the_drop_in_the_leads_and_where_a_load_is_too_much_at_times(ohm):
    # 8 A at most; the voltmeter stands at the charger, at the battery, or between. A cold box of
    # 5 A runs for twenty minutes of each hour; at night another 2 A are too much with it.
    cells = 24 * HOUR
    minute, hour = np.arange(cells) % HOUR, np.arange(cells) // HOUR
    load = 2.0 + 5.0 * (minute < 4) + 2.0 * (hour >= 12)
    amps = np.minimum(load, 8.0)
    volts = 13.6 + ohm * amps - 0.15 * (load > 8.0)
    running = np.ones(cells, dtype=bool)
    running[0] = False
    assert in_float(volts, amps, running)[4 * HOUR :].all()
    # The same loads while the bank fills: the voltage rises from hour to hour.
    rising = (volts - 13.5 + np.linspace(13.0, 15.4, cells))[: 9 * HOUR]
    assert not in_float(rising, amps[: 9 * HOUR], running[: 9 * HOUR])[3 * HOUR :].any()


def test_each_limit_of_float():
    cells = 8 * HOUR
    running = np.ones(cells, dtype=bool)
    running[0] = False

    def told(volts, amps):
        return in_float(np.broadcast_to(volts, cells), amps, running)[4 * HOUR : 6 * HOUR].all()

    def swings(part):
        """Loads of 5 A less a part of it, every other hour."""
        return 5.0 - 5.0 * part * (np.arange(cells) // HOUR % 2)

    # The current moves by a fifth of its usual size.
    assert told(13.6, swings(0.21))
    assert not told(13.6, swings(0.19))
    # From 13.2 to 13.9 V.
    assert told(13.21, swings(0.3))
    assert not told(13.2, swings(0.3))
    assert told(13.89, swings(0.3))
    assert not told(13.9, swings(0.3))
    # Within 0.12 V in two hours, and 0.4 V times the part of the current that comes and goes: the
    # leads. But it comes back each hour to where it was within 0.12 V.
    assert told(13.5 + 0.239 * (np.arange(cells) % 2), swings(0.3))
    assert not told(13.5 + 0.241 * (np.arange(cells) % 2), swings(0.3))
    assert told(13.5 + 0.055 * np.arange(cells) / HOUR, swings(0.6))
    assert not told(13.4 + 0.065 * np.arange(cells) / HOUR, swings(0.6))
    # A current that stands still is the charger's own, unless it is little: below six tenths.
    quiet = np.where(np.arange(cells) < HOUR, 5.0, 2.9)
    assert told(13.6, quiet)
    assert not told(13.6, np.where(np.arange(cells) < HOUR, 5.0, 3.1))
