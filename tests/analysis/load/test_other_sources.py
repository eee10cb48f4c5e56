"""The log on its grid; help by voltages drawn by hand, and in a recording of a bank near full."""

from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.load.daily import daily_load
from analysis.load.sources.other_sources import (
    LEAD,
    LFP,
    STEP_S,
    find_aided,
    find_filling,
    find_loads_off,
    find_raised,
    make_grid,
    start_rise,
)
from logger.other_sources import OtherSource
from tests.support.boats.bank_boats import BankBoat
from tests.support.boats.near_full import NearFull, recorded

HOUR = 12


def grid_of(start_s, length_s, volts, amps, running, chemistry="agm", ceiling_v=14.2, zone=UTC):
    log = SimpleNamespace(
        start_s=np.asarray(start_s, dtype=float),
        end_s=np.asarray(start_s, dtype=float) + length_s,
        duration_s=np.broadcast_to(np.asarray(length_s, dtype=float), len(start_s)),
        voltage_mean_v=np.asarray(volts, dtype=float),
        voltage_min_v=np.asarray(volts, dtype=float),
        voltage_max_v=np.asarray(volts, dtype=float),
        charge_c=np.asarray(amps) * length_s,
    )
    return make_grid(
        SimpleNamespace(log=log, running=np.asarray(running)), chemistry, ceiling_v, zone
    )


def test_records_fall_on_the_cells_whose_middle_they_hold():
    # From 40 s past a full cell on, in records of ten minutes, then one after a gap.
    begin = 300.0 * 5_000_000
    start = begin + 40.0 + np.array([0.0, 600.0, 1200.0, 6000.0])
    grid = grid_of(
        start, 600.0, [12.4, 12.5, 12.6, 12.7], [0.0, 4.0, 8.0, 0.0], [False, True, True, False]
    )
    assert grid.start_s == begin + 150.0
    # The last cell is the one in which the log ends.
    assert len(grid.volts) == int((6000.0 + 640.0 - 150.0) / STEP_S) + 1
    assert grid.volts[:6] == pytest.approx([12.4, 12.4, 12.5, 12.5, 12.6, 12.6])
    assert grid.amps[:6] == pytest.approx([0.0, 0.0, 4.0, 4.0, 8.0, 8.0])
    assert grid.running[:6].tolist() == [False, False, True, True, True, True]
    # A cell within 25 minutes of the end of a record (1840 s) is known.
    middle_s = 150.0 + STEP_S * np.arange(len(grid.volts))
    gap = (middle_s >= 1840.0 + 1500.0) & (middle_s < 6040.0)
    assert grid.known.tolist() == (~gap).tolist()
    assert np.isnan(grid.volts[gap]).all()
    assert not grid.running[gap].any()
    assert grid.local_s == pytest.approx(begin + middle_s)
    assert grid.zone is UTC


def test_a_bank_of_two_blocks_is_told_by_one():
    start = 1.5e9 + 300.0 * np.arange(50)
    grid = grid_of(start, 300.0, np.full(50, 25.2), np.zeros(50), np.zeros(50, dtype=bool))
    assert grid.blocks == 2
    assert grid.volts == pytest.approx(np.full(50, 12.6))
    volts = np.full(50, 12.6)
    volts[3] = np.nan
    assert not grid_of(start, 300.0, volts, np.zeros(50), np.zeros(50, dtype=bool)).known[3]


def test_the_clock_of_a_zone_by_the_day():
    # New Zealand changed its clock at 02:00 of 2024-04-07, 14:00 UTC of the day before: here each
    # day of UTC has one offset. The first cell is the last of its day.
    begin = datetime(2024, 4, 5, 23, 55, tzinfo=UTC).timestamp()
    zone = ZoneInfo("Pacific/Auckland")
    start = begin + 300.0 * np.arange(2 + 2 * 288)
    grid = grid_of(
        start, 300.0, np.full(len(start), 12.6), np.zeros(len(start)),
        np.zeros(len(start), dtype=bool), zone=zone,
    )  # fmt: skip
    ahead_h = (grid.local_s - start - 150.0) / 3600.0
    assert ahead_h[0] == 13.0
    assert set(ahead_h[1:289]) == {13.0}
    assert set(ahead_h[289:]) == {12.0}


