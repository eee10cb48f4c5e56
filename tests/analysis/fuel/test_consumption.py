"""Litres per kWh from containers that are given, held against whole matrices and by hand."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.fuel.consumption import (
    Container,
    FuelUse,
    UseFilter,
    container_of,
    fuel_use,
    silence,
)
from analysis.fuel.wear import Wear
from analysis.history.runs import find_runs
from logger.config import FuelConfig
from logger.event import Event
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log
from tests.support.oracles import dense_normal

DAY_S = 86400.0
FUEL = FuelConfig(l_per_kwh=0.9, container_l=10.0)


def container(value, sd=0.02, *, emptied=True):
    return Container(0.0, 1.0, 10.0, 10.0 / value, emptied, value, sd)


def test_the_filter_is_that_of_whole_matrices():
    """Level and rise of the logarithm; both drift with each half of a container."""
    steps = [0.05, 0.05, 0.12, 0.12, 0.08]
    seen = {1: container(0.95, 0.03), 3: container(1.02, 0.01)}  # after the 1st and the 3rd step
    use = UseFilter(0.9)
    # Unknowns: level and rise at first, then the drifts of both at each step.
    state = np.zeros((2, 2 + 2 * len(steps)))
    state[0, 0] = state[1, 1] = 1.0
    sds, rows, told, noise = [0.20, 0.05], [], [], []
    for number, by in enumerate(steps, 1):
        use.age(by)
        state = np.array([[1.0, by], [0.0, 1.0]]) @ state
        state[0, 2 * number] = state[1, 2 * number + 1] = 1.0
        sds += [0.006 / math.sqrt(2.0), 0.03 * by]
        if number in seen:
            use.learn(seen[number])
            rows.append(state[0].copy())
            told.append(math.log(seen[number].l_per_kwh))
            noise.append(seen[number].sd)
    mean = np.zeros(len(sds))
    mean[:2] = math.log(0.9), 0.05
    found = dense_normal(
        np.array(rows), np.array(told), np.array(noise), (mean, np.array(sds) ** -2.0)
    )
    now = np.append(state[0], 0.0)
    assert math.log(use.estimate) == pytest.approx(now @ found.mean)
    assert use.sd == pytest.approx(math.sqrt(now @ found.covariance @ now))


#: A unit that falls from 0.9 to 0.6 of rated between 1000 and 4000 hours.
WORN = Wear(np.array([1000.0, 4000.0]), np.array([0.9, 0.6]), 0.04)


def test_before_the_first_container_the_output_tells_the_use():
    use = UseFilter(0.9, WORN, 2500.0)
    assert use.estimate == pytest.approx(0.9 / 0.75)
    explained = 0.25 * math.log(0.75)
    assert use.sd == pytest.approx(math.sqrt(0.2**2 + explained**2 + 0.04**2))
    use.age(1.5)
    assert use.estimate == pytest.approx(0.9 / 0.6)
    assert use.sd > math.hypot(0.2, 0.03 * 1.5)
    # An output below three tenths is not believed.
    assert Wear(np.array([0.0]), np.array([0.1]), 0.1).log_rise(5.0) == pytest.approx(
        -math.log(0.3)
    )
    # Without it the unit is as old as its hours.
    old = UseFilter(0.9, None, 2500.0)
    assert old.estimate == pytest.approx(0.9 * math.exp(0.05 * 2.5))
    assert old.sd == pytest.approx(math.hypot(0.2, 0.05 * 2.5))


def test_after_a_container_the_use_follows_the_output():
    use = UseFilter(0.9, WORN, 1000.0)
    use.learn(container(1.1, 0.001))
    assert use.estimate == pytest.approx(1.1, rel=1e-4)
    use.age(3.0)
    assert use.estimate == pytest.approx(1.1 * 0.9 / 0.6, rel=1e-3)
    # What the fall of the output does not explain: 0.03 in 1000 h, for 3000 h.
    assert use.sd == pytest.approx(0.09, rel=0.01)


def test_a_habit_of_changing_early_does_not_average_out():
    use = UseFilter(0.9)
    assert use.sd == pytest.approx(0.20)
    for _ in range(40):
        use.learn(container(0.9, emptied=False))
    # Forty measurements of 2 %, and the habit of 2 % that all of them share.
    own = (1.0 / 0.20**2 + 40.0 / 0.02**2) ** -0.5
    assert use.sd == pytest.approx(math.hypot(own, 0.02), rel=0.01)
    # One that ran dry takes its weight from the habit.
    mixed = UseFilter(0.9)
    mixed.learn(container(0.9, 0.02, emptied=False))
    guessed = 0.20**2 / (0.20**2 + 0.02**2)
    spread = (1.0 / 0.20**2 + 1.0 / 0.02**2) ** -0.5
    assert mixed.sd == pytest.approx(math.hypot(spread, 0.02 * guessed))
    mixed.learn(container(0.9, 0.02))
    weight = spread**2 / (spread**2 + 0.02**2)
    after = (1.0 / 0.20**2 + 2.0 / 0.02**2) ** -0.5
    assert mixed.sd == pytest.approx(math.hypot(after, 0.02 * guessed * (1.0 - weight)))


def test_quantiles_and_what_counts():
    good, bad = container(0.9), replace(container(0.9), problem="why")
    use = FuelUse(0.9, 0.1, (good, bad))
    assert use.counted == (good,)
    assert use.quantile(1.645) == pytest.approx(0.9 * math.exp(0.1645))


#: Forty runs of six hours, one a day, each of 0.66 kWh but for its start.
RUNS = find_runs(log(runs=40, loss=0.0, noise=0.0), RATED_W)
KWH = float(RUNS.log.energy_j.sum()) / 3.6e6 / 40.0


def events(*days, litres=10.0):
    return [Event(k, BEGIN_S + d * DAY_S, "fuel", litres) for k, d in enumerate(days)]


def one(begin=0.0, end=10.0, runs=RUNS, litres=10.0, expected=1.5, *, emptied=True):
    return container_of(runs, *events(begin, end, litres=litres), expected, emptied=emptied)


def test_a_container_by_hand():
    # Ten runs from one change to the next.
    found = one()
    assert found.energy_kwh == pytest.approx(10.0 * KWH, rel=2e-3)
    assert found.l_per_kwh == pytest.approx(1.0 / KWH, rel=2e-3)
    assert found.sd == pytest.approx(math.hypot(0.02, 0.003))
    assert found.problem is None
    # A small one of a single run counts as well.
    assert one(end=0.9, litres=0.9, expected=1.5).problem is None
    # Changed early: a twentieth was left, give or take 2.2 %.
    early = one(emptied=False)
    assert early.l_per_kwh == pytest.approx(0.95 * found.l_per_kwh)
    assert early.sd == pytest.approx(math.hypot(0.02, 0.022))


def test_what_cannot_be_right_does_not_count():
    value = one().l_per_kwh
    for factor, right in ((1.59, True), (1.61, False), (1 / 1.59, True), (1 / 1.61, False)):
        problem = one(expected=value * factor).problem
        assert (problem is None) is right
        assert (
            right
            or problem == f"{value:.2f} L/kWh cannot be right: a change was forgotten or is wrong"
        )
    assert one(begin=-1.0).problem == "it was opened before the log begins"
    assert one(begin=0.3, end=0.9).problem == "no energy was logged from it"
    assert math.isnan(one(begin=-1.0).l_per_kwh)


def unlogged(hours):
    """Take so many hours of running out of the tenth run; the counter goes on."""
    at = np.arange(len(RUNS.log))
    first = int(RUNS.first[9])
    return find_runs(RUNS.log.select((at < first) | (at >= first + int(6 * hours))), RATED_W)


def test_hours_that_were_not_logged_give_what_the_others_gave():
    # Sixty hours, of which three are missing.
    found = one(runs=unlogged(3.0))
    assert found.problem is None
    assert found.l_per_kwh == pytest.approx(one().l_per_kwh, rel=0.02)
    missing = 60.0 / 57.0 - 1.0
    assert found.sd == pytest.approx(math.hypot(math.hypot(0.02, 0.003), 0.5 * missing), rel=0.01)
    # More than a tenth of what was seen is too much: 5.5 of 54.5 h.
    assert one(runs=unlogged(5.0)).problem is None
    assert one(runs=unlogged(5.7)).problem == "too much of its time was not logged"


def test_without_a_counter_a_silence_ran_as_much_as_the_rest():
    bare = replace(RUNS.log, runtime_h=np.full(len(RUNS.log), np.nan))
    # The records of ten minutes one after the other, but for forty.
    close = np.arange(len(bare)) * 600.0 + BEGIN_S
    dense = replace(bare, start_s=close)
    gap = (np.arange(len(close)) >= 700) & (np.arange(len(close)) < 740)
    runs = find_runs(dense.select(~gap), RATED_W)
    days = 1560 * 600.0 / DAY_S
    found = one(end=days, runs=runs)
    seen = one(end=days, runs=find_runs(dense, RATED_W))
    passed = 1560.0 / 1520.0
    logged_kwh = float(dense.energy_j[~gap].sum()) / 3.6e6
    assert found.l_per_kwh == pytest.approx(10.0 / (logged_kwh * passed), rel=2e-3)
    assert found.l_per_kwh == pytest.approx(seen.l_per_kwh, rel=0.02)


def test_a_charger_that_ran_and_gave_nothing_tells_no_use():
    mute = replace(RUNS.log, energy_j=0.0 * RUNS.log.energy_j, charge_c=0.0 * RUNS.log.charge_c)
    runs = find_runs(mute, RATED_W)
    assert runs.running.any()
    assert one(runs=runs).problem == "no energy was logged from it"


def test_a_change_at_the_end_of_the_log_ends_a_container():
    last = Event(2, float(RUNS.log.end_s[-1]), "fuel", 10.0)
    found = fuel_use(RUNS, (events(20.0)[0], last), replace(FUEL, l_per_kwh=0.8))
    assert len(found.containers) == 1
    assert found.containers[0].energy_kwh == pytest.approx(20.0 * KWH, rel=2e-3)


def test_containers_of_the_charger_before_are_not_told():
    """Used up before this log began: not this unit's. The one that was open then is refused."""
    told, fuel = events(1.0, 10.0, 20.0), replace(FUEL, l_per_kwh=1.5)
    before = [
        Event(9 + k, BEGIN_S - at_d * DAY_S, "fuel", 10.0) for k, at_d in enumerate((9, 6, 3))
    ]
    found = fuel_use(RUNS, (*before, *told), fuel)
    refused = "it was opened before the log begins"
    assert [c.problem for c in found.containers] == [refused, None, None]
    assert found.containers[1:] == fuel_use(RUNS, tuple(told), fuel).containers


