"""The rise of the fuel use beside the loss of output, each by hand."""

import itertools
import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment.document import Curve
from analysis.commands.fuel import wear_check
from analysis.fuel import cross_check
from analysis.fuel.consumption import Container, FuelUse
from analysis.fuel.cross_check import rise_of_output, rise_of_use
from analysis.history.runs import find_runs
from tests.support.boats.plain_log import log

DAY_S = 86400.0


def container(value, sd=0.02, begin_s=0.0, end_s=1.0):
    return Container(begin_s, end_s, 10.0, 10.0 / value, True, value, sd)


def use_of(values, sds=None):
    sds = [0.02] * len(values) if sds is None else sds
    return FuelUse(1.0, 0.02, tuple(itertools.starmap(container, zip(values, sds, strict=True))))


def test_the_rise_is_that_from_the_first_third_of_the_containers_to_the_last():
    rise, spread = rise_of_use(use_of([0.90, 0.90, 0.95, 0.95, 1.0, 1.0]))
    # One over the cell voltage: 10 % lost costs 11.1 % more.
    assert rise == pytest.approx(1.0 / 0.9 - 1.0)
    # A mean of two, less a mean of two, each of 2 %: 0.02 sqrt(2 / 2).
    assert spread == pytest.approx(0.02)
    # The last two to 4 %, the first two to 3 %, those between do not count: 0.05 over root 2.
    uneven = use_of([1.0] * 6, (0.03, 0.03, 0.5, 0.5, 0.04, 0.04))
    assert rise_of_use(uneven)[1] == pytest.approx(0.05 / math.sqrt(2.0))
    # The mean of the logarithms: 0.8 and 1.25 are 1.
    assert rise_of_use(use_of([0.8, 1.25, 9.0, 9.0, 1.1, 1.1]))[0] == pytest.approx(0.1)


def test_from_four_containers_on_the_first_is_held_against_the_last():
    assert rise_of_use(use_of([0.9, 0.95, 1.0])) is None
    rise, spread = rise_of_use(use_of([0.9, 3.0, 3.0, 1.08], (0.03, 1.0, 1.0, 0.04)))
    assert rise == pytest.approx(0.2)
    assert spread == pytest.approx(0.05)
    # One that does not count is none of them.
    told = use_of([0.9, 3.0, 3.0, 1.08])
    bad = replace(told.containers[3], problem="why")
    assert rise_of_use(replace(told, containers=(*told.containers[:3], bad))) is None


def of_twenty_days(number):
    """Return containers of twenty days each on a charger that runs 6 h a day, and their runs."""
    history = log(runs=20 * number + 10)
    ends = [history.start_s[0] + 20.0 * DAY_S * k for k in range(number + 1)]
    each = [container(1.0, 0.02, a, b) for a, b in itertools.pairwise(ends)]
    return find_runs(history, 110.0), FuelUse(1.0, 0.02, tuple(each))


def known(hours, output):
    """Return an assessment with this course of the output."""
    output = np.asarray(output, dtype=float)
    return SimpleNamespace(curve=Curve(np.asarray(hours, dtype=float), output, output, output, 1e3))


def test_the_rise_that_the_loss_of_output_explains():
    # Six containers: the middle of the first two lies at day 20 and 120 h, that of the last two at
    # day 100 and 600 h. As one over the cell voltage: 0.976 of rated, then 0.88.
    runs, use = of_twenty_days(6)
    falling = known([0.0, 1000.0], [1.0, 0.8])
    assert rise_of_output(runs, falling, use) == pytest.approx(0.976 / 0.88 - 1.0, rel=2e-3)
    assert rise_of_output(runs, known([0.0, 1000.0], [0.8, 1.0]), use) == 0.0
    three = replace(use, containers=use.containers[:3])
    assert rise_of_output(runs, falling, three) is None
    assert rise_of_output(runs, SimpleNamespace(curve=None), use) is None
    # Of four, the first and the last: days 10 and 70, 60 and 420 h.
    four = replace(use, containers=use.containers[:4])
    assert rise_of_output(runs, falling, four) == pytest.approx(0.988 / 0.916 - 1.0, rel=2e-3)


def test_an_output_of_nothing_explains_no_rise():
    runs, use = of_twenty_days(4)
    # Nothing at first, nothing at last, less than nothing.
    for course in ([0.0, 0.0, 0.5], [0.5, 0.5, 0.0], [-0.1, -0.1, -0.2]):
        assert rise_of_output(runs, known([0.0, 100.0, 300.0], course), use) is None
    # As much at last as at first.
    assert rise_of_output(runs, known([0.0, 1000.0], [0.7, 0.7]), use) == 0.0


def said(monkeypatch, rise, sd, explained, containers=6):
    found = SimpleNamespace(use=use_of([1.0] * containers))
    case = SimpleNamespace(runs=None, assessment=None)
    monkeypatch.setattr(cross_check, "rise_of_use", lambda *_: (rise, sd))
    monkeypatch.setattr(cross_check, "rise_of_output", lambda *_: explained)
    return wear_check(case, found)


def test_the_rise_is_told_with_its_90_percent_interval(monkeypatch):
    # 1.645 standard deviations each way (two-sided 90 % of the normal distribution).
    text = said(monkeypatch, 0.111, 0.02, 0.10)
    assert "the use rose by 11 % (8 to 14 %); the loss of output explains 10 %" in text
    assert text.endswith("no proof of wear.")
    assert said(monkeypatch, 0.1, 0.02, None) is None
    assert said(monkeypatch, 0.1, 0.02, 0.1, containers=3) is None
    assert said(monkeypatch, 0.1, 0.02, 0.1, containers=4) is not None


@pytest.mark.parametrize(
    ("rise", "apart"), [(0.191, True), (0.189, False), (0.009, True), (0.011, False)]
)
def test_two_standard_deviations_and_five_per_cent_are_a_contradiction(monkeypatch, rise, apart):
    assert ("should agree" in said(monkeypatch, rise, 0.02, 0.1)) is apart
