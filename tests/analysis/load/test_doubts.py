"""What is said of a load that the log does not tell well, and on what it rests."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.history.runs import find_runs
from analysis.load.charge_kept import Kept
from analysis.load.daily import daily_load
from analysis.load.doubts import (
    KEPT_SD,
    doubts,
    few_alone,
    full_days,
    more_on,
    on_engine_days,
    shared_load,
    unnamed_source,
    with_full_bank,
)
from analysis.load.kinds import UNDER_WAY, kinds_of_day
from analysis.load.required_power import carried, days_of, limit_of
from analysis.load.result import LoadResult, Month
from analysis.load.sources.other_sources import Grid
from analysis.show.page.report.load_part import words
from analysis.show.screen.load import lines
from logger.config import BatteryConfig
from tests.support.boats.bank_boats import BankBoat
from tests.support.boats.near_full import NearFull, recorded

NONE = np.empty(0)
DAYS = np.full(30, 40.0)
FOUND = LoadResult(
    ah=Span(38.0, 40.0, 42.0), ah_median=40.0, ah_p90=44.0, ah_p95=46.0, voltage_v=12.8,
    days_used=30, days_left_out={}, method="balance", withheld=None,
    months=(Month("2024-06", 30, 40.0, 512.0),), levels=(), daily_ah=DAYS,
    daily_s=86400.0 * np.arange(30.0), draw_ah=DAYS[None], efficiency=0.94,
)  # fmt: skip


def test_the_shares_kept_are_said_to_be_of_the_charge_below_the_ceiling():
    kept = Kept(NONE, NONE, overall=0.94, low=0.86, high=0.97, load_sd=1.01 * KEPT_SD)
    (said,) = doubts(kept)
    assert "Of the charge below the charge ceiling it keeps 86 to 97 %." in said
    assert doubts(replace(kept, load_sd=0.99 * KEPT_SD)) == ()


@pytest.mark.parametrize(
    ("method", "told"),
    [("balance", "below the charge ceiling the bank keeps 94 % of the charge"),
     ("battery_current", None)],
)  # fmt: skip
def test_the_screen_names_the_share_kept_only_where_the_load_rests_on_it(method, told):
    shown = " ".join(" ".join(lines(replace(FOUND, method=method), 80)).split())
    assert "charge efficiency" not in shown
    assert ("bank keeps" in shown) == (told is not None)
    assert told is None or told in shown


def test_the_doubt_about_the_share_kept_begins_at_a_tenth():
    kept = Kept(NONE, NONE, overall=0.94, low=0.86, high=0.97, load_sd=0.101)
    assert len(doubts(kept)) == 1
    assert doubts(replace(kept, load_sd=0.099)) == ()


SOLAR = Span(10.0, 20.0, 40.0)


def test_where_the_sun_gives_a_part_the_boat_uses_what_both_give():
    shared = replace(FOUND, shared=True, solar_ah=SOLAR)
    assert shared.boat_ah == Span(38.0, 60.0, 82.0)
    assert replace(shared, solar_ah=Span()).boat_ah == Span(38.0, None, None)
    assert FOUND.boat_ah == FOUND.ah
    document = shared.document()
    assert document["ah_per_day"]["mean"] == 40.0, "what a charger must bring stays that"
    assert document["solar_ah_per_day"] == {"low": 10.0, "mean": 20.0, "high": 40.0}
    assert document["boat_ah_per_day"] == {"low": 38.0, "mean": 60.0, "high": 82.0}
    assert (document["shared"], FOUND.document()["shared"]) == (True, False)


def test_a_part_that_something_else_gives_is_told_plainly():
    (unnamed,) = shared_load(Span(38.0, 60.0, 82.0), SOLAR, named=False)
    assert "solar probably charges as well, some 20 Ah (10 to 40 Ah) a day." in unnamed
    assert "The load told is what that leaves for the charger." in unnamed
    assert "The boat herself uses some 60 Ah (38 to 82 Ah) a day." in unnamed
    assert "[[other_sources]]" in unnamed
    (named,) = shared_load(Span(38.0, 60.0, 82.0), SOLAR, named=True)
    assert "solar gives some 20 Ah (10 to 40 Ah) a day. The boat herself uses some 60" in named
    assert "[[other_sources]]" not in named
    # Wind that is named: what it gives is not known.
    assert shared_load(Span(38.0), Span(), named=True) == (
        "What the boat herself uses the log does not show: at least 38 Ah a day.",
    )
    assert shared_load(Span(), Span(), named=True) == ()


def test_every_screen_says_that_the_figures_are_the_chargers_part():
    shared = replace(FOUND, shared=True, solar_ah=SOLAR)
    assert lines(shared, 80)[0].startswith("What the boat draws from the charger a day")
    assert lines(FOUND, 80)[0] == "What the boat draws a day"
    assert "(38.0 to 42.0 Ah) a day from the charger on the 30 days" in words(shared)
    assert "nothing else charged" not in words(shared)
    assert "a day on the 30 days that the log shows and on which nothing else" in words(FOUND)


@pytest.mark.parametrize(
    ("days", "of_days", "told"),
    [(7, 28, True), (6, 20, False), (49, 200, False), (50, 200, True), (0, 0, False)],
)
def test_a_quarter_of_the_days_with_a_source_that_nobody_named_is_told(days, of_days, told):
    said = unnamed_source(days, of_days)
    assert len(said) == told
    assert not told or said[0].startswith(f"On {days} of {of_days} days the voltage rose as if")


def test_the_screen_says_what_to_do_about_them_also_where_there_is_no_figure():
    for withheld in (None, "2 usable days"):
        found = replace(FOUND, withheld=withheld, doubts=unnamed_source(50, 80))
        shown = " ".join(" ".join(lines(found, 60)).split())
        assert "name it in [[other_sources]]" in shown
        assert "log the battery current (battery_current_a)" in shown


SPELL = 120
#: 24 Ah at rest; every sixth day she sails, draws 48 Ah more, and motors for an hour and a half.
SAILS = NearFull(
    capacity_ah=90.0, later_ohm=0.02, start_v=12.2, charger_w=75.0, load_a=1.0, pump_a=2.0,
    engine_a=25.0, engine_every=6, sailing_a=6.0,
)  # fmt: skip


def sailing(boat):
    history, load_ah, fed_ah = recorded(boat, SPELL, 11)
    owner = replace(BankBoat("aft locker", 1), told_ah=90.0, rated_w=75.0).config()
    runs = find_runs(history, 75.0)
    return daily_load(runs, owner), load_ah, fed_ah, runs, owner


def test_days_with_an_engine_are_not_taken_for_days_at_rest():
    found, load_ah, fed_ah, runs, owner = sailing(SAILS)
    sails = np.arange(SPELL) % 6 == 2
    assert found.days_left_out["other_source"] >= 18
    assert found.ah_p95 < 0.6 * load_ah[sails].mean()
    # The charger gives what she draws less what the engine gives.
    least = (load_ah - fed_ah)[sails].mean()
    assert 0.6 * least < found.helped_ah < 1.05 * least
    assert any("more than the mean" in said for said in found.doubts)
    lived = days_of(found)
    assert np.sort(lived.load_ah.mean(axis=0))[-18:].mean() > 0.6 * least
    at_rest = limit_of(carried(replace(found, helped_ah=None)))
    assert limit_of(carried(found)).power_w > 1.15 * at_rest.power_w
    kinds = kinds_of_day(runs, found, owner)
    assert 24.0 * kinds.level_a[:, UNDER_WAY].min() >= found.helped_ah - 1e-9


def test_a_boat_that_draws_the_same_on_each_day_gets_no_word():
    found, *_ = sailing(replace(SAILS, sailing_a=0.0))
    assert found.days_left_out["other_source"] >= 15
    assert found.helped_ah is None
    assert not any("more than the mean" in said for said in found.doubts)


#: Twenty days of 10 Ah, and five with an engine; the charger gave 30 Ah on each of these.
LOAD = np.full(25, 10.0)
ENGINE = np.arange(25) % 5 == 4
SUPPLIED = np.where(ENGINE, 30.0, 10.0)
NO_DAYS = np.zeros(25, dtype=bool)


def test_what_the_charger_gave_beyond_the_known_loads():
    told = np.where(ENGINE, np.nan, LOAD)
    assert on_engine_days(SUPPLIED, told, ENGINE, NO_DAYS, 0.0, 0.0) == pytest.approx(30.0)
    # Given on the day after, it counts all the same.
    assert on_engine_days(np.roll(SUPPLIED, 1), told, ENGINE, NO_DAYS, 0.0, 0.0) == pytest.approx(
        30
    )
    # A day without a known load draws the mean: 20 x 10 of 350 Ah.
    some = np.where(np.arange(25) == 1, np.nan, told)
    assert on_engine_days(SUPPLIED, some, ENGINE, NO_DAYS, 0.0, 0.0) == pytest.approx(30.0)
    # A day with a gap is left out with what was given on it.
    gap = np.arange(25) == 1
    assert on_engine_days(SUPPLIED, told, ENGINE, gap, 0.0, 0.0) == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("swing_ah", "sd", "told"),
    [
        # 150 Ah are 100 more than five mean days: an error of 78 Ah hides it, in the mean of twenty
        # days or in what the bank holds at the ends.
        (0.0, 0.385, True),
        (0.0, 0.395, False),
        (154.0, 0.0, True),
        (158.0, 0.0, False),
    ],
)
def test_an_excess_within_the_error_is_none(swing_ah, sd, told):
    load = np.where(ENGINE, np.nan, LOAD)
    assert (on_engine_days(SUPPLIED, load, ENGINE, NO_DAYS, swing_ah, sd) is not None) == told


def test_four_such_days_are_too_few():
    four = ENGINE & (np.arange(25) < 20)
    assert on_engine_days(SUPPLIED, LOAD, four, ENGINE & ~four, 0.0, 0.0) is None
    nothing = np.full(25, np.nan)
    assert on_engine_days(SUPPLIED, nothing, ENGINE, NO_DAYS, 0.0, 0.0) is None


def test_days_that_are_few_among_others_are_said_to_be_few():
    (said,) = few_alone(11, 397)
    assert "only 11 of 408 days" in said
    assert few_alone(20, 80)
    assert few_alone(21, 80) == ()
    assert few_alone(0, 80) == ()


def test_without_a_load_nothing_is_said_of_engine_days():
    found, *_ = sailing(SAILS)
    nothing = replace(found, daily_s=np.empty(0), daily_ah=np.empty(0))
    assert more_on(nothing, np.ones(3, dtype=bool), np.zeros(3, dtype=bool), 0) == (None, ())


def days_of_charging(full, of=20, **flags):
    """Return a grid of days on which the charger runs; on the first ``full`` the bank is high."""
    cells = 288 * of
    day = np.arange(cells) // 288
    no = np.zeros(cells, dtype=bool)
    grid = Grid(
        86400.0 * 20000 + 150.0, np.where(day < full, 13.7, 13.5), np.full(cells, 5.0), ~no, ~no,
        no, 1, no, no,
    )  # fmt: skip
    return replace(grid, **{name: make(day) for name, make in flags.items()})


def test_days_on_which_a_full_bank_is_charged_all_day():
    assert full_days(days_of_charging(7)) == (7, 20)
    # For 1.3 h of the first day it rests, or floats, or something else charges.
    gap = {"at": np.arange(288 * 20) < 16}
    assert full_days(days_of_charging(7, running=lambda _: ~gap["at"])) == (6, 20)
    assert full_days(days_of_charging(7, in_float=lambda _: gap["at"])) == (6, 20)
    assert full_days(days_of_charging(7, aided=lambda _: gap["at"])) == (6, 20)
    # A day of which a quarter is not known is left out.
    assert full_days(days_of_charging(7, known=lambda day: (day > 0) | ~gap["at"])) == (7, 20)
    silent = np.arange(288 * 20) < 72
    assert full_days(days_of_charging(7, known=lambda _: ~silent)) == (6, 19)


def test_a_full_bank_that_goes_on_taking_charge_is_told_and_widens_the_interval():
    bank = BatteryConfig(200.0, "agm")
    assert with_full_bank(FOUND, days_of_charging(4), bank) is FOUND, "a fifth of the days"
    found = with_full_bank(FOUND, days_of_charging(5), bank)
    # A quarter of the days: 24 h x 0.008 x 200 Ah / 4 are 9.6 Ah a day.
    assert found.ah == Span(pytest.approx(28.4), 40.0, 42.0)
    (said,) = found.doubts
    assert said.startswith("On 5 of 20 days the charger ran all day with the battery above 13.6 V")
    assert "as little as 28 Ah a day" in said
    assert found.relative_sd == pytest.approx(0.5 * np.log(40.0 / 28.4) / 1.645, rel=0.01)
    # Free acid on all days would be more than all: a tenth is left.
    worst = with_full_bank(FOUND, days_of_charging(20), BatteryConfig(200.0, "flooded"))
    assert worst.ah.low == pytest.approx(4.0)
    # Where nobody told the bank, it holds three mean days.
    unknown = with_full_bank(FOUND, days_of_charging(20), BatteryConfig(None, "agm"))
    assert unknown.ah.low == pytest.approx(38.0 - 24.0 * 0.008 * 120.0)
    measured = replace(FOUND, method="battery_current")
    assert with_full_bank(measured, days_of_charging(20), bank) is measured
