"""An exchange that nobody recorded: proposed where counter and output change together."""

import re
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.health.evidence import design_hours_left
from analysis.inputs.exchange import Jump, with_exchange
from analysis.inputs.finding import Severity
from analysis.units import Owner, read_by
from logger.event import Event
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.findings import assessed, doubts, found, holds_truth

WORN = {"seasons": 2, "days": 100, "exchange_at": 0.5, "loss_per_kh": 0.08, "load_a": 2.6}


def test_an_exchange_is_proposed_with_its_date(season):
    sailed = season(**WORN)
    a = assessed(sailed)
    finding = found(a, "exchange_proposed")
    assert finding.severity is Severity.DOUBT
    assert "2024-04-0" in finding.text or "2024-04-1" in finding.text
    assert "ebbwatt exchange --at 20" in finding.what_to_do
    assert holds_truth(a, sailed[2])


def test_a_jump_of_the_counter_alone_is_asked_about(season):
    sailed = season(seasons=2, days=60, exchange_at=0.5, exchange_new=0.965, loss_per_kh=0.02)
    a = assessed(sailed)
    assert doubts(a) == []
    assert "nobody recorded why" in found(a, "counter_break").text
    assert holds_truth(a, sailed[2])


def test_the_day_of_a_jump_and_the_time_to_record_it_are_the_owners(season):
    read_by(Owner(ZoneInfo("Pacific/Auckland")))
    sailed = season(seasons=2, days=60, exchange_at=0.5, exchange_new=0.965, loss_per_kh=0.02)
    finding = found(assessed(sailed), "counter_break")
    (at,) = set(re.findall(r"--at (\S+?)\.? ", finding.what_to_do))
    assert at.endswith(("+12:00", "+13:00"))
    assert f"on {at[:10]};" in finding.text
    assert datetime.fromisoformat(at).timestamp() == pytest.approx(finding.since_s, abs=1.0)


def test_a_recorded_exchange_is_not_asked_about(season):
    history, config, course = season(**WORN)
    at_s = course.time_s[len(course.time_s) // 2]
    told = replace(history, events=(Event(1, float(at_s), "replacement"),))
    assert assessed((told, config, course)).inputs == ()


@pytest.mark.parametrize(("days", "asked"), [(-31, True), (-29, False), (29, False), (31, True)])
def test_an_exchange_noted_from_memory_may_be_a_month_off(season, days, asked):
    history, config, course = season(
        seasons=2, days=60, exchange_at=0.5, exchange_new=0.965, loss_per_kh=0.02
    )
    at_s = found(assessed((history, config, course)), "counter_break").since_s
    noted = Event(1, at_s + 86400.0 * days, "note", text="counter reset")
    told = assessed((replace(history, events=(noted,)), config, course))
    assert [f.code for f in told.inputs] == ["counter_break"] * asked


def test_a_note_that_the_counter_was_reset_settles_it(season):
    history, config, course = season(
        seasons=2, days=60, exchange_at=0.5, exchange_new=0.965, loss_per_kh=0.02
    )
    at_s = float(course.time_s[len(course.time_s) // 2])
    told = replace(history, events=(Event(1, at_s, "note", text="Counter reset at the yard"),))
    assert assessed((told, config, course)).inputs == ()


def test_a_break_of_the_counter_keeps_both_readings_of_the_design_hours_open(season):
    history, config, course = season(
        seasons=2, days=60, exchange_at=0.5, exchange_new=0.965, loss_per_kh=0.02
    )
    config = replace(config, charger=replace(config.charger, design_life_h=3000.0))
    case = Case(history, config)
    low, high = design_hours_left(case.evidence, config)
    kept = Case(history, replace(config, charger=replace(config.charger, design_life_h=None)))
    assert kept.assessment.until != "design_hours"
    # By hand: the old unit has run all hours, a new one only what its own counter shows.
    whole_h = case.runs.hours.at_end_h[-1]
    assert whole_h == pytest.approx(low_h(course), rel=0.01)
    assert low <= 3000.0 - whole_h + 1.0
    assert high >= 3000.0 - course.hours[-1] - 5.0


def low_h(course):
    """Return the hours of both units together."""
    return float(np.clip(np.diff(course.hours), 0.0, None).sum())


@pytest.mark.parametrize(("hours", "told"), [(30.0, False), (400.0, True), (2500.0, True)])
def test_a_counter_that_jumps_ahead_of_the_time_is_asked_about(season, hours, told):
    history, config, course = season(seasons=2, days=60, loss_per_kh=0.02)
    later = history.start_s > course.time_s[len(course.time_s) // 2 - 288]
    # Not at the gap of the winter, in which it may have run.
    ahead = replace(history, runtime_h=history.runtime_h + np.where(later, hours, 0.0))
    a = assessed((ahead, config, course))
    asked = [f for f in a.inputs if f.code == "counter_break"]
    assert bool(asked) is told
    if told:
        assert "So many hours did not pass" in asked[0].text
        assert "import --undo" in asked[0].what_to_do
    assert doubts(a) == []
    assert holds_truth(a, course)


def test_many_jumps_are_no_exchanges():
    hours = np.arange(400.0)
    back = hours - 12.0 * np.cumsum(np.arange(400) % 40 == 20)
    log = plain_log.log(runs=100, rest=36, apart_d=0.5)
    places = np.linspace(0, 399, len(log)).astype(int)
    course = replace(log, runtime_h=log.runtime_h - hours[places] + back[places])
    assessment = Case(course, config_for()).assessment
    (finding,) = [f for f in assessment.inputs if f.code.startswith(("counter", "exchange"))]
    assert (finding.code, finding.severity) == ("counter_jumps", Severity.DOUBT)
    assert "10 times, usually by 12 hours" in finding.text


def test_of_two_steps_near_a_jump_the_larger_one_is_told():
    jump = Jump(plain_log.BEGIN_S, 1000.0, 1000.0, 3.0)
    steps = [(990.0, -0.04), (1010.0, 0.31), (1020.0, -0.02), (1051.0, 0.5)]
    (finding,) = with_exchange((), [jump], steps)
    assert "changed by +31 % of rated" in finding.text, "one of 51 h later is no part of it"
    assert with_exchange((), [jump], steps[3:]) == ()
