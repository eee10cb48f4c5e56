"""The bank over the boat's own days: balances that can be done by hand."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.load.bank import (
    DRAWS,
    HELP_C,
    USABLE,
    Bank,
    Carried,
    Days,
    draw_capacities,
    draw_other_blocks,
    draw_starts,
    live,
    tried,
)

EVEN = np.full(4, 0.25)
#: Outputs of the balances by hand, of which the least is 0.6 of the load.
LEVELS = np.exp(np.linspace(np.log(0.6), np.log(2.2), 20))


@pytest.fixture(autouse=True)
def levels(monkeypatch):
    monkeypatch.setattr("analysis.load.bank.LEVELS", LEVELS)


def days(load_ah=24.0, count=60, gap=(), help_h=None, pattern=EVEN, sd=0.0):
    held = np.zeros(count, dtype=bool)
    held[list(gap)] = True
    helped = np.zeros(count) if help_h is None else np.asarray(help_h, dtype=float)
    load = np.broadcast_to(np.asarray(load_ah, dtype=float), (1, count)).copy()
    return Days(load, held, helped, pattern, sd)


def bank(capacity_ah=200.0, chemistry="agm", start_ah=70.0, blocks=1):
    return Bank(capacity_ah, 0.0, chemistry, blocks, start_ah)


def test_an_even_load_needs_little_more_than_its_own_power():
    # 24 Ah a day are 1 A. A start at 70 of 180 Ah, a tenth more and half of that for the mean: a
    # sealed bank stands at 11.89 + 0.12 + 0.78 x 0.75 = 12.6 V, the charger 0.3 V higher.
    found = live(days(), bank())
    assert found.mean_w == pytest.approx(12.9, rel=0.01)
    limit = np.median(found.limit_w())
    # All that is charged loses what the bank does not keep.
    assert 0.95 * 12.9 < limit < 1.15 * 12.9
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
    found = live(days(load, 100), bank(60.0, start_ah=20.0))
    # Two heavy days raise the mean to 27.5 Ah; a limit that had to carry them would be twice that.
    assert np.median(found.limit_w()) < 1.2 * found.mean_w


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


def test_on_a_day_of_shore_power_the_boat_draws_nothing_from_the_bank():
    # Every second day at the quay, all day: the charger carries the days between, which a bank of
    # 200 Ah does without it.
    found = live(days(24.0, help_h=np.tile([24.0, 0.0], 30)), bank())
    assert found.days_carried(0.55 * found.mean_w) == pytest.approx(1.0)


def test_a_charger_with_nothing_to_spare_does_not_stop_at_a_full_bank(monkeypatch):
    # Seventeen quiet days, three hard ones, at a tenth more than the mean. On quiet days 5 Ah are
    # left over, 0.2 A into 100 Ah: many a full bank takes that, and the charger never stops. The
    # hard days then begin full and draw 38 Ah. If it stops, they begin anywhere down to 50 Ah.
    load = np.tile(np.repeat([24.0, 42.0], [17, 3]), 8)
    found = live(days(load, 160), bank(100.0, start_ah=50.0))
    assert found.days_carried(1.1 * found.mean_w) > 0.95
    monkeypatch.setattr("analysis.load.bank.TAKES_FULL", (1e-6, 2e-6))
    stops = live(days(load, 160), bank(100.0, start_ah=50.0))
    assert stops.days_carried(1.1 * stops.mean_w) < 0.9


def test_a_month_leaves_the_limit_wider_than_a_season_and_that_than_two_years():
    def spread(count, seed):
        load = np.random.default_rng(seed).normal(24.0, 5.0, count)
        load += 8.0 * np.sin(np.arange(count) / 7.0)
        return np.log(live(days(load, count), bank(80.0, start_ah=28.0)).limit_w()).std()

    month, season, years = (
        np.mean([spread(count, seed) for seed in (7, 8, 9)]) for count in (30, 180, 700)
    )
    assert month > 1.5 * season
    assert season > 1.5 * years


def test_one_heavy_block_does_not_move_the_others():
    load = np.full((1, 100), 24.0)
    assert draw_other_blocks(load, np.random.default_rng(1)) == pytest.approx(1.0)
    load[0, :10] = 100.0
    assert draw_other_blocks(load, np.random.default_rng(1)) == pytest.approx(1.0)
    scattered = np.repeat(np.random.default_rng(2).normal(24.0, 6.0, 10), 10)[None, :]
    moved = draw_other_blocks(np.repeat(scattered, 2000, axis=0), np.random.default_rng(3))
    # By hand: 1.4826 x the median distance from the median, times the root of 2 / 10.
    level = scattered[0, ::10]
    wanted = 1.4826 * np.median(np.abs(level - np.median(level))) / level.mean() * 0.2**0.5
    assert np.log(moved).std() == pytest.approx(wanted, rel=0.05)
    assert (moved[:, 0] == moved[:, 9]).all()
    assert (moved[:, 9] != moved[:, 10]).all()


def test_the_start_lies_between_what_charge_and_voltage_tell():
    capacity, rng = np.full(4000, 100.0), np.random.default_rng(4)

    def starts(start_ah, start_depth):
        told = Bank(100.0, 0.0, "agm", 1, start_ah, start_depth)
        return np.quantile(draw_starts(told, capacity, rng), [0.05, 0.5, 0.95])

    assert starts(30.0, None) == pytest.approx([0.255, 0.30, 0.354], abs=0.01)
    low, middle, high = starts(10.0, 0.5)
    assert low < 0.15
    assert 0.22 < middle < 0.30
    assert high > 0.38
    assert starts(None, 0.5) == pytest.approx([0.37, 0.5, 0.63], abs=0.02)
    # Nothing tells it: anything from a fifth to two thirds.
    assert starts(None, None) == pytest.approx([0.22, 0.425, 0.63], abs=0.02)


def test_a_capacity_that_is_not_configured_is_at_least_what_was_drawn():
    usual = Bank(100.0, 0.4, "agm", 1, None, 0.5)
    seen = replace(usual, start_ah=100.0)
    told = replace(seen, capacity_sd=0.0)
    rng = np.random.default_rng
    assert np.median(draw_capacities(usual, 4000, rng(5))) == pytest.approx(90.0, rel=0.05)
    # Half of the bank is 100 Ah: it holds 200 Ah and more.
    assert draw_capacities(seen, 4000, rng(5)).min() >= 200.0
    assert draw_capacities(told, 4000, rng(5)).max() <= 105.0, "a label is a label"


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


def short_at_least(found):
    """Return the usual share of short days with the least output that is tried."""
    assert LEVELS[0] == pytest.approx(0.6)
    return float(np.median(found.short[0]))


def test_a_bank_that_sinks_day_by_day_is_short_from_a_day_on_that_can_be_reckoned():
    # LFP of 200 Ah: in the mean 180 Ah, of which 0.84 may be given, 151 Ah. It begins with half of
    # 70 Ah drawn. 24 Ah a day until the charger starts at 70 Ah: a day and a half. Then 0.6 of the
    # load is given, and 9.6 Ah a day are missing: 8.4 days more, so that 50 of 60 days are short.
    # The first of six blocks of ten days weighs less than a sixth more often than not: their shape
    # is 1 - 2 / 6, and the median of Beta with 2/3 and 10/3 is 0.11.
    assert short_at_least(live(days(), bank(chemistry="lfp"))) == pytest.approx(1 - 0.11, abs=0.05)
    # With 40 Ah at the start it begins a day earlier and sinks three days longer.
    early = live(days(), bank(chemistry="lfp", start_ah=40.0))
    assert short_at_least(early) == pytest.approx(47.5 / 60, abs=0.06)
    # With all that is needed no day is short.
    enough = live(days(), bank(chemistry="lfp"))
    assert (enough.short[LEVELS > 1.03] == 0.0).all()


def test_the_hours_of_the_day_are_known_by_half_and_widen_the_limit(monkeypatch):
    # A small bank of 24 Ah a day that seems to be drawn in the evening alone: in six hours of 4 A a
    # weak charger falls far behind. How much of it is true is drawn between nothing and all.
    steep = np.array([0.0, 0.0, 0.0, 1.0])

    def spread(pattern, ends):
        monkeypatch.setattr("analysis.load.bank.PATTERN", ends)
        low, middle, high = np.percentile(
            live(days(pattern=pattern), bank(40.0, start_ah=18.0)).limit_w(), [5.0, 50.0, 95.0]
        )
        return middle, high / low

    none, half, whole = (spread(steep, (at, at)) for at in (0.0, 0.5, 1.0))
    drawn = spread(steep, (0.0, 1.0))
    assert none[0] < half[0] < whole[0]
    assert drawn[0] == pytest.approx(half[0], rel=0.1)
    assert drawn[1] > 1.15 * half[1]
    # A load that is alike at all hours stays so.
    assert spread(EVEN, (0.0, 1.0)) == pytest.approx(spread(EVEN, (1.0, 1.0)))


def test_a_gap_in_the_log_starts_the_bank_again():
    # Eight days after a start no bank is at its end yet; ten days and more it is.
    assert short_at_least(live(days(gap=range(0, 60, 7)), bank(chemistry="lfp"))) == 0.0
    assert short_at_least(live(days(gap=range(0, 60, 20)), bank(chemistry="lfp"))) == pytest.approx(
        10 / 20, abs=0.08
    )


def test_an_hour_of_the_engine_gives_a_tenth_of_the_bank(monkeypatch):
    low, high = HELP_C
    assert 0.1 < np.sqrt(low * high) < 0.15
    assert 0.02 < low < high < 0.5
    monkeypatch.setattr("analysis.load.bank.HELP_C", (0.12, 0.12))
    # 0.12 of 180 Ah are 21.6 Ah: more than the 9.6 Ah a day that the least output leaves.
    helped = live(days(help_h=np.ones(60)), bank(chemistry="lfp"))
    assert short_at_least(helped) == 0.0
    # A quarter of an hour gives 5.4 Ah: 4.2 Ah a day are missing, and the bank lasts 19 days more.
    some = live(days(help_h=np.full(60, 0.25)), bank(chemistry="lfp"))
    assert short_at_least(some) == pytest.approx(39 / 60, abs=0.1)


def test_help_that_the_battery_current_tells_is_taken_as_it_is(monkeypatch):
    # 10 Ah a day cover the 9.6 Ah that the least output leaves; 5.4 Ah do not, and do the same as
    # 0.12 of a bank of some 180 Ah for a quarter of an hour.
    hours = days(help_h=np.full(60, 0.25))
    enough = live(replace(hours, help_ah=np.full(60, 10.0)), bank(chemistry="lfp"))
    assert short_at_least(enough) == 0.0
    monkeypatch.setattr("analysis.load.bank.HELP_C", (0.12, 0.12))
    by_hours = live(hours, bank(chemistry="lfp"))
    told = live(replace(hours, help_ah=np.full(60, 5.4)), bank(chemistry="lfp"))
    assert short_at_least(told) == pytest.approx(short_at_least(by_hours), abs=0.03)
    # Days of which it is not told go by their hours.
    untold = live(replace(hours, help_ah=np.full(60, np.nan)), bank(chemistry="lfp"))
    assert np.array_equal(untold.short, by_hours.short)


def test_where_nothing_tells_the_start_it_is_a_usual_one(monkeypatch):
    monkeypatch.setattr("analysis.load.bank.USUAL_START", (0.35, 0.35))
    told = live(days(), bank(chemistry="lfp", start_ah=0.35 * 180.0))
    untold = live(days(), bank(chemistry="lfp", start_ah=None))
    assert short_at_least(untold) == pytest.approx(short_at_least(told), abs=0.03)
    # A charger that starts only below the usable half: a tenth of the bank deeper is short.
    late = live(days(), bank(start_ah=0.6 * 180.0))
    # 54 Ah drawn, 2.25 days until 108 Ah, 18 Ah more at 9.6 a day.
    assert short_at_least(late) == pytest.approx((60 - 2.25 - 18 / 9.6) / 60, abs=0.03)


def test_errors_that_all_days_share_spread_the_limit():
    sure = np.log(live(days(), bank(chemistry="lfp")).limit_w()).std()
    unsure = np.log(live(days(sd=0.2), bank(chemistry="lfp")).limit_w()).std()
    # 0.2 beside what was there; 32 draws give it within an eighth (one standard deviation).
    assert np.sqrt(unsure**2 - sure**2) == pytest.approx(0.2, rel=0.35)


@pytest.fixture
def exact(monkeypatch):
    """A bank that holds what its label says and may give 42 % of it: no draw differs."""
    monkeypatch.setattr("analysis.load.bank.PATTERN", (1.0, 1.0))
    monkeypatch.setattr("analysis.load.bank.HOLDS", (1.0, 1.0))
    monkeypatch.setattr("analysis.load.bank.USABLE", {"lfp": (0.42, 0.42), "agm": (0.42, 0.42)})


def always_short(load_ah, start_ah, chemistry="lfp", **more):
    """Tell whether days that each begin anew are short with the least output, 0.6 of the load."""
    every = days(load_ah, gap=range(60), **more)
    (told,) = set(live(every, bank(100.0, chemistry, start_ah=start_ah)).short[0])
    assert told in {0.0, 1.0}
    return told == 1.0


def test_a_day_step_by_step(exact):
    # 100 Ah, of which a start at 2 % leaves 2 drawn, and the day begins with half of that. With
    # 100 Ah a day each step draws 25 and is given 15: of the first 24 / 25, for the charger starts
    # when the bank has sunk by 1 Ah more. 1 + 25 - 14.4 = 11.6, then 21.6, 31.6 and 41.6 Ah.
    assert not always_short(100.0, 0.0)
    # With 102 Ah 10.2 a step and 0.6 of 1 Ah: 42.4 Ah.
    assert always_short(102.0, 0.0)
    # A start beyond 85 % of the bank is taken for one there: then a tenth deeper is short, 95 Ah.
    # The day begins with 42.5 Ah drawn; from 85 Ah on 0.4 of the load is missing: 25 Ah more.
    assert always_short(68.0, 1e9)
    assert not always_short(67.0, 1e9)


def test_the_charger_runs_until_the_bank_is_full(exact):
    # Ten Ah drawn at the beginning, a start at 20. All of the load falls into the first step: 32 Ah
    # sink the bank to 42 less what is given from 20 Ah on, 0.6 of 32 Ah a day in (22 / 32) of six
    # hours: 42 - 3.3 = 38.7 Ah. The other steps charge.
    first = np.array([1.0, 0.0, 0.0, 0.0])
    found = live(days(32.0, gap=range(60), pattern=first), bank(100.0, "lfp", start_ah=20.0))
    assert not found.short.any()
    # Charged in the night, a day without a gap begins with a full bank: it carries 42 Ah and more.
    found = live(days(44.0, count=200, pattern=first), bank(100.0, "lfp", start_ah=2.0))
    # Four times the mean load is drawn in the first step, so outputs up to that are tried.
    enough = np.flatnonzero(LEVELS > 1.05)[0]
    assert not found.short[enough:].any()
    assert (found.short[: len(LEVELS)][LEVELS < 0.95] > 0.5).all()


def test_what_a_bank_may_give_and_how_it_is_charged():
    # Common practice, no source: half of a lead-acid bank, four fifths and more of LFP.
    for chemistry, (low, high) in USABLE.items():
        middle = 0.84 if chemistry == "lfp" else 0.5
        assert 0.5 * (low + high) == pytest.approx(middle)
        assert high - low == pytest.approx(0.12 if chemistry == "lfp" else 0.1)
    # Half of the way to half of the bank, 0.3 V above the rested voltage, within 0.15 V: free acid
    # 11.89 + 0.78 x 0.75 + 0.3 V, sealed 0.12 V more, LFP 13.2 + 0.3 V.
    for chemistry, volt in (("flooded", 12.78), ("agm", 12.9), ("lfp", 13.5)):
        volts = live(days(), bank(chemistry=chemistry)).power_w / LEVELS[:, None]
        assert volts[0] == pytest.approx(volts[-1])
        assert np.median(volts) == pytest.approx(volt, rel=0.01)
        assert volts[0].std() == pytest.approx(0.15, rel=0.4)


def test_the_outputs_that_are_tried(monkeypatch):
    monkeypatch.undo()
    outputs = live(days(), bank()).power_w
    tried = outputs[:, 0] / outputs[0, 0]
    # From a half to 3.2 times the mean need, each 7 % above the one before.
    assert tried[-1] == pytest.approx(3.2 / 0.5)
    assert tried[1:] / tried[:-1] == pytest.approx(1.071, abs=0.002)


def test_days_carried_lie_between_two_outputs():
    carried = Carried(np.array([[10.0], [40.0]]), np.array([[0.4], [0.0]]), 15.0)
    # 20 W is half of the way on the scale of ratios: a fifth of the days is short.
    assert carried.days_carried(20.0) == pytest.approx(0.8)
    assert carried.days_carried(5.0) == pytest.approx(0.6)
    assert carried.days_carried(99.0) == pytest.approx(1.0)
    assert carried.days_carried(0.0) == pytest.approx(0.6)
    # One day in twenty may be short.
    at = Carried(np.array([[10.0], [40.0]]), np.array([[0.05], [0.0]]), 15.0)
    assert at.limit_w()[0] == 10.0
    above = Carried(np.array([[10.0], [40.0]]), np.array([[0.051], [0.0]]), 15.0)
    assert above.limit_w()[0] == pytest.approx(10.0 * 4.0 ** (0.001 / 0.051))


def test_a_boat_of_weekends_is_told_what_her_weekends_need():
    # 4 Ah on five days and 120 Ah on two: 37 Ah on the mean day. A bank of 60 Ah holds a few hours
    # of a weekend, so that the charger must give nearly its 5 A: three times the mean load.
    load = np.where(np.arange(140) % 7 >= 5, 120.0, 4.0)
    found = live(days(load, 140), bank(60.0, start_ah=10.0))
    assert found.power_w.shape[0] > len(LEVELS)
    need_w = 120.0 / 24.0 * 13.0
    assert 0.8 * need_w < np.median(found.limit_w()) < 1.25 * need_w
    # A charger half as large fails on the weekends, one half as large again does not.
    assert found.days_carried(0.5 * need_w) < 0.8
    assert found.days_carried(1.5 * need_w) > 0.97


def test_larger_outputs_are_tried_only_where_some_days_need_them():
    even = np.full((4, DRAWS), 0.25)
    assert tried(np.full((DRAWS, 60), 2.1), even).tolist() == LEVELS.tolist()
    # 2.2 is the largest as a rule; 6 times the mean takes eight more, each 1.15 times the last.
    most = tried(np.full((DRAWS, 60), 6.0), even)
    assert most[: len(LEVELS)].tolist() == LEVELS.tolist()
    assert most[len(LEVELS) :] == pytest.approx(2.2 * 1.15 ** np.arange(1.0, 9.0))
    # A day's heaviest six hours count; one day in two hundred does not.
    peak = even.copy()
    peak[1] = 0.75
    assert len(tried(np.full((DRAWS, 60), 2.0), peak)) == len(most)
    once = np.ones((DRAWS, 1000))
    once[:, 0] = 60.0
    assert tried(once, even).tolist() == LEVELS.tolist()
