"""A charger that is weak from its first day is doubted before it is replaced."""

from dataclasses import replace
from datetime import date

import pytest

from analysis.assessment.case import Case
from tests.support.boats import plain_log
from tests.support.configurations import config_for


def weak(fitted=date(2019, 4, 10), **what):
    config = config_for()
    config = replace(config, charger=replace(config.charger, fitted=fitted))
    assessment = Case(plain_log.log(**what), config).assessment
    return [f for f in assessment.inputs if f.code == "weak_from_new"], assessment


@pytest.mark.parametrize("level", [0.48, 0.65, 0.78])
def test_half_of_rated_on_the_first_day_is_a_wrong_figure_or_a_faulty_unit(level):
    (finding,), a = weak(level=level, loss=0.01)
    assert f"{100 * level:.0f} %" in finding.seen or f"{100 * level - 1:.0f} %" in finding.seen
    assert finding.what_to_do.startswith("Before you replace it")
    assert "rated_w = 110" in finding.what_to_do
    assert a.verdict in {"plan", "replace", "sound"}


def test_a_new_unit_of_its_nameplate_and_one_that_wore_are_not_doubted():
    assert weak(level=0.97, loss=0.02)[0] == []
    assert weak(level=0.95, loss=0.9, runs=80)[0] == [], "it wore in the log"


def test_a_unit_that_was_not_new_when_the_log_began_is_not_doubted():
    assert weak(level=0.6, start_h=3000.0)[0] == []
    assert weak(level=0.6, fitted=date(2015, 4, 10))[0] == []
    assert weak(level=0.6, fitted=None)[0] == []
