"""The hour counter against the running seen: what it counts, its unit, its breaks."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.inputs.finding import Severity
from tests.support.findings import assessed, doubts, found, holds_truth


def test_a_counter_of_the_hours_switched_on(season):
    sailed = season(counter_on_all_day=True, loss_per_kh=0.06, load_a=2.6)
    a = assessed(sailed)
    assert found(a, "counter_switched_on").severity is Severity.DOUBT
    assert a.at_runtime_h == pytest.approx(sailed[2].hours[-1], rel=0.02)
    slope = a.decline_per_1000h
    assert slope.low <= 0.06 <= slope.high
    assert holds_truth(a, sailed[2])


@pytest.mark.parametrize(
    ("factor", "unit"), [(60.0, "minutes"), (3600.0, "seconds"), (10.0, "tenths")]
)
def test_a_counter_in_another_unit(season, factor, unit):
    sailed = season(counter_factor=factor, days=60)
    a = assessed(sailed)
    assert unit in found(a, "counter_unit").text
    assert a.at_runtime_h == pytest.approx(sailed[2].hours[-1], rel=0.02)


def test_a_counter_that_stopped_counting(season):
    sailed = season(counter_stuck_at=300.0, load_a=2.6)
    a = assessed(sailed)
    assert "300.0 h" in found(a, "counter_stuck").text
    assert a.at_runtime_h == pytest.approx(sailed[2].hours[-1], rel=0.02)
    assert holds_truth(a, sailed[2])


def test_a_counter_that_jumped_back_is_told_with_its_date_and_asked_about(season):
    a = assessed(season(seasons=2, days=60, exchange_at=0.5, exchange_new=0.97, loss_per_kh=0.02))
    finding = next(f for f in a.inputs if "jumped" in f.text)
    assert "2024-04" in finding.text
    assert "ebbwatt exchange --at 20" in finding.what_to_do


def test_two_boats_in_one_log(season):
    history, config, course = season(days=60)
    week = ((history.start_s - history.start_s[0]) // (7 * 86400.0)).astype(int)
    other = np.where(week % 2 == 1, history.runtime_h + 3500.0, history.runtime_h)
    a = assessed((replace(history, runtime_h=other), config, course))
    assert found(a, "two_counters").severity is Severity.STOP
    assert a.verdict == "undetermined"


def test_a_sound_counter_is_believed(season):
    assert doubts(assessed(season(days=60))) == []


def test_a_counter_that_rolls_over_goes_on(season):
    # A counter of 16 bits in seconds begins at nothing again after 18.2 h.
    history, config, course = season(days=60)
    rolls = replace(history, runtime_h=history.runtime_h % (65536.0 / 3600.0))
    a = assessed((rolls, config, course))
    assert "counter_begins_again" not in [f.code for f in a.inputs]
    assert a.at_runtime_h == pytest.approx(course.hours[-1], rel=0.02)


@pytest.mark.parametrize("after_h", [20.0, 60.0, 150.0])
def test_a_counter_that_begins_again_and_again_is_told_once(season, after_h):
    sailed = season(counter_begins_after_h=after_h, days=150)
    a = assessed(sailed)
    assert [f.code for f in a.inputs] == ["counter_begins_again"]
    times = int(sailed[2].hours[-1] // after_h)
    assert f"{times} times back" in found(a, "counter_begins_again").seen
    assert a.at_runtime_h == pytest.approx(sailed[2].hours[-1], rel=0.03)


@pytest.mark.parametrize("states", [True, False])
def test_a_counter_that_counts_down_is_told(season, states):
    sailed = season(counter_falls_from_h=3000.0, states=states)
    a = assessed(sailed)
    assert doubts(a) == ["counter_falls"]
    assert a.at_runtime_h == pytest.approx(sailed[2].hours[-1], rel=0.03)