def starts(rise_v, count=3, rest=20, run=20):
    """Return voltage and running of so many starts; the first record of a run is lower."""
    one = np.r_[
        np.full(rest, 12.0), np.full(6, 12.0 + 0.5 * rise_v), np.full(run - 6, 12.0 + rise_v)
    ]
    v, running = np.tile(one, count), np.tile(np.arange(rest + run) >= rest, count)
    return np.r_[v, np.full(20, 12.0)], np.r_[running, np.zeros(20, dtype=bool)]


def test_the_rise_at_a_start_is_from_before_it_to_half_an_hour_later():
    assert start_rise(*starts(0.7)) == pytest.approx(0.7)
    # Two starts are too few; then 0.9 V is taken.
    assert start_rise(*starts(0.7, 2)) == 0.9
    # A run of less than ten cells, or a rest of less than three, is no start.
    assert start_rise(*starts(0.7, run=10)) == pytest.approx(0.7)
    assert start_rise(*starts(0.7, run=9)) == 0.9
    assert start_rise(*starts(0.7, rest=3)) == pytest.approx(0.7)
    assert start_rise(*starts(0.7, rest=2)) == 0.9
    v, running = starts(0.7)
    assert start_rise(np.where(running, np.nan, v), running) == 0.9
    # The cells at 6 to 9 over those two and three before.
    v, running = starts(0.7)
    begin = np.array([20, 60, 100])
    v[begin - 1] = 99.0
    v[begin[:, None] + np.arange(6)] = 99.0
    assert start_rise(v, running) == pytest.approx(0.7)
    v[begin - 3] -= 0.2
    assert start_rise(v, running) == pytest.approx(0.8)
    # The median of three.
    v, running = starts(0.7)
    v[60:80] = 12.0
    assert start_rise(v, running) == pytest.approx(0.7)


def aided(v, running=None, amps=None, known=None, kind=LEAD):
    v = np.asarray(v, dtype=float)
    running = np.zeros(len(v), dtype=bool) if running is None else running
    amps = 8.0 * running if amps is None else amps
    known = np.ones(len(v), dtype=bool) if known is None else known
    return np.flatnonzero(find_aided(v, amps, running, known, kind)).tolist()


def test_at_rest_a_rise_above_a_rested_voltage_is_help():
    # 0.30 V within an hour, ending above 12.90 V.
    for low, high, told in ((12.6, 12.91, True), (12.6, 12.895, False), (12.65, 12.94, False)):
        v = np.r_[np.full(24, low), np.full(24, high)]
        assert bool(aided(v)) is (told and high >= 12.95), (low, high)
    v = np.r_[np.full(24, 12.7), np.full(24, 13.01)]
    assert aided(v) == list(range(24, 48))
    assert aided(np.r_[np.full(24, 12.72), np.full(24, 13.01)]) == []
    # Over more than an hour it is no such rise.
    slow = np.r_[np.full(24, 12.7), np.linspace(12.7, 13.01, 20), np.full(24, 13.01)]
    assert aided(slow) == []
    # A fall by 0.20 V within twenty minutes ends it; so does a gap, or 12.95 V.
    fall = np.r_[v, np.full(5, 13.3), np.full(12, 13.09)]
    assert aided(fall) == list(range(24, 53))
    slow = np.r_[v, np.linspace(13.01, 12.951, 30), np.full(3, 12.949)]
    assert aided(slow) == list(range(24, 78))
    known = np.arange(48) != 40
    assert aided(np.where(known, v, np.nan), known=known) == list(range(24, 40))


