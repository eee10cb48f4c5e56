"""Container changes that nobody recorded, found on a boat whose changes are known."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.fuel.changes import FOUND, Stop, changes, credible, find_changes
from analysis.fuel.dry_stops import Sign, dry_stops, ran_dry
from analysis.history.history import STATE_CODE
from analysis.history.runs import find_runs
from analysis.show.screen.fuel import lines
from logger.config import FuelConfig
from logger.event import Event
from logger.reading import OperatingState
from tests.support.asked import fuel_outlook
from tests.support.boats.small_boat import START_S, SmallBoat, sail
from tests.support.configurations import config_for

DAY_S = 86400.0
OFF = STATE_CODE[OperatingState.OFF]
FUEL = FuelConfig(l_per_kwh=0.9, container_l=10.0)


@pytest.fixture(scope="module")
def dry():
    """A charger that stops at once when its container is empty."""
    return sail(SmallBoat(days=70, l_per_kwh=0.97, container_l=10.0, refuel_h=60.0))


@pytest.fixture(scope="module")
def fading():
    """One whose output fades over the last of the fuel; changed soon."""
    return sail(SmallBoat(days=70, l_per_kwh=0.97, container_l=10.0, fading_l=0.05, refuel_h=2.0))


def found_in(history):
    return find_changes(find_runs(history, 110.0), FUEL)


def test_changes_that_nobody_recorded_are_found_where_the_charger_waited_for_fuel(dry):
    history, truth = dry
    found = found_in(history)
    # The last two ran dry when the battery was nearly full: such a stop is not clear.
    assert len(truth.changes_s) == 5
    assert [e.time_s for e in found] == pytest.approx(truth.changes_s[:3], abs=7200.0)
    assert all(e.text == FOUND for e in found)
    outlook = fuel_outlook(history, config_for())
    assert outlook.document()["container_changes"] == "found"
    assert len(outlook.use.counted) == 2
    assert "was not recorded" in outlook.withheld["litres_left"]
    assert outlook.l_per_kwh.median == pytest.approx(0.97, rel=0.03)
    screen = " ".join(lines(outlook, None, 80))
    assert "changes found in the log, none is recorded" in " ".join(screen.split())
    # A record, be it only one, is believed before what the log seems to show.
    one = replace(history, events=(Event(1, truth.changes_s[0], "fuel", 10.0),))
    assert fuel_outlook(one, config_for()).changes == "recorded"
    assert not changes(history.events, float(history.end_s[-1]))


def test_an_output_that_fades_out_tells_an_empty_container(fading):
    history, truth = fading
    found = found_in(history)
    assert len(truth.changes_s) == len(found) == 5
    places = np.searchsorted(find_runs(history, 110.0).start_s, truth.changes_s)
    assert np.array_equal(np.searchsorted(find_runs(history, 110.0).start_s, times(found)), places)


def test_a_full_battery_or_a_float_is_no_fading():
    # Charges end in a taper at the ceiling; the ceiling of winter lies above that of summer.
    history, _ = sail(SmallBoat(days=60))
    later = history.start_s > START_S + 30.0 * DAY_S
    lifted = {
        name: getattr(history, name) + np.where(later, 0.4, 0.0) * (getattr(history, name) > 13.5)
        for name in ("voltage_mean_v", "voltage_max_v", "voltage_min_v", "voltage_last_v")
    }
    assert found_in(history) == ()
    assert found_in(replace(history, **lifted)) == ()


def times(found):
    return [event.time_s for event in found]


def switched_off(state=None):
    """Return a boat whose charger, never short of fuel, was thrice switched off for two days."""
    off = ((9.6, 11.6), (14.1, 16.1), (40.3, 42.3))
    history, _ = sail(SmallBoat(days=60, switched_off=off))
    day = (history.start_s - START_S) / DAY_S
    quiet = np.any([(day >= begin) & (day < end) for begin, end in off], axis=0)
    assert history.voltage_mean_v[quiet].min() < 12.2  # it would have started at 12.35 V
    if state is not None:
        history = replace(history, state=np.where(quiet, STATE_CODE[state], history.state))
    return history


def test_a_charger_that_was_switched_off_by_hand_does_not_wait_for_fuel():
    # Nothing but the energy between them tells that no container can have run dry.
    assert found_in(switched_off()) == ()
    assert found_in(switched_off(OperatingState.OFF)) == ()


def test_a_state_that_says_off_is_believed_unless_it_is_the_word_for_rest(dry):
    history, truth = dry
    state = history.state.copy()
    for at in truth.changes_s:
        state[(history.start_s < at) & (history.start_s > at - 2.4 * DAY_S)] = OFF
    assert len(found_in(history)) == 3
    assert found_in(replace(history, state=state)) == ()
    always = np.where(history.state == STATE_CODE[OperatingState.STANDBY], OFF, history.state)
    assert len(found_in(replace(history, state=always))) == 3


def test_a_refill_at_its_end_tells_waiting_from_switching_off(dry):
    history, truth = dry
    runs = find_runs(history, 110.0)
    # The last two ran dry near full, which nothing shows.
    assert ran_dry(runs, truth.changes_s) == [True, True, True, False, False]
    off = find_runs(switched_off(OperatingState.OFF), 110.0)
    assert ran_dry(off, [START_S + day * DAY_S for day in (11.5, 16.0)]) == [False, False]


@pytest.mark.parametrize("fault_h", [2.0, 0.1])
def test_a_fault_that_lasts_tells_an_empty_container(dry, fault_h):
    history, truth = dry
    state = history.state.copy()
    for at in truth.changes_s:
        state[(history.start_s < at) & (history.start_s > at - fault_h * 3600.0)] = STATE_CODE[
            OperatingState.FAULT
        ]
    quick = replace(history, state=state, voltage_mean_v=np.maximum(history.voltage_mean_v, 12.35))
    assert len(found_in(quick)) == (3 if fault_h > 1.0 else 0)


def test_a_charger_with_many_faults_tells_no_container_by_them():
    # It stops with a fault five times in each container: that is another fault.
    boat = SmallBoat(days=70, capacity_ah=400.0, base_a=3.0, container_l=2.0, refuel_h=3.0)
    history, truth = sail(boat)
    state = history.state.copy()
    for at in truth.changes_s:
        state[(history.start_s < at) & (history.start_s > at - 2.5 * 3600.0)] = STATE_CODE[
            OperatingState.FAULT
        ]
    faulty = replace(history, state=state)
    signs = [sign for _, sign in dry_stops(find_runs(faulty, 110.0))]
    assert signs.count(Sign.FAULT) > 10
    assert found_in(faulty) == ()
    # Where containers are that small it is what it seems.
    small = find_changes(find_runs(faulty, 110.0), replace(FUEL, container_l=2.0))
    assert len(small) > 10


def test_a_gauge_that_told_little_leaves_the_stops_to_speak(fading):
    history, _ = fading
    level = np.full(len(history), np.nan)
    level[-500:] = 5.0
    assert len(found_in(replace(history, fuel_l=level))) == 5


def test_faults_closer_than_a_container_are_one_change(dry):
    history, truth = dry
    # The empty unit was started once more, ran for some minutes and gave up again.
    at = int(np.searchsorted(history.start_s, truth.changes_s[0] - 30.0 * 3600.0))
    names = ("energy_j", "charge_c")
    stirred = {name: getattr(history, name).copy() for name in names}
    stirred["energy_j"][at], stirred["charge_c"][at] = 80.0 * 600.0, 6.5 * 600.0
    state = history.state.copy()
    waits = (history.start_s < truth.changes_s[0]) & (
        history.start_s > truth.changes_s[0] - 58.0 * 3600.0
    )
    state[waits] = STATE_CODE[OperatingState.FAULT]
    state[at] = STATE_CODE[OperatingState.RUNNING]
    found = found_in(replace(history, state=state, **stirred))
    assert len(found) == 3
    assert found[0].time_s == pytest.approx(truth.changes_s[0], abs=7200.0)


def test_a_gauge_tells_changes_before_the_container_is_empty(fading):
    history, _ = fading
    used = 0.97 * np.cumsum(history.energy_j) / 3.6e6
    # Changed at 1.5 L, whatever the charger did.
    level = 10.0 - used % 8.5
    rng = np.random.default_rng(4)
    level += 0.1 * rng.standard_normal(len(level))
    level[rng.random(len(level)) < 0.01] = 9.9  # the fuel sloshes
    found = found_in(replace(history, fuel_l=level))
    filled = history.start_s[1:][np.diff(used // 8.5) > 0.0]
    assert len(filled) == len(found) == 7
    assert times(found) == pytest.approx(filled, abs=900.0)


def test_a_charger_that_never_waits_changes_nothing():
    history, _ = sail(SmallBoat(days=60))
    assert found_in(history) == ()
    unread = replace(history, voltage_mean_v=np.full(len(history), np.nan))
    assert found_in(unread) == ()
    assert fuel_outlook(replace(history, events=()), config_for()).changes == "none"


def test_which_records_are_changes():
    told = (
        Event(1, 300.0, "fuel", 10.0), Event(2, 100.0, "fuel", 5.0), Event(3, 50.0, "note"),
        Event(4, 200.0, "fuel", 10.0, struck=True), Event(5, 250.0, "fuel"),
        Event(6, 4000.0, "fuel", 10.0), Event(7, 4001.0, "fuel", 10.0),
    )  # fmt: skip
    # In order of time, up to an hour behind the end of the log; not struck, and with litres.
    assert [e.id for e in changes(told, 400.0)] == [2, 1, 6]
    assert changes((), 400.0) == []


def stop(kwh, sign, at=None):
    return Stop(1000.0 * kwh if at is None else at, kwh, sign)


def believed(*stops):
    """Return the energy at which containers of 10 kWh are believed to have run dry."""
    return [s.energy_kwh for s in credible(stops, 10.0)]


def test_energy_decides_which_stops_are_believed():
    waited, fault, faded = Sign.WAITED, Sign.FAULT, Sign.FADED
    # A weak sign needs a neighbour at 0.65 to 1.45 of a container.
    assert believed(stop(10.0, waited)) == []
    assert believed(stop(10.0, fault)) == [10.0]
    for apart, told in ((6.4, False), (6.6, True), (14.4, True), (14.6, False)):
        both = stop(10.0, waited), stop(10.0 + apart, waited)
        assert bool(believed(*both)) is told, apart
    # With less than half of a container between two the stronger sign stays.
    assert believed(stop(10.0, fault), stop(14.9, faded)) == [14.9]
    assert believed(stop(10.0, faded), stop(14.9, fault)) == [10.0]
    assert believed(stop(10.0, fault), stop(14.9, fault)) == [10.0]
    assert believed(stop(10.0, fault), stop(15.0, fault)) == [10.0, 15.0]
    # A neighbour at the very share is no neighbour: 6.5 and 14.5 of 10 kWh.
    for kwh, both in ((6.5, []), (6.6, [0.0, 6.6]), (14.4, [0.0, 14.4]), (14.5, [])):
        assert believed(stop(0.0, waited), stop(kwh, waited)) == both
    # Less than a tenth is a restart on the same container: the later time, the stronger sign.
    restart = stop(10.0, faded), stop(10.9, waited), stop(20.0, waited)
    assert believed(*restart) == [10.9, 20.0]
    assert believed(*restart[:2]) == [10.9], "it is as sure as the stronger of both"
    assert believed(stop(10.0, waited), stop(10.9, waited)) == []
    assert believed(stop(10.0, faded), stop(11.1, waited)) == [10.0]


def test_a_gauge_must_rise_by_a_quarter_and_stay():
    history, _ = sail(SmallBoat(days=20))
    few = history.select(np.arange(100))

    def found(level):
        return times(found_in(replace(few, fuel_l=np.asarray(level, dtype=float))))

    at = few.start_s
    step = np.arange(100) >= 50
    assert found(5.0 + 2.6 * step) == [at[50]]
    assert found(5.0 + 2.5 * step) == []
    # Two changes; the steepest place of each.
    twice = 2.0 + 3.0 * step + 3.0 * (np.arange(100) >= 80)
    assert found(twice) == [at[50], at[80]]
    # Three high values are sloshing; four of seven are not.
    slosh = np.full(100, 5.0)
    slosh[40:43] = 9.0
    assert found(slosh) == []
    # Half of the intervals must have told a level.
    gaps = np.where(np.arange(100) % 2 == 0, 5.0 + 3.0 * step, np.nan)
    assert found(gaps) == []
    gaps[1] = 5.0
    assert found(gaps) == [at[50]]
    # Seven values on either side are needed.
    short = few.select(np.arange(13))
    level = np.where(np.arange(13) < 6, 2.0, 9.0)
    assert found_in(replace(short, fuel_l=level)) == ()
