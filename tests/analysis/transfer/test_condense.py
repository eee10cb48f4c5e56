"""The condenser for arrays gives the streaming one's intervals, in pieces and beside a cover."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.transfer.condense import BulkCondenser
from analysis.transfer.cover import Cover
from analysis.transfer.read_blocks import block_of
from analysis.transfer.spool import rows_of
from logger.config import LogConfig
from logger.interval import Condenser
from logger.reading import OperatingState, Reading
from logger.store.records import interval_row
from tests.conftest import examples

STATES = [OperatingState.RUNNING, OperatingState.STANDBY, OperatingState.UNKNOWN]


def streamed(readings, log):
    condenser = Condenser(log)
    closed = [interval for r in readings if (interval := condenser.add(r))]
    if last := condenser.flush():
        closed.append(last)
    return [interval_row(interval) for interval in closed]


def in_bulk(readings, log, cover=None, cuts=()):
    condenser = BulkCondenser(log, cover or Cover())
    rows = []
    edges = [0, *sorted(cuts), len(readings)]
    for start, stop in itertools.pairwise(edges):
        if readings[start:stop]:
            rows += rows_of(condenser.add(block_of(readings[start:stop])))
    return [*rows, *rows_of(condenser.flush())]


def agree(ours, theirs):
    """Same intervals; sums may differ in the last stored digit, where floats add up differently."""
    assert [row[:4] for row in ours] == [row[:4] for row in theirs]
    for a, b in zip(ours, theirs, strict=True):
        for x, y in zip(a, b, strict=True):
            assert (x is None) == (y is None)
            assert x is None or abs(x - y) <= 1


def decimals(low, high, places):
    """Numbers as devices give them: they often lie exactly on a limit."""
    return st.integers(round(low * 10**places), round(high * 10**places)).map(
        lambda n: n / 10**places
    )


maybe = st.one_of(st.none(), decimals(11, 15, 2))
rows = st.lists(
    st.tuples(
        st.sampled_from([0.5, 1.0, 1.0, 1.0, 3.0, 6.0, 40.0]),
        st.one_of(st.none(), decimals(12.5, 12.9, 1)),
        st.one_of(st.none(), decimals(0, 1, 1)),
        st.sampled_from(STATES + STATES[:1] * 6),
        st.one_of(st.none(), decimals(0, 9, 1)),
        st.one_of(st.none(), decimals(20, 22, 1)),
        st.one_of(st.none(), decimals(0, 9, 1)),
    ),
    min_size=1,
    max_size=120,
)


def to_readings(table):
    time_s, readings = 1.7e9, []
    for step_s, volts, amps, state, hours, degrees, litres in table:
        time_s += step_s
        readings.append(
            Reading(
                time_s,
                volts,
                amps,
                state,
                runtime_h=hours,
                temperature_c=degrees,
                battery_current_a=None if amps is None else 1.0 - amps,
                fuel_l=litres,
            )
        )
    return readings


@settings(max_examples=examples(300), deadline=None)
@given(rows, st.lists(st.integers(0, 120), max_size=4), st.sampled_from([20.0, 60.0]))
def test_bulk_gives_the_streaming_condensers_intervals_however_the_stream_is_cut(
    table, cuts, longest_s
):
    log = LogConfig(longest_running_s=longest_s, longest_rest_s=longest_s * 2)
    readings = to_readings(table)
    agree(in_bulk(readings, log, cuts=cuts), streamed(readings, log))


@settings(max_examples=examples(200), deadline=None)
@given(rows, st.data())
def test_two_overlapping_parts_taken_one_after_the_other_cover_each_stretch_once(table, data):
    log = LogConfig()
    readings = to_readings(table)
    first = sorted(data.draw(st.lists(st.integers(0, len(readings)), min_size=2, max_size=2)))
    taken = in_bulk(readings[slice(*first)], log)
    start = [row[0] for row in taken]
    cover = Cover(start, [row[0] + row[1] for row in taken])
    rest = in_bulk(readings, log, cover=cover)
    # A reading that stood alone and has a neighbour by now is taken anew; the store drops it.
    lasting = [(row[0], row[0] + row[1]) for row in rest if row[1]]
    taken = [row for row in taken if row[1] or not any(a <= row[0] <= b for a, b in lasting)]
    whole = streamed(readings, log)
    assert sum(r[1] for r in taken + rest) == sum(r[1] for r in whole), "each stretch once"
    assert sum(r[3] for r in taken + rest) == sum(r[3] for r in whole), "each reading once"
    charge = [sum(r[4] or 0 for r in rows) for rows in (taken + rest, whole)]
    assert charge[0] == pytest.approx(charge[1], abs=len(taken + rest) + len(whole))
    again = Cover(*zip(*[(r[0], r[0] + r[1]) for r in taken + rest], strict=True))
    assert in_bulk(readings, log, cover=again) == [], "a third time changes nothing"


def test_a_day_at_one_hertz_is_condensed_as_the_streaming_one_does():
    rng = np.random.default_rng(5)
    volts = np.round(12.7 + np.cumsum(rng.normal(0, 0.004, 20_000)), 2)
    amps = np.round(np.where(np.arange(20_000) % 9000 < 5000, 8.0, 0.0), 2)
    readings = [
        Reading(1.7e9 + k, float(volts[k]), float(amps[k]), STATES[int(amps[k] == 0.0)])
        for k in range(20_000)
        if not 700 < k % 7000 < 760
    ]
    theirs = streamed(readings, LogConfig())
    assert len(theirs) > 100
    agree(in_bulk(readings, LogConfig(), cuts=range(0, 20_000, 777)), theirs)


def test_a_cover_knows_instants_stretches_and_what_is_free():
    cover = Cover([100, 0, 20, 300], [200, 10, 30, 300]).joined([25], [40])
    assert cover.start_ms.tolist() == [0, 20, 100, 300]
    assert cover.end_ms.tolist() == [10, 40, 200, 300]
    assert cover.holds(np.array([0, 10, 11, 20, 300, 301])).tolist() == [
        *(True, True, False, True, True, False)
    ]
    start, end = np.array([10, 9, 40, 0, 250]), np.array([20, 11, 100, 5, 350])
    assert cover.crosses(start, end).tolist() == [False, True, False, True, False]
    assert cover.overlap_ms(start, end).tolist() == [0, 1, 0, 5, 0]
    assert cover.free(5, 150) == [(10, 20), (40, 100)]
    assert cover.free(210, 220) == [(210, 220)]
    assert cover.free(110, 120) == []
