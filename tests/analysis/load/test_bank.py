"""The bank over the boat's own days: balances that can be done by hand."""

import numpy as np
import pytest

from analysis.load.bank import DRAWS, LEVELS, Bank, Carried, Days, live

EVEN = np.full(4, 0.25)


def days(load_ah=24.0, count=60, gap=(), help_h=None, pattern=EVEN, sd=0.0):
    held = np.zeros(count, dtype=bool)
    held[list(gap)] = True
    helped = np.zeros(count) if help_h is None else np.asarray(help_h, dtype=float)
    load = np.broadcast_to(np.asarray(load_ah, dtype=float), (1, count)).copy()
    return Days(load, held, helped, pattern, sd)


def bank(capacity_ah=200.0, chemistry="agm", start_ah=70.0, blocks=1):
    return Bank(capacity_ah, 0.0, chemistry, blocks, start_ah)


def test_an_even_load_needs_little_more_than_its_own_power():
    # 24 Ah a day are 1 A at 13.2 V. All that is charged loses what the bank does not keep.
    found = live(days(), bank())
    assert found.mean_w == pytest.approx(13.2, rel=0.02)
    limit = np.median(found.limit_w())
    assert 0.95 * 13.2 < limit < 1.15 * 13.2
    assert found.power_w.shape == (len(LEVELS), DRAWS)


def test_a_bank_of_two_blocks_needs_twice_the_power():
    one = np.median(live(days(), bank()).limit_w())
    two = np.median(live(days(), bank(blocks=2)).limit_w())
    assert two == pytest.approx(2.0 * one, rel=0.01)


def test_a_large_bank_carries_a_heavy_day_and_a_small_one_does_not():
    # Every tenth day draws five times as much: more than one day in twenty.
    load = np.full(120, 20.0)
    load[5::10] = 100.0
    small = np.median(live(days(load, 120), bank(40.0, start_ah=14.0)).limit_w())
    large = np.median(live(days(load, 120), bank(400.0, start_ah=140.0)).limit_w())
    assert small > 1.25 * large
    mean_w = 28.0 / 24.0 * 13.2
    assert large == pytest.approx(mean_w, rel=0.15)


def test_one_heavy_day_in_fifty_is_allowed():
    load = np.full(100, 24.0)
    load[[30, 80]] = 200.0
    assert np.median(live(days(load, 100), bank(60.0, start_ah=20.0)).limit_w()) < 1.2 * 13.2


def test_lfp_may_be_used_further_and_keeps_more():
    load = np.full(120, 20.0)
    load[5::10] = 100.0
    lead = np.median(live(days(load, 120), bank(100.0, start_ah=30.0)).limit_w())
    lfp = np.median(live(days(load, 120), bank(100.0, "lfp", start_ah=30.0)).limit_w())
    assert lfp < lead


def test_help_spares_the_charger():
    alone = np.median(live(days(), bank()).limit_w())
    helped = np.median(live(days(help_h=np.tile([4.0, 0.0], 30)), bank()).limit_w())
    assert helped < 0.8 * alone


def test_days_carried_falls_with_less_output_and_more_load():
    found = live(days(), bank())
    assert found.days_carried(30.0) == pytest.approx(1.0)
    assert found.days_carried(8.0) < 0.5
    assert found.days_carried(15.0, growth=2.0) == pytest.approx(found.days_carried(7.5))
    assert np.median(found.limit_w(1.5)) == pytest.approx(1.5 * np.median(found.limit_w()))


def test_the_limit_lies_where_one_day_in_twenty_is_short():
    power = np.array([[10.0], [20.0], [40.0]])
    carried = Carried(power, np.array([[0.20], [0.10], [0.0]]), 15.0)
    # Half of the way from 0.10 to 0, on the scale of ratios: 20 * 2 ** 0.5.
    assert carried.limit_w()[0] == pytest.approx(20.0 * 2.0**0.5)
    never = Carried(power, np.full((3, 1), 0.3), 15.0)
    assert never.limit_w()[0] == 40.0
    always = Carried(power, np.zeros((3, 1)), 15.0)
    assert always.limit_w()[0] == 10.0
