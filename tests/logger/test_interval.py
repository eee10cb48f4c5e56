"""The condenser: exact integrals, tiling, and where intervals close."""

import itertools
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from logger.config import LogConfig
from logger.interval import FLOAT_SLACK, Condenser
from logger.reading import OperatingState, Reading

RUNNING, STANDBY = OperatingState.RUNNING, OperatingState.STANDBY


def condense(readings, **log):
    condenser = Condenser(LogConfig(**log))
    closed = [interval for r in readings if (interval := condenser.add(r))]
    if last := condenser.flush():
        closed.append(last)
    return closed


def test_the_integrals_of_a_small_case_worked_by_hand():
    # 0 s: 12 V 2 A = 24 W; 10 s: 13 V 4 A = 52 W; 30 s: 13 V 4 A.
    # charge: (2 + 4) / 2 * 10 + 4 * 20 = 110 C; energy: (24 + 52) / 2 * 10 + 52 * 20 = 1420 J.
    readings = [
        Reading(0.0, 12.0, 2.0, RUNNING, runtime_h=100.0),
        Reading(10.0, 13.0, 4.0, RUNNING, runtime_h=100.1),
        Reading(30.0, 13.0, 4.0, RUNNING, runtime_h=100.2),
    ]
    (interval,) = condense(readings, gap_s=25.0, voltage_band_v=9.0, current_band_a=9.0)
    assert interval.charge_c == pytest.approx(110.0)
    assert interval.energy_j == pytest.approx(1420.0)
    assert (interval.duration_s, interval.readings) == (30.0, 3)
    assert (interval.voltage_min_v, interval.voltage_max_v) == (12.0, 13.0)
    assert interval.voltage_mean_v == pytest.approx((12.5 * 10 + 13 * 20) / 30)
    assert interval.runtime_h == 100.2


def test_charge_and_energy_are_those_of_a_reference_integrator_however_the_log_is_thinned():
    # Reference: scipy.integrate.trapezoid over the raw readings (general-purpose library).
    rng = np.random.default_rng(20261125)
    time_s = np.cumsum(rng.uniform(0.5, 1.5, 20_000))
    voltage_v = 12.5 + 0.5 * np.sin(time_s / 900.0) + rng.normal(0.0, 0.03, time_s.size)
    current_a = np.where(np.sin(time_s / 3000.0) > 0, 8.0, 0.0) + rng.normal(0, 0.05, time_s.size)
    readings = [
        Reading(float(t), float(v), float(i), RUNNING)
        for t, v, i in zip(time_s, voltage_v, current_a, strict=True)
    ]
    charge_c = trapezoid(current_a, time_s)
    energy_j = trapezoid(current_a * voltage_v, time_s)
    counts = set()
    for longest_s in (10.0, 60.0, 600.0):
        closed = condense(readings, longest_running_s=longest_s, longest_rest_s=longest_s)
        counts.add(len(closed))
        assert sum(i.charge_c for i in closed) == pytest.approx(charge_c, rel=1e-12)
        assert sum(i.energy_j for i in closed) == pytest.approx(energy_j, rel=1e-12)
    assert len(counts) == 3, "the three logs must really differ in thinning"


def test_an_interval_closes_on_a_change_of_state_and_the_trapezoid_belongs_to_the_earlier_one():
    closed = condense(
        [
            Reading(0.0, 12.5, 0.0, STANDBY),
            Reading(1.0, 12.5, 0.0, STANDBY),
            Reading(2.0, 13.0, 8.0, RUNNING),
            Reading(3.0, 13.0, 8.0, RUNNING),
        ]
    )
    assert [(i.state, i.start_s, i.end_s) for i in closed] == [
        (STANDBY, 0.0, 2.0),
        (RUNNING, 2.0, 3.0),
    ]
    assert [i.charge_c for i in closed] == [pytest.approx(4.0), pytest.approx(8.0)]


def test_it_closes_at_its_longest_length_by_state():
    running = condense([Reading(float(t), 13.0, 8.0, RUNNING) for t in range(601)])
    assert [i.duration_s for i in running] == [60.0] * 10
    resting = condense([Reading(float(t), 12.6, 0.0, STANDBY) for t in range(1201)])
    assert [i.duration_s for i in resting] == [600.0] * 2


def test_it_closes_when_the_current_leaves_its_band_where_no_state_is_told():
    current = [0.0] * 100 + [8.0] * 100
    closed = condense([Reading(float(t), 12.6, a) for t, a in enumerate(current)])
    assert closed[0].end_s == 100.0
    assert closed[0].charge_c == pytest.approx(4.0)


@pytest.mark.parametrize(("beyond", "outside"), [(0.0, False), (1e-6, True)])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_value_on_the_edge_of_its_band_is_inside(beyond, outside, sign):
    log = LogConfig()
    amps = sign * (log.current_band_a + FLOAT_SLACK + beyond)
    alone = Condenser(log)
    alone.add(Reading(0.0, 12.6, amps))
    assert alone.is_running() is outside
    for other in (
        Reading(1.0, 0.0, amps),
        Reading(1.0, sign * (log.voltage_band_v + FLOAT_SLACK + beyond), 0.0),
    ):
        condenser = Condenser(log)
        condenser.add(Reading(0.0, 0.0, 0.0))
        condenser.add(other)
        assert condenser.moved is outside