def test_a_bank_that_stays_high_when_surface_charge_has_gone_is_helped():
    running = np.arange(120) < 12
    v = np.where(running, 13.5, 13.16)
    # Six hours after the run: 72 cells and more.
    assert aided(v, running) == list(range(12 + 72, 120))
    assert aided(np.where(running, 13.5, 13.15), running) == []
    assert aided(np.full(30, 13.16)) == list(range(30)), "where it never ran"


def test_while_it_runs_a_jump_beyond_its_loads_is_help():
    # Two hours of running that climb slowly; then a jump within ten minutes.
    def run(jump, push=0.0, at=36):
        v = np.r_[np.full(6, 12.6), 13.1 + 0.001 * np.arange(60)]
        v[at:] += jump
        running = np.arange(66) >= 6
        amps = np.where(running, 8.0, 0.0)
        amps[at:] += push
        return aided(v, running, amps)

    # No three starts: loads may lift it by 0.4 of 0.9 V.
    assert run(0.37) == list(range(36, 66))
    assert run(0.35) == []
    # If the charger's current rose by more than a tenth it was the charger.
    assert run(0.37, push=0.9) == []
    assert run(0.37, push=0.7) == list(range(36, 66))
    # Within half an hour of the start it is warm-up.
    assert run(0.37, at=12) == []
    # Early in a run its response to loads is taken for 0.30 V: 0.45 V at least.
    assert run(0.44, at=24) == []
    assert run(0.46, at=24) == list(range(24, 66))
    # Half as much again as it moved in the three hours before.
    v = np.r_[np.full(6, 12.6), np.full(84, 13.1)]
    v[40:50] += 0.3
    v[60:] += 0.44
    running = np.arange(90) >= 6
    assert aided(v, running) == []
    v[60:] += 0.02
    assert aided(v, running) == list(range(60, 90))


def test_help_in_a_run_ends_when_the_voltage_falls_and_the_current_does_not():
    # Something lifts a run at 8 A by 0.5 V, and goes away an hour later.
    v = np.r_[np.full(6, 12.6), np.full(40, 13.1), np.full(12, 13.6), np.full(20, 13.3)]
    running = np.arange(len(v)) >= 6
    for less, ends in ((0.79, True), (0.81, False)):
        amps = np.where(running, 8.0, 0.0)
        amps[58:] -= less
        # With a tenth less current the fall is the charger's own.
        found = aided(v, running, amps)
        assert found[0] == 46
        assert (found[-1] == 57) is ends


def test_a_charger_that_gives_nothing_at_a_high_voltage_is_held_up():
    running = np.ones(60, dtype=bool)
    running[0] = False
    amps = np.where(np.arange(60) < 40, 8.0, 0.39)
    v = np.where(running, 13.31, 12.6)
    # Twenty minutes of less than a twentieth, 0.25 V above the highest resting voltage.
    assert aided(v, running, amps) == list(range(43, 60))
    assert aided(v, running, np.where(amps < 1.0, 0.41, amps)) == []
    assert aided(np.where(running, 13.29, 12.6), running, amps) == []


def test_a_load_that_goes_off_before_the_ceiling_may_be_the_charger_that_fills_the_bank():
    # A run at 8 A, a jump at cell 40, and what was taken for an hour of help from there on; at the
    # ceiling the charger gives less and less.
    def filled(jump=0.4, at_top=8, last_a=3.0, begins=6):
        v = np.r_[np.full(6, 12.6), np.full(34, 13.9), np.full(12, 13.9 + jump), np.full(8, 13.6)]
        running = np.arange(60) >= begins
        amps = np.where(running, 8.0, 0.0)
        held = np.zeros(60, dtype=bool)
        held[52 - at_top : 52] = True
        amps[51] = last_a
        helped = np.zeros(60, dtype=bool)
        helped[40:52] = True
        return np.flatnonzero(find_filling(helped, v, amps, running, held)).tolist()

    assert filled() == list(range(40, 52))
    # Three tenths of the time at the ceiling: 3.6 of 12 cells.
    assert filled(at_top=4) == list(range(40, 52))
    assert filled(at_top=3) == [], "it goes on giving all it can: another source"
    # Twice the rise at a start, which without three starts is 0.9 V.
    assert filled(jump=1.79) == list(range(40, 52))
    assert filled(jump=1.81) == []
    # Nothing at all, less than a twentieth of 8 A, is given beside another source.
    assert filled(last_a=0.41) == list(range(40, 52))
    assert filled(last_a=0.39) == []
    # Help that begins at rest is none of the charger's.
    assert filled(begins=41) == []


