"""Loads that go off while the charger runs, on a recording made apart from both simulators."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.load.daily import daily_load
from analysis.load.other_sources import LEAD, find_aided, find_loads_off, make_grid
from logger.other_sources import OtherSource
from tests.support.boats.bank_boats import BankBoat
from tests.support.boats.near_full import NearFull, recorded

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
    return np.flatnonzero(find_loads_off(aided, v, amps, running)).tolist()


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
    # At less than 0.85 of its current it is the charger that holds the voltage.
    assert jump(volts=still, amps={93: 6.7}) == inside
    # 0.85 of 0.9 V above the six hours before, for 40 minutes.
    high = {k: 13.2 + 0.72 + 0.06 * (k % 2) for k in range(90, 102)}
    assert jump(volts=high) == []
    assert jump(volts={k: v - 0.03 for k, v in high.items()}) == inside
    assert jump(volts=high, last=97) == list(range(90, 97))
    assert jump(volts={**high, 20: 13.4}) == inside, "before the load came it was as high"