def test_time_passed_over_time_logged():
    start = np.array([0.0, 100.0, 360.0, 460.0])
    log_ = SimpleNamespace(
        start_s=3600.0 * start, end_s=3600.0 * (start + 80.0), duration_s=np.full(4, 288000.0)
    )
    runs = SimpleNamespace(log=log_)
    # From 50 h on three records of 80 h: gaps of 50, 180 and 20 h. In one of a week and more
    # (168 h) the boat was laid up.
    assert silence(runs, 3600.0 * 50.0, 3600.0 * 540.0) == pytest.approx(1.0 + 70.0 / 240.0)
    # The end lies 30 h after the last record.
    assert silence(runs, 3600.0 * 60.0, 3600.0 * 570.0) == pytest.approx(1.0 + 90.0 / 240.0)
    log_.start_s[2] -= 12.1 * 3600.0  # a gap of 167.9 h
    assert silence(runs, 3600.0 * 50.0, 3600.0 * 540.0) == pytest.approx(1.0 + 237.9 / 240.0)


def test_of_a_time_in_which_nothing_was_logged_a_second_stands_for_the_log():
    none = SimpleNamespace(start_s=np.zeros(0), end_s=np.zeros(0), duration_s=np.zeros(0))
    assert silence(SimpleNamespace(log=none), 0.0, 3600.0) == pytest.approx(3601.0)


