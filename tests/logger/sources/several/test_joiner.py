"""Readings of two sources joined by time: who gives what, silence of one, energy, any order."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.reading import OperatingState, Reading
from logger.sources.several.joiner import MOST_WAITING, Joiner, merged
from tests.support.boats.energy import energy_of, truth

JOIN_S = 1.5
WAIT_S = 1.0


def play(arrivals, join_s=(JOIN_S, JOIN_S), down=lambda _now_s: (False, False)):
    """Return the joined readings, each with the time at which it was given.

    ``arrivals`` are (time of arrival, source, reading), in order of arrival.
    """
    pairs = []
    joiner = Joiner(join_s, lambda a, b: pairs.append((a, b)))
    given = []
    for now_s, which, reading in arrivals:
        joiner.down[:] = down(now_s)
        joiner.add(which, reading)
        given += [(now_s, r) for r in joiner.ready(now_s, WAIT_S)]
    given += [(math.inf, r) for r in joiner.rest()]
    assert not joiner.waits
    return given, pairs


def charger(time_s, **values):
    return Reading(time_s, voltage_v=13.5, state=OperatingState.RUNNING, runtime_h=100.0, **values)


def shunt(time_s, current_a=8.0):
    return Reading(time_s, voltage_v=13.4, current_a=current_a, temperature_c=20.0)


def test_a_value_comes_from_the_first_source_that_gives_it():
    joined = merged(charger(5.0, word="RUN 3"), shunt(5.2))
    assert joined == Reading(
        5.0, voltage_v=13.5, current_a=8.0, temperature_c=20.0, runtime_h=100.0,
        state=OperatingState.RUNNING, word="RUN 3",
    )  # fmt: skip
    assert merged(shunt(5.0), charger(5.1)).state is OperatingState.RUNNING
    assert merged(shunt(5.0), charger(5.1)).voltage_v == 13.4
    odd = Reading(5.0, word="HUM?")
    assert (merged(odd, charger(5.1)).state, merged(odd, charger(5.1)).word) == ("unknown", "HUM?")


def seconds(lasts_s, which, make, *, phase_s=0.0, late_s=0.05):
    return [(s + phase_s + late_s, which, make(s + phase_s)) for s in range(int(lasts_s))]


@pytest.mark.parametrize("phase_s", [0.0, 0.3, 0.7])
def test_two_that_speak_each_second(phase_s):
    both = seconds(60, 0, charger) + seconds(60, 1, shunt, phase_s=phase_s)
    given, pairs = play(sorted(both, key=lambda a: a[0]))
    readings = [r for _, r in given]
    assert [r.time_s for r in readings] == list(range(60)), "the first sets the pace"
    assert all(r.current_a == 8.0 and r.runtime_h == 100.0 for r in readings)
    assert len(pairs) == 60
    assert max(now - r.time_s for now, r in given[:-2]) <= 1.1, "none waits for long"
    apart_s = [abs(a.time_s - b.time_s) for a, b in pairs]
    assert max(apart_s[1:]) <= 0.5, "the nearest, not the last"


def test_what_is_held_back_and_comes_in_one_go_is_joined_by_its_times():
    # While nobody watches, each source hands over some seconds at once, one after the other.
    arrivals = []
    for end in range(7, 70, 7):
        arrivals += [(end, 0, charger(float(s))) for s in range(end - 7, end)]
        arrivals += [(end, 1, shunt(s + 0.2, float(s))) for s in range(end - 7, end)]
    joiner = Joiner((JOIN_S, JOIN_S), lambda _a, _b: None)
    got = []
    for now_s, which, reading in arrivals:
        joiner.add(which, reading)
        got += joiner.ready(now_s, WAIT_S + 7.5)
    got += joiner.rest()
    assert [r.time_s for r in got] == list(range(63))
    assert [r.current_a for r in got] == [float(s) for s in range(63)]


def test_the_silence_of_one_does_not_stop_the_other():
    first = [a for a in seconds(100, 0, charger) if not 30 <= a[2].time_s < 60]
    second = [a for a in seconds(100, 1, shunt, phase_s=0.4) if not 70 <= a[2].time_s < 90]
    given, _ = play(sorted(first + second, key=lambda a: a[0]))
    readings = [r for _, r in given]
    times = [r.time_s for r in readings]
    assert times == sorted({*times}), "in order, none twice"
    alone = [r for r in readings if r.runtime_h is None]
    assert all(30.0 < r.time_s < 60.0 and r.current_a == 8.0 for r in alone)
    assert len(alone) >= 26
    lonely = [r.time_s for r in readings if r.current_a is None]
    assert lonely
    assert all(70.0 <= t < 91.0 for t in lonely)
    assert max(now - r.time_s for now, r in given if now < math.inf) <= JOIN_S + WAIT_S + 1.1


def test_nobody_waits_for_a_link_that_is_down():
    given, _ = play(seconds(20, 0, charger), down=lambda _: (False, True))
    assert max(now - r.time_s for now, r in given) <= 0.06
    given, _ = play(seconds(20, 1, shunt), down=lambda _: (True, False))
    assert max(now - r.time_s for now, r in given) <= 0.06


def test_a_reading_waits_for_the_first_source_as_long_as_it_may_come():
    joiner = Joiner((JOIN_S, JOIN_S), lambda _a, _b: None)
    joiner.add(1, shunt(10.0))
    # By 11.5 s the first source may have measured, by 12.5 s that has arrived.
    assert joiner.ready(12.4, WAIT_S) == []
    assert joiner.ready(12.5, WAIT_S) == [shunt(10.0)]


@pytest.mark.parametrize(("after_s", "alone"), [(1.4, False), (1.6, True)])
def test_a_reading_shortly_before_the_first_source_comes_back_belongs_to_it(after_s, alone):
    joiner = Joiner((JOIN_S, JOIN_S), lambda _a, _b: None)
    joiner.add(1, shunt(10.0))
    joiner.add(0, charger(10.0 + after_s))
    given = joiner.ready(20.0, WAIT_S)
    assert [r.time_s for r in given] == [10.0] * alone + [10.0 + after_s]
    assert given[-1].current_a == (None if alone else 8.0)


def test_a_slow_source_counts_as_far_as_it_is_told_to():
    slow = [(s + 0.05, 1, shunt(float(s))) for s in range(0, 60, 10)]
    both = sorted(seconds(60, 0, charger) + slow, key=lambda a: a[0])
    near, _ = play(both)
    assert sum(r.temperature_c is not None for _, r in near) < 20
    far, _ = play(both, join_s=(JOIN_S, 10.0))
    assert all(r.temperature_c == 20.0 for _, r in far)


FAULTS = {
    "none": lambda _which, _s: True,
    "first silent 20 s of 60": lambda which, s: which == 1 or s % 60 < 40,
    "second silent 20 s of 60": lambda which, s: which == 0 or s % 60 < 40,
    "in turn": lambda which, s: s % 60 < 20 or (s % 60 < 40) == (which == 0),
    "each loses every fifth": lambda which, s: s % 5 != which,
}


@pytest.mark.parametrize("fault", FAULTS)
def test_energy_under_faults(fault):
    rng = random.Random(20261129)
    arrivals = []
    for s in range(3600):
        for which in (0, 1):
            at_s = s + 0.3 * which + 0.05 * rng.random()
            if FAULTS[fault](which, s):
                volts, amps = truth(at_s)
                arrivals.append((at_s + rng.random(), which, Reading(at_s, volts, amps)))
    # A source's readings arrive in order.
    for which in (0, 1):
        own = iter(sorted((a for a in arrivals if a[1] == which), key=lambda a: a[2].time_s))
        late = iter(sorted(a[0] for a in arrivals if a[1] == which))
        arrivals = [a for a in arrivals if a[1] != which] + [
            (now_s, which, a[2]) for now_s, a in zip(late, own, strict=True)
        ]
    given, _ = play(sorted(arrivals, key=lambda a: a[0]))
    energy = energy_of(r for _, r in given)
    begin_s, end_s = given[0][1].time_s, given[-1][1].time_s
    sent = sum(
        math.prod(truth(begin_s + (k + 0.5) / 10)) / 10 for k in range(int(10 * (end_s - begin_s)))
    )
    assert energy / sent == pytest.approx(1.0, abs=0.005)
    print(f"{fault}: {energy / sent:.4f}")


@given(
    st.lists(st.tuples(st.floats(0, 50), st.integers(0, 1), st.floats(0, 3)), max_size=60),
    st.floats(0.1, 5),
)
def test_whatever_comes_nothing_is_carried_further_than_it_may(points, join_s):
    made = []
    for which in (0, 1):
        newest_s = arrived_s = -math.inf
        for time_s, _, late_s in sorted(p for p in points if p[1] == which):
            if time_s > newest_s:
                values = {"voltage_v": time_s} if which == 0 else {"current_a": time_s}
                # Each source hands over its readings in their order.
                arrived_s = max(arrived_s, time_s + late_s)
                made.append((arrived_s, which, Reading(time_s, **values)))
                newest_s = time_s
    given, _ = play(sorted(made, key=lambda a: a[0]), join_s=(join_s, join_s))
    for _, r in given:
        for value in (r.voltage_v, r.current_a):
            assert value is None or abs(value - r.time_s) <= join_s
    times = [r.time_s for _, r in given]
    assert times == sorted({*times}), "in order"
    # None is lost but those that came later than anybody waits.
    in_time = {r.time_s for now_s, which, r in made if which == 0 and now_s - r.time_s < WAIT_S}
    assert in_time <= {*times}


def test_what_waits_is_bounded_and_what_is_dropped_is_told():
    dropped = []
    joiner = Joiner((JOIN_S, JOIN_S), lambda _a, _b: None, dropped.append)
    for s in range(MOST_WAITING + 500):
        joiner.add(0, charger(float(s)))
    assert dropped == ["too many readings waited for the other source"] * 500
    assert len(joiner.rest()) == MOST_WAITING


@pytest.mark.parametrize("down", [True, False])
@pytest.mark.parametrize("join_s", [JOIN_S, 20.0])
def test_the_silence_of_the_first_source_does_not_fill_the_memory(down, join_s):
    dropped = []
    joiner = Joiner((JOIN_S, join_s), lambda _a, _b: None, dropped.append)
    joiner.down[0] = down
    given, most = [], 0
    for s in range(5000):
        joiner.add(1, shunt(float(s)))
        given += joiner.ready(s + 0.05, WAIT_S)
        most = max(most, joiner.held)
    assert len(given) >= 4997
    assert most <= join_s + JOIN_S + WAIT_S + 2, "readings of one a second that can still be joined"
    # The first source comes back: what was kept is joined at once.
    joiner.down[0] = False
    joiner.add(0, charger(4999.4))
    assert joiner.rest()[-1].current_a == 8.0
    assert not dropped


def test_many_readings_within_a_wide_join_are_bounded_too():
    joiner = Joiner((JOIN_S, 3600.0), lambda _a, _b: None)
    joiner.down[0] = True
    for k in range(2 * MOST_WAITING):
        joiner.add(1, shunt(k / 10))
        joiner.ready(k / 10, WAIT_S)
    assert joiner.held == MOST_WAITING


def test_a_reading_that_comes_too_late_is_told():
    dropped = []
    joiner = Joiner((JOIN_S, JOIN_S), lambda _a, _b: None, dropped.append)
    joiner.down[0] = True
    joiner.add(1, shunt(10.0))
    assert [r.time_s for r in joiner.ready(10.1, WAIT_S)] == [10.0]
    joiner.down[0] = False
    joiner.add(0, charger(9.5))
    assert joiner.ready(12.0, WAIT_S) == []
    assert dropped == ["came after a later reading of the other source was logged"]