def test_a_noisy_channel_cannot_turn_every_reading_into_a_row():
    rng = random.Random(1)
    readings = [Reading(float(t), 12.6 + rng.gauss(0, 1.0), 0.0, STANDBY) for t in range(6000)]
    assert len(condense(readings)) <= 6000 / Condenser.SHORTEST_REST_S + 1


def test_a_gap_ends_the_interval_and_is_never_integrated():
    closed = condense(
        [
            Reading(0.0, 12.0, 8.0, RUNNING),
            Reading(1.0, 12.0, 8.0, RUNNING),
            Reading(1001.0, 12.0, 8.0, RUNNING),
            Reading(1002.0, 12.0, 8.0, RUNNING),
        ]
    )
    assert [(i.start_s, i.end_s) for i in closed] == [(0.0, 1.0), (1001.0, 1002.0)]
    assert sum(i.charge_c for i in closed) == pytest.approx(16.0)


def test_an_isolated_reading_is_kept_with_no_length():
    (interval,) = condense([Reading(5.0, 12.4, 0.0, STANDBY, temperature_c=18.0)])
    assert (interval.duration_s, interval.readings) == (0.0, 1)
    assert (interval.charge_c, interval.voltage_last_v, interval.temperature_c) == (0.0, 12.4, 18.0)


def test_an_absent_channel_stays_absent_and_a_partly_absent_one_is_integrated_where_it_was():
    closed = condense(
        [
            Reading(0.0, 12.0, 2.0, RUNNING),
            Reading(1.0, 12.0, 2.0, RUNNING),
            Reading(2.0, None, 2.0, RUNNING),
            Reading(3.0, 12.0, 2.0, RUNNING),
        ]
    )
    (interval,) = closed
    assert interval.charge_c == pytest.approx(6.0)
    assert interval.energy_j == pytest.approx(24.0)
    assert interval.temperature_c is None
    assert interval.battery_charge_c is None


def test_every_channel_is_integrated_from_nothing():
    ends = [
        Reading(at, 12.0, 3.0, RUNNING, temperature_c=20.0, battery_current_a=2.0)
        for at in (0.0, 10.0)
    ]
    (interval,) = condense(ends, gap_s=25.0, longest_running_s=60.0)
    assert (interval.charge_c, interval.energy_j) == (30.0, 360.0)
    assert (interval.battery_charge_c, interval.temperature_c) == (20.0, 20.0)


def test_readings_that_do_not_move_forward_are_counted_and_not_used():
    condenser = Condenser(LogConfig())
    for time_s in (0.0, 1.0, 1.0, 0.5, 2.0):
        condenser.add(Reading(time_s, 12.0, 1.0, RUNNING))
    assert condenser.out_of_order == 2
    assert condenser.flush().charge_c == pytest.approx(2.0)


values = st.none() | st.floats(-20, 70, allow_nan=False)
steps = st.floats(0.01, 30.0, allow_nan=False)


@given(
    st.lists(
        st.tuples(steps, values, values, st.sampled_from(OperatingState)), min_size=1, max_size=200
    )
)
def test_intervals_tile_the_time_between_gaps_and_count_every_reading_once(rows):
    time_s, readings = 0.0, []
    for step_s, voltage_v, current_a, state in rows:
        time_s += step_s
        readings.append(Reading(time_s, voltage_v, current_a, state))
    closed = condense(readings, gap_s=20.0)
    assert sum(i.readings for i in closed) == len(readings)
    for a, b in itertools.pairwise(closed):
        # start + (end - start) is not always end in floating point.
        apart_s = b.start_s - a.end_s
        assert apart_s == pytest.approx(0.0, abs=1e-9) or apart_s > 20.0
    covered_s = sum(
        b.time_s - a.time_s for a, b in itertools.pairwise(readings) if b.time_s - a.time_s <= 20.0
    )
    assert sum(i.duration_s for i in closed) == pytest.approx(covered_s, abs=1e-6)
    for interval in closed:
        if interval.voltage_mean_v is not None and interval.voltage_min_v is not None:
            low, high = interval.voltage_min_v - 1e-9, interval.voltage_max_v + 1e-9
            assert low <= interval.voltage_mean_v <= high
        inside = [r for r in readings if interval.start_s <= r.time_s <= interval.end_s + 1e-9]
        pieces = [
            0.5 * (a.current_a + b.current_a) * (b.time_s - a.time_s)
            for a, b in itertools.pairwise(inside)
            if a.current_a is not None and b.current_a is not None
        ]
        if pieces:
            assert interval.charge_c == pytest.approx(sum(pieces), abs=1e-6)
        else:
            alone = len(inside) == 1 and inside[0].current_a is not None
            assert interval.charge_c == (0.0 if alone else None)
