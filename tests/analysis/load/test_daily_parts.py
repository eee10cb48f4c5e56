"""The parts of the daily load, each on arrays that can be reckoned by hand."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.load.daily import (
    LATEST_DAYS,
    by_current,
    daily_load,
    drawn_at_start,
    make_result,
    too_few,
    too_few_spans,
)
from analysis.load.measured import (
    boat_current,
    fed_by_others,
    given_ah_by_others,
    measured_ah,
    pattern_of,
)
from analysis.load.required_power import carried
from analysis.load.result import by_month, split_levels
from analysis.load.sources.other_sources import Grid
from analysis.load.usual_bank import efficiency_of, usual_bank_ah
from analysis.show.screen.load import lines
from logger.other_sources import OtherSource
from tests.support.boats.drawn_cycles import boat
from tests.support.boats.plain_log import RATED_W, joined
from tests.support.configurations import config_for

DAY_S = 86400.0


def test_the_efficiency_is_as_configured_or_usual():
    assert efficiency_of(config_for(charge_efficiency=0.88)) == (0.88, 0.01)
    config = config_for()
    for chemistry, expected in (("agm", (0.92, 0.045)), ("lfp", (0.99, 0.005))):
        battery = replace(config.battery, chemistry=chemistry)
        assert efficiency_of(replace(config, battery=battery)) == expected


def result(mean, draws=None, common=0.0):
    mean = np.asarray(mean, dtype=float)
    use = np.zeros(len(mean) + 2, dtype=bool)
    use[1:-1] = True
    draws = np.asarray(mean[None, :] if draws is None else draws)
    return make_result(draws, mean, use, 19000, 12.5, {}, "balance", 0.9, common)


def test_the_interval_of_the_mean_holds_its_own_spread_and_the_common_one():
    mean = np.full(20, 40.0)
    # Draws of the mean day that spread by a tenth (38, 42: one sd of 2).
    draws = np.array([[38.0] * 20, [42.0] * 20])
    found = result(mean, draws, 0.12)
    sd = math.hypot(0.05, 0.12)
    assert found.relative_sd == pytest.approx(sd)
    assert found.ah.median == 40.0
    assert found.ah.low == pytest.approx(40.0 * math.exp(-1.645 * sd))
    assert found.ah.high == pytest.approx(40.0 * math.exp(1.645 * sd))
    assert (found.ah_median, found.ah_p90, found.ah_p95) == (40.0, 42.0, 42.0)
    # A single draw, as of a measured load, is good to a hundredth.
    assert result(mean).relative_sd == pytest.approx(0.01)
    assert result(mean, common=5.0).relative_sd == 1.0
    # The first of the days is the one after the origin.
    assert found.daily_s.tolist() == [DAY_S * (19001 + k) for k in range(20)]
    assert found.days_used == 20
    few = result(mean[:19])
    assert (few.ah_p90, few.ah_p95) == (None, None)
    assert few.ah_median == 40.0


def test_the_mean_of_each_month():
    # 2023-12-30 to 2024-01-02, and a day of June.
    days = np.array([19721.0, 19722.0, 19723.0, 19724.0, 19880.0])
    found = by_month(DAY_S * days, np.array([10.0, 20.0, 30.0, 50.0, 7.0]), 12.0)
    assert [(m.month, m.days, m.ah, m.wh) for m in found] == [
        ("2023-12", 2, 15.0, 180.0),
        ("2024-01", 2, 40.0, 480.0),
        ("2024-06", 1, 7.0, 84.0),
    ]
    assert math.isnan(by_month(DAY_S * days, days, None)[0].wh)


def test_two_levels_need_four_standard_deviations_between_them():
    spread = np.resize([-1.0, 1.0], 24)
    days = np.where(np.arange(24) < 16, 30.0, 50.0) + spread
    assert split_levels(days[::-1]) == (("at rest", 16, 30.0), ("under way", 8, 50.0))
    assert split_levels(days[:19]) == ()
    # Ends of a bell, or an even spread, are no two levels.
    assert split_levels(np.linspace(10.0, 20.0, 40)) == ()
    for apart, told in ((4.1, True), (3.9, False)):
        two = np.where(np.arange(24) < 12, 30.0, 30.0 + apart) + spread
        assert bool(split_levels(two)) is told
    # Three days make a level, be they three alike or two and one of the others.
    for first in (21, 22):
        few = np.where(np.arange(24) < first, 30.0, 50.0) + 0.01 * spread
        assert [n for _, n, _ in split_levels(few)] == [21, 3]
    few = np.where(np.arange(24) < 3, 30.0, 50.0) + 0.01 * spread
    assert [n for _, n, _ in split_levels(few)] == [3, 21]


def test_a_usual_bank_and_the_charge_at_a_start():
    # 48 Ah in 36 hours: three days of 32 Ah.
    assert usual_bank_ah(np.array([20.0, 28.0]), np.array([[12.0, 0.0], [12.0, 12.0]])) == 96.0
    grid = SimpleNamespace(in_float=np.zeros(100, dtype=bool), running=np.arange(100) < 50)

    def swings(up, down):
        return SimpleNamespace(swing=np.r_[np.ones(up), -np.ones(down), 0.0])

    assert drawn_at_start(grid, swings(3, 3), 55.0) == 55.0
    assert drawn_at_start(grid, swings(3, 3), -5.0) == 0.0
    assert drawn_at_start(grid, swings(2, 3), 55.0) is None
    assert drawn_at_start(grid, swings(3, 2), 55.0) is None
    grid.in_float = np.arange(100) < 15
    assert drawn_at_start(grid, swings(3, 3), 55.0) == 55.0
    grid.in_float = np.arange(100) < 16  # more than three tenths: it never stops
    assert drawn_at_start(grid, swings(3, 3), 55.0) == 0.0


def test_how_many_days_are_missing():
    assert too_few(4) == (
        "it takes 7 whole days on which nothing but the charger charges, and the log has 4 so far"
    )
    assert too_few(0).endswith("the log has none so far")
    assert too_few_spans(2) == (
        "it takes 3 stretches from one start of the charger (or full battery) to the next in which "
        "nothing else charges, and the log has 2 so far"
    )
    assert too_few_spans(0).endswith("the log has none so far")


def day_grid(days=3, **flags):
    count = 288 * days
    no = np.zeros(count, dtype=bool)
    cells = {"known": ~no, "aided": no, "running": no} | flags
    return Grid(
        19000 * DAY_S + 150.0, np.full(count, 12.5), np.zeros(count), cells["running"],
        cells["known"], cells["aided"], 1, no, no,
    )  # fmt: skip


def measured(drawn, grid):
    index = np.arange(len(drawn)) // 288
    return measured_ah(drawn, grid, index, int(index[-1]) + 1)


def test_the_load_of_a_day_by_the_battery_current():
    # 2 A by night until noon, 4 A from then on: 72 Ah a day.
    hour = np.tile(np.arange(288) // 12, 3)
    drawn = np.where(hour < 12, 2.0, 4.0)
    assert measured(drawn, day_grid()) == pytest.approx([72.0] * 3)
    # Six hours without a reading get what the same hours of other days drew.
    drawn[:72] = np.nan
    assert measured(drawn, day_grid()) == pytest.approx([72.0] * 3)
    drawn[72] = np.nan
    assert measured(drawn, day_grid()) == pytest.approx([np.nan, 72.0, 72.0], nan_ok=True)
    # What flows while another source feeds the boat, or in a gap, does not count.
    aided = np.zeros(864, dtype=bool)
    aided[288:300] = True
    drawn[288:300] = 99.0
    assert measured(drawn, day_grid(aided=aided))[1] == pytest.approx(72.0)
    assert measured(drawn, day_grid(known=~aided))[1] == pytest.approx(72.0)
    assert measured(drawn, day_grid())[1] == pytest.approx(72.0 + 97.0)
    # The last day must have twenty-three hours and more.
    for cells, told in ((276, False), (277, True)):
        part = np.full(576 + cells, 3.0)
        grid = day_grid()
        short = Grid(
            grid.start_s, *(getattr(grid, n)[: len(part)] for n in ("volts", "amps", "running", "known", "aided")),  # noqa: E501
            1, grid.limited[: len(part)], grid.in_float[: len(part)],
        )  # fmt: skip
        assert bool(np.isfinite(measured(part, short)[2])) is told


def test_days_with_help_are_told_by_their_hours_without_it():
    # Thirty days at anchor, 2 A by night and 4 A from noon; solar shows in six hours of each. Ten
    # days under way draw three times as much, so that the sun never shows.
    hour = np.tile(np.arange(288) // 12, 40)
    day = np.arange(len(hour)) // 288
    sails = day >= 30
    drawn = np.where(hour < 12, 2.0, 4.0) * np.where(sails, 3.0, 1.0)
    aided = ~sails & (hour >= 10) & (hour < 16)
    drawn[aided] = -5.0
    found = measured(drawn, day_grid(40, aided=aided))
    assert found == pytest.approx([72.0] * 30 + [216.0] * 10, rel=1e-4)
    # Twelve hours without help are too few to tell a day: it may be shore power.
    for hours, told in ((11, True), (12, False)):
        more = aided | (~sails & (hour >= 16 - hours) & (hour < 16))
        day_ah = measured(drawn, day_grid(40, aided=more))[:30]
        assert np.isfinite(day_ah).all() == told
        assert np.isnan(day_ah).all() != told


def test_the_part_of_the_load_in_each_eighth_of_the_day():
    # A day sailer: 0.5 A at all hours, and 10 A between 9 and 18 h on one day of five.
    hour = np.tile(np.arange(288) // 12, 20)
    sails = np.arange(len(hour)) // 288 % 5 == 4
    drawn = 0.5 + 9.5 * (sails & (hour >= 9) & (hour < 18))
    index = np.arange(len(hour)) // 288
    found = pattern_of(drawn, day_grid(20), index, 20)
    # 240 Ah at all hours, and 4 x 9 h x 9.5 A.
    by_day = (20 * 3 * 0.5 + 4 * 3 * 9.5) / (240.0 + 342.0)
    assert found == pytest.approx([30.0 / 582.0] * 3 + [by_day] * 3 + [30.0 / 582.0] * 2)
    assert pattern_of(np.zeros(len(hour)), day_grid(20), index, 20) is None


def test_hours_with_help_on_every_day_are_filled_from_the_others():
    hour = np.tile(np.arange(288) // 12, 10)
    drawn = np.where((hour >= 10) & (hour < 14), -3.0, 2.0)
    assert measured(drawn, day_grid(10, aided=drawn < 0.0)) == pytest.approx([48.0] * 10)


def test_a_boat_that_seems_to_draw_nothing_is_fed():
    drawn = np.full(100, 5.0)
    drawn[20:30] = 0.0
    grid = day_grid()
    grid = replace(grid, aided=np.zeros(100, dtype=bool))
    # A quarter of an hour about each cell: both ends have a neighbour that draws.
    assert np.flatnonzero(fed_by_others(drawn, grid)).tolist() == list(range(21, 29))
    # A fiftieth of the usual current: 0.1 A.
    for little, told in ((0.09, 8), (0.11, 0)):
        drawn[20:30] = little
        assert fed_by_others(drawn, grid).sum() == told
    # Where the current is not told the voltage decides; unknown neighbours do not count.
    drawn[20:30] = 0.0
    drawn[[19, 24]] = np.nan
    aided = np.zeros(100, dtype=bool)
    aided[[24, 50]] = True
    found = np.flatnonzero(fed_by_others(drawn, replace(grid, aided=aided)))
    assert found.tolist() == list(range(20, 29))
    assert (
        fed_by_others(np.full(100, np.nan), replace(grid, aided=aided)).tolist() == aided.tolist()
    )


def test_the_current_of_the_boat_needs_half_of_the_log():
    count = 20
    start_s = 19000 * DAY_S + 300.0 * np.arange(count)
    log = SimpleNamespace(
        start_s=start_s, end_s=start_s + 300.0, duration_s=np.full(count, 300.0),
        charge_c=np.full(count, 8.0 * 300.0), battery_charge_c=np.full(count, 6.0 * 300.0),
    )  # fmt: skip
    grid = SimpleNamespace(start_s=start_s[0] + 150.0, volts=np.zeros(count))
    runs = SimpleNamespace(log=log)
    assert boat_current(runs, grid) == pytest.approx(np.full(count, 2.0))
    log.battery_charge_c[:10] = np.nan
    found = boat_current(runs, grid)
    assert np.isnan(found[:10]).all()
    assert found[10:] == pytest.approx(np.full(10, 2.0))
    log.battery_charge_c[10] = np.nan
    assert boat_current(runs, grid) is None


def test_a_cell_is_told_where_nine_tenths_of_it_are():
    # Two records in each cell, of which the second tells nothing of the battery.
    for part, told in ((0.91, True), (0.89, False), (0.5, False)):
        start_s = 19000 * DAY_S + (300.0 * np.arange(20)[:, None] + [0.0, 300.0 * part]).ravel()
        length_s = np.tile([300.0 * part, 300.0 * (1.0 - part)], 20)
        battery_c = np.where(np.arange(40) % 2 == 0, 6.0 * length_s, np.nan)
        log = SimpleNamespace(
            start_s=start_s, end_s=start_s + length_s, duration_s=length_s,
            charge_c=8.0 * length_s, battery_charge_c=battery_c,
        )  # fmt: skip
        grid = SimpleNamespace(start_s=19000 * DAY_S + 150.0, volts=np.zeros(20))
        found = boat_current(SimpleNamespace(log=log), grid)
        assert bool(np.isfinite(found).all()) is told, part
        assert np.isnan(found).all() or told


def test_a_measured_load_needs_a_week():
    days, good = np.full(10, 40.0), np.ones(10, dtype=bool)
    good[0] = False
    days[1] = np.nan
    left = {}
    found = by_current(days, good, 19000, 12.5, left, 0.9)
    assert (found.method, found.days_used, left) == (
        "battery_current",
        8,
        {"no_battery_current": 1},
    )
    assert found.ah.median == 40.0
    assert found.relative_sd == pytest.approx(0.01)
    # Scale and zero of the sensors: 2 % of 40 Ah, and 1.2 Ah of them.
    wider = by_current(days, good, 19000, 12.5, {}, 0.9, relative_sd=0.02, zero_ah=1.2)
    assert wider.relative_sd == pytest.approx(math.sqrt(0.01**2 + 0.02**2 + 0.03**2))
    days[[2, 3]] = np.nan
    none = by_current(days, good, 19000, 12.5, {}, 0.9)
    assert (none.method, none.days_used, none.ah.median) == ("none", 0, None)
    assert none.withheld == too_few(6)
    assert (none.voltage_v, none.efficiency, len(none.daily_ah)) == (12.5, 0.9, 0)
    days[2] = 40.0
    assert by_current(days, good, 19000, 12.5, {}, 0.9).days_used == 7


#: 8 A for six hours, of which nine tenths are kept, feed eighteen hours of rest and six of running:
#: L = eta Q / (T_off + eta T_on).
LOAD_AH = 24.0 * 0.9 * 48.0 / (18.0 + 0.9 * 6.0)
CONFIG = config_for(charge_efficiency=0.9)
RUNS, GRID = boat(30)
DAY = (GRID.local_s // 86400.0).astype(int)
FIRST = int(DAY[0])


def cells_of(day, hours, begin_h=8.0):
    """Return the cells of so many hours of a day of the log, at rest."""
    first = int(np.flatnonzero(FIRST + day == DAY)[0]) + int(12 * begin_h)
    return slice(first, first + round(12 * hours))


def load_of(monkeypatch, **flags):
    """Return the load where cells of the grid are helped or not known."""
    changed = {}
    for name, cells in flags.items():
        changed[name] = getattr(GRID, name).copy()
        for one in cells:
            changed[name][one] = name == "aided"
    if changed:
        monkeypatch.setattr("analysis.load.daily.make_grid", lambda *_: replace(GRID, **changed))
    return daily_load(RUNS, CONFIG)


def test_an_even_boat(monkeypatch):
    found = load_of(monkeypatch)
    assert found.method == "balance"
    assert found.ah.median == pytest.approx(LOAD_AH, rel=0.01)
    assert found.daily_ah == pytest.approx(np.full(30, LOAD_AH), rel=0.01)
    assert (found.ah_median, found.ah_p95) == pytest.approx((LOAD_AH, LOAD_AH), rel=0.03)
    # The first and the last day of the log have less than eighteen hours.
    assert found.days_left_out == {"other_source": 0, "gap": 2, "between_marks": 0}
    assert found.gap_s.tolist() == [86400.0 * FIRST, 86400.0 * int(DAY[-1])]
    assert found.daily_s.tolist() == [86400.0 * (FIRST + k) for k in range(1, 31)]
    assert found.days_used == 30
    assert found.voltage_v == pytest.approx(GRID.volts.mean())
    assert (found.efficiency, found.bank, found.doubts) == (0.9, CONFIG.battery, ())
    # From full to the next start eighteen hours of the load.
    assert found.start_ah == pytest.approx(LOAD_AH * 18.0 / 24.0, rel=0.08)
    assert found.pattern.sum() == pytest.approx(1.0)
    assert found.pattern.min() >= 0.5 / 8.0
    # An even load is told to a few per cent: 2.5 % are always left open, and what a configured
    # share is good to, 0.01 of 0.9 by the time at rest.
    lever = 0.01 * (1.0 / 0.9 - 6.0 / 23.4)
    own = found.draw_ah.mean(axis=1).std() / found.ah.median
    # The rests at either end of the log, whose charge is guessed to 15 % of a swing.
    guess = 2 * 0.15 * found.start_ah / (found.daily_ah.sum() + 2 * LOAD_AH)
    assert found.relative_sd == pytest.approx(
        math.sqrt(0.025**2 + lever**2 + own**2 + guess**2), rel=0.01
    )
    assert found.draw_ah.shape == (200, 30)
    assert found.draw_ah.mean() == pytest.approx(LOAD_AH, rel=0.01)


def test_another_share_kept_is_another_load():
    config = config_for(charge_efficiency=0.8)
    assert daily_load(RUNS, config).ah.median == pytest.approx(
        24.0 * 0.8 * 48.0 / (18.0 + 0.8 * 6.0), rel=0.01
    )


def test_help_of_a_fifth_of_an_hour_takes_a_day_out(monkeypatch):
    # Two cells are a sixth of an hour, three a quarter.
    found = load_of(monkeypatch, aided=[cells_of(5, 2 / 12), cells_of(9, 3 / 12)])
    assert found.days_left_out["other_source"] == 1
    assert found.other_s.tolist() == [86400.0 * (FIRST + 9)]
    assert found.help_h == pytest.approx([0.25])
    assert 86400.0 * (FIRST + 9) not in found.daily_s
    assert 86400.0 * (FIRST + 5) in found.daily_s
    assert found.ah.median == pytest.approx(LOAD_AH, rel=0.03)


def test_days_that_are_few_among_days_with_help_tell_no_rare_days(monkeypatch):
    # Ten days of help in thirty-three: with two thirds as the least part nothing is few.
    hour = [cells_of(day, 1.0) for day in range(10, 20)]
    usual = load_of(monkeypatch, aided=hour)
    assert not usual.few_alone
    assert usual.ah_p95 is not None
    assert usual.rare_withheld() is None
    monkeypatch.setattr("analysis.load.doubts.FEW_ALONE", 0.8)
    few = load_of(monkeypatch, aided=hour)
    assert few.few_alone
    assert few.ah == usual.ah
    assert (few.ah_p90, few.ah_p95, carried(few)) == (None, None, None)
    assert f"on only {few.days_used} days" in few.rare_withheld()
    assert few.document()["withheld"] == few.rare_withheld()
    shown = "  19 days in 20    not known: too few days without another source"
    assert shown in lines(few, 80)
    # With help all day long the boat asks for no charger, and such days do not count.
    all_day = load_of(monkeypatch, aided=[cells_of(day, 19.0, 4.0) for day in range(10, 20)])
    assert all_day.days_left_out["other_source"] == 10
    assert not all_day.few_alone


def test_what_flows_into_the_bank_beside_the_charger_is_told_by_its_current():
    # Two hours of 6 A into the bank on the second of three days, one hour of it not seen as help.
    # Of the other hour one cell of twelve is not told; where two are not, the charge is not known.
    drawn = np.full(864, 3.0)
    drawn[288 + 120 : 288 + 144] = -6.0
    aided = np.zeros(864, dtype=bool)
    aided[288 + 120 : 288 + 132] = True
    drawn[288 + 131] = np.nan
    index = np.arange(864) // 288
    given = given_ah_by_others(drawn, day_grid(aided=aided), index, 3)
    assert given == pytest.approx([0.0, 6.0 * 11 / 12, 0.0])
    drawn[288 + 130] = np.nan
    given = given_ah_by_others(drawn, day_grid(aided=aided), index, 3)
    assert given == pytest.approx([0.0, np.nan, 0.0], nan_ok=True)


def test_help_that_may_be_the_charger_itself_takes_a_day_out_and_charges_nothing(monkeypatch):
    filling = np.zeros(len(GRID.volts), dtype=bool)
    filling[cells_of(9, 1.0)] = True
    doubted = replace(GRID, filling=filling)
    monkeypatch.setattr("tests.analysis.load.test_daily_parts.GRID", doubted)
    found = load_of(monkeypatch, aided=[cells_of(5, 1.0), cells_of(9, 1.0)])
    assert found.other_s.tolist() == [86400.0 * (FIRST + 5), 86400.0 * (FIRST + 9)]
    assert found.help_h == pytest.approx([1.0, 0.0])


def test_a_day_that_no_stretch_covers_is_left_out(monkeypatch):
    # Ten minutes of help in the middle of a rest leave two parts of less than half a day; the day
    # between two such rests has but its run.
    rests = np.flatnonzero(np.diff(GRID.running.astype(int)) == -1)[9:11] + 1
    found = load_of(monkeypatch, aided=[slice(rest + 107, rest + 109) for rest in rests])
    assert found.days_left_out == {"other_source": 0, "gap": 2, "between_marks": 1}
    assert found.days_used == 29
    # All days are alike, so that one that is not seen adds no doubt.
    assert found.ah.median == pytest.approx(LOAD_AH, rel=0.01)
    assert found.relative_sd < 0.04


def test_a_day_needs_eighteen_hours(monkeypatch):
    found = load_of(monkeypatch, known=[cells_of(5, 6.0), cells_of(9, 73 / 12)])
    assert found.days_left_out["gap"] == 3
    assert 86400.0 * (FIRST + 9) in found.gap_s
    assert 86400.0 * (FIRST + 5) not in found.gap_s


def test_a_source_that_is_declared_takes_its_days_out():
    first = datetime.fromtimestamp(86400.0 * FIRST, UTC).date()
    shore = OtherSource("shore", first + timedelta(days=10), first + timedelta(days=12))
    found = daily_load(RUNS, replace(CONFIG, other_sources=(shore,)))
    # Its three days, and one on either side for any time zone.
    assert found.days_left_out["other_source"] == 5
    assert found.help_h.tolist() == [0.0] * 5
    # A source that charges along is spoken of, and doubted by a fifth.
    solar = OtherSource("solar", first - timedelta(days=100), None, watts=50.0)
    along = daily_load(RUNS, replace(CONFIG, other_sources=(solar,)))
    assert along.doubts[0].startswith("Charges along")
    plain = daily_load(RUNS, CONFIG)
    # What it gives is not known: the figure is what that leaves for the charger.
    least = f"at least {plain.ah.low:.0f} Ah a day."
    assert along.doubts[1] == f"What the boat herself uses the log does not show: {least}"
    assert (along.shared, plain.shared) == (True, False)
    assert along.ah == plain.ah
    assert along.relative_sd == pytest.approx(np.hypot(plain.relative_sd, 0.2), rel=0.01)


def test_a_week_carries_a_mean():
    for days, used in ((7, 7), (6, 0)):
        found = daily_load(boat(days)[0], CONFIG)
        assert found.days_used == used
    assert found.withheld == too_few(6)
    one = daily_load(boat(1)[0], CONFIG)
    assert one.withheld.startswith("it takes 3 stretches from one start of the charger")
    assert one.days_used == 0


def test_only_the_last_two_years_count():
    assert LATEST_DAYS == 730
    runs, _ = boat(10)
    old = replace(runs.log, start_s=runs.log.start_s - 800 * 86400.0)
    found = daily_load(find_runs(joined(old, runs.log), RATED_W), CONFIG)
    assert found.days_used == daily_load(runs, CONFIG).days_used


def test_a_bank_that_is_in_float_most_of_the_time_never_starts(monkeypatch):
    # Where two stretches of a kind are too few, the charge at a start is not told.
    assert daily_load(RUNS, CONFIG).start_ah is not None
    floats = [cells_of(day, 3.0, begin_h=17.0) for day in range(2, 28)]
    grid = replace(GRID, in_float=GRID.in_float.copy())
    for cells in floats:
        grid.in_float[cells] = True
    share = grid.in_float.sum() / grid.running.sum()
    monkeypatch.setattr("analysis.load.daily.make_grid", lambda *_: grid)
    assert share > 0.3
    assert daily_load(RUNS, CONFIG).start_ah == 0.0