def test_the_use_of_a_log_with_containers_by_hand():
    # Ten runs each; the middle of the second lies at 90 h, the end of the log at 240 h.
    told = tuple(events(0.0, 10.0, 20.0))
    fuel = replace(FUEL, l_per_kwh=1.5)
    found = fuel_use(RUNS, told, fuel)
    assert [c.problem for c in found.containers] == [None, None]
    assert [c.emptied for c in found.containers] == [False, False]
    use = UseFilter(1.5)
    for one_ in found.containers:
        use.age(0.03)
        use.learn(one_)
        use.age(0.03)
    use.age(0.12)
    assert found.estimate == pytest.approx(use.estimate, rel=1e-3)
    assert found.sd == pytest.approx(use.sd, rel=1e-3)
    # Without a change the prior stands; what was struck, or comes after the log, is none.
    none = fuel_use(RUNS, (), fuel)
    # Forty runs of six hours age it, by 0.05 +- 0.05 in 1000 h.
    assert none.containers == ()
    assert none.estimate == pytest.approx(1.5 * math.exp(0.05 * 0.24), rel=1e-3)
    assert none.sd == pytest.approx(math.hypot(0.2, 0.05 * 0.24), rel=1e-4)
    later = (Event(9, BEGIN_S + 1e9, "fuel", 10.0), replace(told[0], struck=True))
    assert fuel_use(RUNS, later, fuel) == none
    # One change tells no container, but the use has risen since: 0.05 in 1000 h, for 240 h.
    single = fuel_use(RUNS, told[:1], fuel)
    assert single.containers == ()
    assert single.estimate == pytest.approx(1.5 * math.exp(0.05 * 0.24), rel=1e-3)
