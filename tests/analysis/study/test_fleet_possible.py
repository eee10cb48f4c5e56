"""The best forecast that is possible in a fleet: one who knows how its boats are drawn."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.study.ahead.possible import COURSE_H, Seen, knowing
from analysis.study.fleet import possible
from analysis.study.fleet.live import AGES, FORMS, KINDS, LONGEST_KH, SHORTEST_KH, Kind
from analysis.study.fleet.possible import Type, figures, judge, middle_between, row
from analysis.study.population import WANDER_LOG
from analysis.study.scores import Said
from tests.support.oracles import first_passage_cdf

LIMIT = 0.6


@pytest.mark.parametrize(("lost", "level_sd"), [(0.12, 0.0), (0.16, 0.0), (0.16, 0.025)])
def test_the_answer_is_that_of_the_closed_form(lost, level_sd):
    # Straight declines about 0.15 per 1000 h, and figures without error. Then the first figure and
    # the loss from there until now tell all of the rate (a Wiener process keeps no more). The rate
    # stays normal, and the time to the limit is a first passage with a normal drift.
    mean, sd, wander = 0.15, 0.01, float(np.exp(WANDER_LOG[0]))
    rng = np.random.default_rng(2)
    rates = rng.normal(mean, sd, 20_000)
    courses = 1.0 - rates[:, None] * COURSE_H / 1000.0
    hours = np.arange(50.0, 1001.0, 50.0)
    bridge = np.cumsum(rng.standard_normal(len(hours))) * 0.001
    value = 1.0 - lost * hours / 1000.0 + bridge - bridge[-1] * hours / 1000.0
    seen = Seen(hours, value, 1e-10 * np.eye(len(hours)))
    said = knowing(seen, courses, 1000.0, LIMIT, 6000.0, (0.0,), level_sd)
    first = hours[0] / 1000.0
    told = (  # change of output, thousand hours, variance
        (1.0 - value[0], first, level_sd**2 + wander**2 * first),
        (value[0] - value[-1], 1.0 - first, wander**2 * (1.0 - first)),
    )
    precision = sd**-2 + sum(kh**2 / variance for _, kh, variance in told)
    drift = (mean / sd**2 + sum(kh * by / variance for by, kh, variance in told)) / precision
    kh = np.linspace(0.01, 5.0, 5000)
    reached = first_passage_cdf(kh, 1.0 - lost - LIMIT, drift, wander, precision**-0.5)
    low, median, high = 1000.0 * np.interp((0.05, 0.5, 0.95), reached, kh)
    # 2000 futures tell the median to about 4 h, the ends to about 7 h.
    assert said.median == pytest.approx(median, abs=20.0)
    assert said.low == pytest.approx(low, abs=35.0)
    assert said.high == pytest.approx(high, abs=35.0)


def test_chargers_are_drawn_as_the_fleet_says():
    rng = np.random.default_rng(3)
    one = Type(Kind(mixed=False, spread=0.25), "power", 3.0)
    drawn = [one.charger(rng) for _ in range(400)]
    assert {c.form for c in drawn} == {"power"}
    log_kh = np.log([c.reference_h / 1000.0 for c in drawn])
    # Standard errors are 0.0125 and 0.009.
    assert log_kh.mean() == pytest.approx(np.log(3.0), abs=0.05)
    assert log_kh.std() == pytest.approx(0.25, abs=0.035)
    mixed = replace(one, kind=Kind(mixed=True, spread=0.25))
    assert {mixed.charger(rng).form for _ in range(60)} == set(FORMS)
    charger, course, end_h = mixed.living(rng)
    assert 1000.0 * SHORTEST_KH <= end_h <= 1000.0 * LONGEST_KH
    assert course[int(end_h)] >= LIMIT > course[int(end_h) + 1]
    seen = figures(charger, course, 0.5 * end_h, rng)
    error = seen.value - np.interp(seen.hours, np.arange(len(course)), course)
    white = error / np.sqrt(np.diag(seen.known))
    assert len(white) == int(0.5 * end_h / 17.0)
    assert float(white @ white) / len(white) == pytest.approx(1.0, abs=0.6)


def test_one_who_knows_holds_nine_of_ten():
    known = judge(Kind(mixed=True, spread=0.25), 5, 0, 24, 4000)
    assert [len(k.young) for k in known] == [len(AGES)] * 24
    said = [k.anywhere for k in known if k.anywhere is not None]
    # Of true 90 % intervals of 20 boats, fewer than 15 hold in 1 case of 100.
    assert len(said) >= 20
    assert sum(one.holds for one in said) >= 0.75 * len(said)
    width = [[(s.high - s.low) / s.truth for s in k.young] for k in known]
    assert np.all(np.diff(np.median(width, axis=0)) < 0.0)


def test_a_row_by_hand(monkeypatch, capsys):
    held, long = Said(800.0, 1100.0, 1500.0, 1000.0), Said(1200.0, 1500.0, 2000.0, 1000.0)
    assert row("one form", "25 %", [held, held, long]) == (
        "| one form | 25 % | 3 | 10.0 (10.0 to 50.0) | 67 (9 to 99) |"
    )
    known = possible.Known((held, long, held), None)
    monkeypatch.setattr(possible, "judge", lambda *_: [known, replace(known, anywhere=held)])
    monkeypatch.setattr("sys.argv", ["possible", "--fleets", "1"])
    assert possible.main() == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 2 + 4 * len(KINDS)
    assert lines[3] == "| one form, spread 0.25 | 25 % | 2 | 50.0 (50.0 to 50.0) | 0 (0 to 84) |"
    assert lines[5] == "| one form, spread 0.25 | any | 1 | 10.0 (10.0 to 10.0) | 100 (3 to 100) |"


def test_the_interval_of_a_median_by_counting():
    # Ranks 2 and 9 of 10, and 6 and 15 of 20, hold the median with 97.9 and 95.9 %: sums of
    # binomial coefficients over 1024 and 1048576.
    assert middle_between([float(k) for k in range(1, 11)]) == (2.0, 9.0)
    assert middle_between([float(k) for k in range(20, 0, -1)]) == (6.0, 15.0)