def test_an_lfp_bank_has_limits_of_its_own():
    # A rise by 0.1 V within an hour, ending above 13.30 V; it ends when it sinks by 10 mV.
    v = np.r_[np.full(24, 13.25), np.full(40, 13.36)]
    assert aided(v, kind=LFP) == list(range(24, 64))
    assert aided(np.r_[np.full(24, 13.27), np.full(40, 13.36)], kind=LFP) == []
    sunk = np.r_[v, np.full(30, 13.345)]
    assert aided(sunk, kind=LFP)[-1] < 64 + HOUR
    stays = np.r_[v, np.full(30, 13.355)]
    assert aided(stays, kind=LFP) == list(range(24, 94))


def test_an_lfp_bank_stays_high_for_twelve_hours_by_itself():
    running = np.arange(200) < 12
    # After a run at 13.6 V it sinks by less than 10 mV in two hours, above 13.55 V.
    v = np.where(running, 13.6, 13.56)
    assert aided(v, running, kind=LFP) == list(range(12 + 144, 200))
    assert aided(np.where(running, 13.6, 13.55), running, kind=LFP) == []
    # A fall by 50 mV within twenty minutes ends the help, until it rises again.
    up = np.r_[np.full(24, 13.25), np.full(24, 13.50)]
    for fall, ended in ((0.051, True), (0.049, False)):
        fell = np.r_[up, np.full(3, 13.50 - fall)]
        assert (aided(fell, kind=LFP)[-1] < 48) is ended
    # The climb of a bank that is nearly full is its own: 0.1 V in the two hours before.
    for climb, told in ((0.09, True), (0.11, False)):
        v = np.r_[np.full(10, 13.2), np.full(30, 13.5), 13.5 + climb * np.arange(25) / 24.0]
        v = np.r_[v, np.full(20, 13.5 + climb + 0.4)]
        running = np.arange(len(v)) >= 10
        assert bool(aided(v, running, kind=LFP)) is told, climb


def test_the_ceiling_of_two_blocks_is_halved():
    start = 1.5e9 + 300.0 * np.arange(120)
    on = np.ones(120, dtype=bool)
    # 14.1 V a block for ten hours, beside a ceiling of 14.2 V: its own.
    grid = grid_of(start, 300.0, np.full(120, 14.1), np.full(120, 8.0), on)
    assert not grid.aided.any()
    two = grid_of(start, 300.0, np.full(120, 28.2), np.full(120, 8.0), on, ceiling_v=28.4)
    assert (two.blocks, two.aided.any()) == (2, np.False_)
    far = grid_of(start, 300.0, np.full(120, 28.2), np.full(120, 8.0), on, ceiling_v=29.2)
    assert far.aided.any()


def test_a_bank_low_down_is_raised_by_more_than_all_loads():
    v = np.full(80, 12.0)
    v[50:] = 12.0 + 0.77  # 0.85 of 0.9 V
    nothing = np.zeros(80, dtype=bool)
    assert np.flatnonzero(find_raised(v, nothing)).tolist() == list(range(50, 74))
    assert not find_raised(np.where(v > 12.0, 12.76, v), nothing).any()
    # Not within two hours of running.
    running = np.zeros(80, dtype=bool)
    running[:40] = True
    assert np.flatnonzero(find_raised(v, running)).tolist() == list(range(64, 74))


#: Days of a recording that is made apart from both simulators.
DAYS = 40


