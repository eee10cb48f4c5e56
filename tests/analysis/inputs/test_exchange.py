"""An exchange that nobody recorded: proposed where counter and output change together."""

from dataclasses import replace

from analysis.inputs.finding import Severity
from logger.event import Event
from tests.support.findings import assessed, doubts, found, holds_truth

WORN = {"seasons": 2, "days": 100, "exchange_at": 0.5, "loss_per_kh": 0.08, "load_a": 2.6}


def test_an_exchange_is_proposed_with_its_date(season):
    sailed = season(**WORN)
    a = assessed(sailed)
    finding = found(a, "exchange_proposed")
    assert finding.severity is Severity.DOUBT
    assert "2024-04-0" in finding.text or "2024-04-1" in finding.text
    assert "event add replacement" in finding.what_to_do
    assert holds_truth(a, sailed[2])


def test_a_jump_of_the_counter_alone_is_asked_about(season):
    sailed = season(seasons=2, days=60, exchange_at=0.5, exchange_new=0.965, loss_per_kh=0.02)
    a = assessed(sailed)
    assert doubts(a) == []
    assert "nobody recorded why" in found(a, "counter_break").text
    assert holds_truth(a, sailed[2])


def test_a_recorded_exchange_is_not_asked_about(season):
    history, config, course = season(**WORN)
    at_s = course.time_s[len(course.time_s) // 2]
    told = replace(history, events=(Event(1, float(at_s), "replacement"),))
    assert assessed((told, config, course)).inputs == ()
