"""The study measures what it says: an oracle scores perfectly, an over-confident one is caught."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.assessment.document import Step, Verdict
from analysis.estimate import Span
from analysis.study.boats import simulate, with_load_limit
from analysis.study.outcome import holds, outcome
from analysis.study.population import draw, population
from analysis.study.scores import Said, clopper_pearson, interval_score
from analysis.study.table import markdown, rows

SMALL = (0, 5, 6, 17)


@pytest.fixture(scope="module")
def lives():
    boats = [draw(number, 7) for number in SMALL]
    # Short lives: the machinery is tested here, the estimator in the study itself.
    boats = [replace(b, until_h=min(b.until_h, b.model.charger.hours_before + 400)) for b in boats]
    lived = [(boat, *simulate(boat)) for boat in boats]
    with pytest.MonkeyPatch.context() as patch:
        # Found roughly, which takes half the time; test_short_days.py holds how well it is found.
        patch.setattr("analysis.study.short_days.WIDTH", 0.5)
        return [(boat, history, with_load_limit(boat, truth)) for boat, history, truth in lived]


def judged(lives, change):
    found = []
    for boat, history, truth in lives:
        case = Case(history, boat.config())
        found.append(outcome(boat, case.runs, truth, change(case.assessment, truth), 0.1))
    return found


def row(outcomes, words):
    (found,) = [r for r in rows(outcomes) if words in r.what]
    return found


def oracle(a, truth):
    left = truth.remaining_h
    verdict = Verdict.REPLACE if truth.remaining_output_h <= 0 else Verdict.SOUND
    offset = truth.at_h - (a.at_runtime_h or 0.0)
    steps = tuple(Step(at - offset, 0.0, c, c, c) for at, c in truth.steps)
    return replace(
        a,
        output=Span(truth.output, truth.output, truth.output),
        remaining_h=Span(left, left, left),
        until=truth.until,
        verdict=verdict,
        steps=steps,
    )


def test_an_oracle_has_no_error_and_full_coverage(lives):
    outcomes = judged(lives, oracle)
    assert row(outcomes, "median error of available output").reached == "0.00"
    assert row(outcomes, "available output holds").reached.startswith("100.0 %")
    assert row(outcomes, "remaining hours holds").reached.startswith("100.0 %")
    assert row(outcomes, "first of the three limits").reached == "100.0"
    assert row(outcomes, "healthy boats called replace").reached in {"0.00", "none"}
    assert row(outcomes, "false step").reached == "0.00"
    assert row(outcomes, "interval score").reached == "0.00"


def test_one_that_is_too_sure_is_caught(lives):
    def too_sure(a, truth):
        value = truth.output + 0.01
        return replace(a, output=Span(value - 1e-4, value, value + 1e-4))

    outcomes = judged(lives, too_sure)
    coverage = row(outcomes, "available output holds")
    assert coverage.reached.startswith("0.0 %")
    assert coverage.met is False
    assert row(outcomes, "median error of available output").reached == "1.00"


def test_a_wrong_limit_and_wrong_loads_are_counted(lives):
    def wrong(a, truth):
        others = {"output", "design_hours", "load"} - {truth.until}
        return replace(a, until=min(others))

    outcomes = judged(lives, wrong)
    assert row(outcomes, "first of the three limits").reached == "0.0"
    assert row(outcomes, "first of the three limits").met is False
    said = [Said(0.30, 0.44, 0.50, 0.40), Said(0.30, 0.36, 0.39, 0.40)]
    load = [
        replace(o, needed=n, until_right=right, short_said=0.08, short_truth=0.02,
                until_truth="load", left_h=250.0, left_low_h=150.0, left_high_h=300.0,
                truth_left_h=200.0)
        for o, n, right in zip(outcomes, said, (True, True), strict=False)
    ]  # fmt: skip
    # A boat whose load is not stated counts in the first row alone.
    unknown = replace(
        load[0], needed=None, short_said=None, until_right=False, left_h=900.0, left_low_h=800.0
    )
    outcomes = [*load, replace(unknown, left_high_h=950.0)]
    assert row(outcomes, "first of the three limits").reached == "66.7"
    assert row(outcomes, "the same where the load is stated").reached == "100.0"
    assert row(outcomes, "median error of the output that the load").reached == "10.00"
    assert row(outcomes, "output that the load asks for holds").reached.startswith("50.0 %")
    assert row(outcomes, "ending first: median relative error").reached == "25.00"
    assert row(outcomes, "ending first: 90 % interval").reached.startswith("100.0 %")
    assert row(outcomes, "days on which the bank is short").reached == "6.00"


def test_the_estimator_on_these_few(lives):
    outcomes = judged(lives, lambda a, _: a)
    told = [o for o in outcomes if o.output is not None]
    assert len(told) >= 2
    assert np.median([abs(o.output - o.truth) for o in told]) < 0.02
    assert all(np.isfinite([o.mean_power, o.percentile, o.line]).all() for o in told)


def test_the_truth_is_that_of_the_course(lives):
    for boat, history, truth in lives:
        assert truth.at_h <= boat.until_h + 1.0
        assert truth.output == pytest.approx(truth.course[round(truth.at_h)], abs=0.02)
        left = truth.remaining_output_h
        if np.isfinite(left) and left > 0:
            at = int(truth.at_h + left)
            assert np.mean(truth.course[at + 2 : at + 90] < boat.replace_below) > 0.9
        running_h = np.nansum(history.duration_s[history.energy_j > 0]) / 3600.0
        assert running_h <= 1.05 * truth.observed_h + 1.0


def test_a_boat_is_the_same_whatever_the_population(tmp_path):
    assert population(30, 3)[:5] == population(5, 3)
    assert population(5, 3) != population(5, 4)
    boat = replace(draw(17, 7), until_h=draw(17, 7).model.charger.hours_before + 20)
    first, truth = simulate(boat, tmp_path)
    again, kept = simulate(boat, tmp_path)
    assert len(list(tmp_path.iterdir())) == 1
    assert np.array_equal(first.energy_j, again.energy_j, equal_nan=True)
    assert kept.output == truth.output


def test_the_table_is_readable(lives):
    text = markdown(judged(lives, oracle), 7)
    assert text.count("\n| ") >= 15
    assert "| yes |" in text


def test_interval_score_worked_values():
    # Gneiting and Raftery (2007), JASA 102:359-378, equation (43): width, plus 2/alpha times how
    # far the truth lies outside.
    low, high = np.array([1500.0] * 3), np.array([2500.0] * 3)
    score = interval_score(low, high, np.array([2000.0, 2600.0, 1400.0]))
    assert score.tolist() == [1000.0, 3000.0, 3000.0]
    assert interval_score(low[:1], high[:1], np.array([1400.0]), alpha=0.2)[0] == 2000.0


def test_exact_interval_of_a_share():
    # Clopper and Pearson (1934); 15 of 20 at 95 %: (.50895, .91343), computed.
    assert clopper_pearson(15, 20) == pytest.approx((0.50895, 0.91343), abs=5e-6)
    assert clopper_pearson(0, 10)[0] == 0.0
    assert clopper_pearson(10, 10)[1] == 1.0


def test_open_intervals_hold_everything_on_their_side():
    assert holds(100.0, None, 1e9)
    assert holds(None, 5.0, -1.0)
    assert not holds(100.0, 200.0, 203.0, slack=2.0)
    assert holds(100.0, 200.0, 201.0, slack=2.0)