def helped(aided):
    """Return on which days something else charged for more than twelve minutes."""
    return aided[: DAYS * 288].reshape(DAYS, 288).sum(axis=1) / 12.0 > 0.2


def told(boat, seed=7):
    """Return the days told, those that the jumps alone would tell, and the true ones."""
    history, load_ah, fed_ah = recorded(boat, DAYS, seed)
    runs = find_runs(history, boat.charger_w)
    grid = make_grid(runs, "agm")
    jumps = find_aided(grid.volts, grid.amps, grid.running, grid.known, LEAD)
    return helped(grid.aided), helped(jumps), fed_ah > 0.05 * load_ah


@pytest.mark.parametrize(
    "boat",
    [
        NearFull(),
        NearFull(later_ohm=0.04),
        NearFull(charger_w=75.0, pump_a=7.0),
        NearFull(full_ohm=1.6),
    ],
    ids=["usual", "low_resistance", "weak_charger", "less_near_full"],
)
def test_days_with_the_charger_alone_are_kept(boat):
    days, jumps, fed = told(boat)
    assert not fed.any()
    assert jumps.sum() >= 10, "the recording does not ask for the rule"
    assert days.sum() <= 2


#: A sound bank, of low resistance near full: the engine gives it a twentieth of a day's load.
SOUND = NearFull(capacity_ah=300.0, full_ohm=0.2, later_ohm=0.02, charger_w=75.0)


@pytest.mark.parametrize("engine_a", [20.0, 40.0])
def test_days_with_the_engine_are_found_as_by_the_jumps(engine_a):
    days, jumps, fed = told(replace(SOUND, engine_a=engine_a))
    assert fed.sum() >= 9
    assert (days & fed).sum() == (jumps & fed).sum() >= 9
    assert (days & ~fed).sum() <= 1


def test_days_with_shore_power_are_found():
    days, _, fed = told(replace(SOUND, shore_a=15.0))
    assert fed.sum() >= 8
    assert (days & fed).sum() == fed.sum()
    days, _, fed = told(NearFull(shore_a=15.0))
    assert (days & fed).sum() == fed.sum()


def test_the_load_rests_on_the_days_that_are_kept():
    boat = NearFull()
    history, load_ah, _ = recorded(boat, DAYS, 7)
    owner = replace(BankBoat("aft locker", 1), told_ah=220.0, rated_w=boat.charger_w)
    found = daily_load(find_runs(history, boat.charger_w), owner.config())
    assert found.days_left_out["other_source"] <= 2
    assert found.days_used >= 35
    assert found.ah.low < load_ah.mean() < found.ah.high


def test_many_days_with_a_source_are_told_until_the_owner_names_one():
    boat = replace(SOUND, shore_a=15.0)
    history, _, fed_ah = recorded(boat, DAYS, 7)
    owner = replace(BankBoat("aft locker", 1), told_ah=300.0, rated_w=boat.charger_w).config()
    runs = find_runs(history, boat.charger_w)
    found = daily_load(runs, owner)
    days = found.days_left_out["other_source"]
    assert (fed_ah > 0.5).sum() - 1 <= days <= (fed_ah > 0.5).sum() + 1
    (said,) = (text for text in found.doubts if "[[other_sources]]" in text)
    assert said.startswith(f"On {days} of {DAYS} days the voltage rose as if something else")
    named = replace(
        owner, other_sources=(OtherSource("shore", date(2024, 5, 5), date(2024, 5, 8)),)
    )
    assert not any("[[other_sources]]" in text for text in daily_load(runs, named).doubts)


def jump(**changed):
    """Return what is marked of an hour after a jump of 0.5 V in a run at 8 A, by hand."""
    v = np.r_[np.full(6, 12.6), np.full(84, 13.2), np.full(12, 13.7), np.full(8, 13.2)]
    # The other loads move it by 0.1 V.
    v[90:102] += 0.1 * (np.arange(12) % 2)
    running, amps = np.arange(110) >= 6, np.full(110, 8.0)
    amps[:6] = 0.0
    last = changed.get("last", 102)
    aided = (np.arange(110) >= 90) & (np.arange(110) < last)
    for at, volts in changed.get("volts", {}).items():
        v[at] = volts
    for at, given in changed.get("amps", {}).items():
        amps[at] = given
    held_back = np.isin(np.arange(110), changed.get("held_back", ()))
    return np.flatnonzero(find_loads_off(aided, v, amps, running, held_back)).tolist()


def jumps(*at, idle=(), spread_v=0.3):
    """Return how many cells of each jump are a load's; ``at`` gives day and cell of the day.

    Each jump lasts for an hour, by a volt or up to ``spread_v`` more; those named in ``idle`` leave
    the charger without current.
    """
    count = 288 * 12
    v, amps = np.full(count, 13.2), np.full(count, 8.0)
    running, aided = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    begins = [288 * day + cell for day, cell in at]
    for number, first in enumerate(begins):
        aided[first : first + 12] = True
        v[first : first + 12] += 1.0 + 0.5 * spread_v * (number % 3)
        v[first : first + 12] += 0.06 * (np.arange(12) % 2)
        if number in idle:
            amps[first + 4 : first + 8] = 0.0
    own = find_loads_off(aided, v, amps, running, np.zeros(count, dtype=bool))
    return [int(own[first : first + 12].sum()) for first in begins]


def test_a_load_that_goes_off_at_its_hour_is_no_source():
    evening = [(day, 276 + 6 * (day % 2)) for day in range(6)]
    assert jumps(*evening) == [12] * 6, "on five other days within half an hour"
    assert jumps(*evening[:5]) == [0] * 5
    assert jumps(*evening[:5], (5, 260)) == [0] * 6, "an hour and a half before the others"
    # Across midnight they are as near.
    assert jumps(*[(day, 284) for day in range(5)], (6, 2)) == [12] * 6
    # A source has its own voltage, which it reaches each day.
    assert jumps(*evening, spread_v=0.15) == [12] * 6
    assert jumps(*evening, spread_v=0.03) == [0] * 6
    # An engine at its hour: the charger is idle beside it on most days.
    assert jumps(*[(day, 100) for day in range(12)], idle=range(6)) == [0] * 12
    assert jumps(*[(day, 100) for day in range(11)], idle=range(4)) == [0] * 4 + [12] * 7
    assert jumps(*evening, idle=(5,)) == [0] * 6, "one of six shows a source, four are left"


def test_what_a_source_leaves_behind():
    inside = list(range(90, 102))
    assert jump() == inside
    # The charger gives nothing for ten minutes.
    assert jump(amps={95: 0.3, 96: 0.3}) == []
    assert jump(amps={95: 0.3}) == inside
    # The voltage stands within 40 mV: three half hours that end in eight cells.
    still = {k: 13.7 + 0.04 * (k % 2) for k in range(90, 98)}
    assert jump(volts=still) == []
    assert jump(volts={**still, 97: 13.75}) == inside
    assert jump(volts={k: v - 0.41 for k, v in still.items()}) == inside, "not above 13.3 V"
    # Where the bank sets the current, it is the charger that holds the voltage.
    assert jump(volts=still, held_back=[93]) == inside
    # So it is at less than 0.85 of the usual 8 A.
    assert jump(volts=still, amps={93: 6.7}) == inside
    assert jump(volts=still, amps={93: 6.9}) == []
    # 0.85 of 0.9 V above the six hours before, for 40 minutes.
    high = {k: 13.2 + 0.72 + 0.06 * (k % 2) for k in range(90, 102)}
    assert jump(volts=high) == []
    assert jump(volts={k: v - 0.03 for k, v in high.items()}) == inside
    assert jump(volts=high, last=97) == list(range(90, 97))
    assert jump(volts={**high, 20: 13.4}) == inside, "before the load came it was as high"
