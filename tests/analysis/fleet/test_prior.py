"""What sisters say of a life, held against published units and closed forms."""

import json
from dataclasses import replace
from itertools import accumulate, product
from math import comb

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.assessment.usage import date_of, dates
from analysis.fleet.demand import demand, interval, number_of_events
from analysis.fleet.listing import QUARTER_S
from analysis.fleet.outlook import chances, outlook
from analysis.fleet.prior import (
    FORM_WEIGHTS,
    GRID,
    LOSS,
    WANDER_WEIGHTS,
    Prior,
    Sisters,
    form_weights,
    integrate,
    loss_at,
    normal,
)
from analysis.fleet.sketch import FORM_NAMES, Sketch, sketch_of, sketch_of_health
from analysis.health.life import estimate
from analysis.health.trend import Observations
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.published import BATTING, GAAS, GAAS_PSEUDO_H

USUAL = LOSS / 7.5
HOURS = 250.0 * np.arange(17)
#: Ten per cent more current is the end of a laser: four tenths of an output lost.
OUTPUT = 1.0 - 0.04 * np.array(GAAS.split(), dtype=float).reshape(17, 15)
FAILED_H = np.array(GAAS_PSEUDO_H.split(), dtype=float)


def laser(unit, readings):
    """Return the sketch of a laser at so many readings."""
    hours = HOURS[:readings]
    data = Observations(
        hours / 1000.0,
        OUTPUT[:readings, unit],
        np.full(readings, 0.004),
        np.zeros(readings, dtype=bool),
    )
    now_kh = float(hours[-1]) / 1000.0
    # A cabinet of even warmth: no season.
    warm = np.full(readings, 25.0)
    health = estimate(data, warm, 1.5e9 + 3600.0 * hours, now_kh, USUAL)
    return replace(
        sketch_of_health(health, float(hours[-1]), 1.0 - LOSS), systematic=0.0, gain_sd=0.0
    )


@pytest.fixture(scope="module")
def old():
    return Sisters([laser(unit, 17) for unit in range(15)], USUAL)


def test_the_lives_of_published_units_come_out(old):
    # The pseudo failure times have a geometric mean of 5006 h and a spread of 0.208 (their own
    # straight lines know nothing of forms and wander, so a tenth either way is let pass).
    prior = old.prior()
    assert prior.old == 15
    assert prior.usable
    log_h = np.log(FAILED_H / 1000.0)
    assert prior.mean == pytest.approx(log_h.mean(), abs=0.05)
    assert log_h.std() * 0.9 < prior.spread < log_h.std() * 1.3
    assert prior.density.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(("readings", "most_error"), [(5, 0.12), (9, 0.10)])
def test_older_sisters_help_a_young_unit(old, readings, most_error):
    # Leave one out, at 1000 and 2000 h, against the published times.
    errors, held = {"alone": [], "sisters": []}, {"alone": 0, "sisters": 0}
    for unit in range(15):
        young, left_h = laser(unit, readings), FAILED_H[unit] - HOURS[readings - 1]
        for name, prior in (("alone", None), ("sisters", old.prior(without=unit))):
            draws = np.sort(outlook(young, prior, np.random.default_rng(unit)).draws_h)
            low, middle, high = (draws[int(p * len(draws))] for p in (0.05, 0.5, 0.95))
            errors[name].append(abs(min(middle, 1e6) - left_h) / left_h)
            held[name] += low <= left_h <= high
    assert np.median(errors["sisters"]) < most_error
    assert np.median(errors["sisters"]) < np.median(errors["alone"])
    # Fewer than 13 of 15 come of true 90 % intervals 18 times in 100.
    assert held["sisters"] >= 13


def test_a_boat_is_never_in_its_own_prior(old):
    other = list(old.sketches)
    other[3] = laser(9, 6)
    before, after = old.prior(without=3), Sisters(other, USUAL).prior(without=3)
    np.testing.assert_array_equal(before.density, after.density)
    np.testing.assert_array_equal(before.form, after.form)
    assert before.sisters == 14
    assert not np.array_equal(old.prior().density, before.density)


def test_young_sisters_do_not_speak():
    young = Sisters([laser(unit, 6) for unit in range(6)], USUAL).prior()
    assert young.old == 0
    assert not young.usable
    assert not Sisters([], USUAL).prior().usable


def test_only_old_sisters_have_a_say_on_the_forms(old):
    # At 2000 h no laser has lost three quarters of what ends a life; at 4000 h ten of 15 have.
    young = Sisters([laser(unit, 9) for unit in range(15)], USUAL).prior()
    np.testing.assert_allclose(young.form, FORM_WEIGHTS, atol=1e-12)
    # They fade along straight lines, or nearly so.
    weight = old.prior().form
    accelerating = slice(FORM_NAMES.index("accelerating 1.3"), None)
    assert weight[accelerating].sum() < 0.6 * FORM_WEIGHTS[accelerating].sum()


def test_sisters_of_one_form_outweigh_the_defaults_and_others_do_not():
    # Independently: the chance of a run of sisters one after the other (Polya's urn), for each
    # count of the defaults; the next one's form is a quotient of two such chances.
    def chance(run):
        total = 0.0
        for count in (3.0, 10.0, 30.0, 100.0):
            seen, product = np.zeros(len(FORM_WEIGHTS)), 1.0
            for form in run:
                product *= (count * FORM_WEIGHTS[form] + seen[form]) / (count + seen.sum())
                seen[form] += 1.0
            total += product / 4.0
        return total

    alike, mixed = [1] * 12, [0, 0, 0, 0, 0, 1, 3, 3, 3, 4, 4, 5]
    for run in (alike, mixed):
        votes = np.bincount(run, minlength=len(FORM_WEIGHTS)).astype(float)
        expected = [chance([*run, form]) / chance(run) for form in range(len(FORM_WEIGHTS))]
        np.testing.assert_allclose(form_weights(votes), expected, rtol=1e-9)
    one = np.bincount(alike, minlength=len(FORM_WEIGHTS)).astype(float)
    assert form_weights(one)[1] > 0.7
    none = np.zeros(len(FORM_WEIGHTS))
    np.testing.assert_allclose(form_weights(none), FORM_WEIGHTS, rtol=1e-12)


def test_lives_of_sisters_judge_the_form_of_a_boat_by_the_root_of_their_evidence(old):
    sketch = laser(3, 9)
    # Cells that the boat itself holds as likely as before, at the same present loss.
    picked = [int(np.flatnonzero(sketch.form == k)[0]) for k in (0, 3)]
    row = {
        name: getattr(sketch, name)[[picked[0]] * 2]
        for name in ("share", "wander", "level", "loss", "level_var", "cross", "loss_var")
    }
    both = replace(sketch, form=np.array([0, 3]), weight=FORM_WEIGHTS[[0, 3]], **row)
    lives = normal(np.log(5.0), 0.2)
    prior = Prior(lives, FORM_WEIGHTS, WANDER_WEIGHTS, 0.0, 0.2, 9, 9, 5000.0)
    p = chances(both, prior)
    assert p.sum() == pytest.approx(1.0)
    # By hand: what each cell says of its loss, the estimator's prior of it taken out, averaged over
    # the lives of the sisters.
    at = loss_at(both)
    near = np.exp(-0.5 * (at - both.loss[0]) ** 2 / both.loss_var[0])
    near *= np.exp(0.5 * (at - both.usual) ** 2 / 0.1**2)
    evidence = near @ lives
    bayes, root = (
        float((FORM_WEIGHTS[0] / FORM_WEIGHTS[3]) * (evidence[0] / evidence[1]) ** power)
        for power in (1.0, 0.5)
    )
    told = p.sum(axis=1)
    assert told[0] / told[1] == pytest.approx(root, rel=1e-6)
    assert abs(np.log(root / bayes)) > 0.1
    # Within a cell the lives follow Bayes' theorem.
    np.testing.assert_allclose(p[0] / told[0], near[0] * lives / evidence[0], rtol=1e-6, atol=1e-12)


def test_mean_and_spread_are_integrated_as_the_closed_form_says():
    # Efron and Morris's 18 averages; their c by their own formula first, so the data are theirs.
    averages = np.array(BATTING.split(), dtype=float)
    mean = averages.mean()
    variance = mean * (1 - mean) / 45
    square = float(((averages - mean) ** 2).sum())
    assert 1 - (18 - 3) * variance / square == pytest.approx(0.212, abs=0.002)
    grid = np.linspace(-0.2, 0.8, 1500)
    flat = np.exp(-0.5 * (grid[None] - averages[:, None]) ** 2 / variance)
    # Flat priors of mean and variance (-2 degrees of freedom, scale 0), as Morris 1983, JASA
    # 78:47-65: then the mean integrates out exactly.
    _, spreads, weights = integrate(flat, grid, mean, 0.04, (mean, 1e3), (0.0, -2.0))
    whole = spreads**2 + variance
    exact = spreads**2 * whole ** (-17 / 2) * np.exp(-square / (2 * whole))
    np.testing.assert_allclose(weights, exact / exact.sum(), atol=0.01)


def test_a_normal_on_the_grid_is_one():
    density = normal(np.log(5.0), 0.3)
    assert float(density @ GRID) == pytest.approx(np.log(5.0), abs=1e-6)


def test_a_sketch_forecasts_what_the_log_does_and_survives_its_file():
    case = Case(plain_log.log(runs=200, loss=0.12), config_for())
    sketch = sketch_of(case)
    kept = json.loads(json.dumps(sketch.document()))
    assert len(json.dumps(kept)) < 12_000
    again = Sketch.read(kept)
    alone = outlook(again, None, np.random.default_rng(1)).hours
    whole = case.assessment.remaining_h
    assert alone.median == pytest.approx(whole.median, rel=0.06)
    assert alone.low == pytest.approx(whole.low, rel=0.10)
    np.testing.assert_allclose(
        outlook(sketch, None, np.random.default_rng(1)).hours.median, alone.median, rtol=1e-6
    )


def test_a_fleet_dates_a_limit_as_the_boats_own_report_does():
    # A charger that has lost half runs nearly twice as long for the same energy.
    case = Case(plain_log.log(runs=300, loss=0.14), config_for())
    whole, ahead = case.assessment, outlook(sketch_of(case), None, np.random.default_rng(1))
    end_s, told = whole.observed_to_s, whole.remaining_date
    when = ahead.when(ahead.draws_h, case.pattern, whole.logged_output, end_s)
    date = date_of(when, ahead.hours)
    for end in ("low", "median", "high"):
        ours, theirs = getattr(date, end), getattr(told, end)
        assert ours - end_s == pytest.approx(theirs - end_s, rel=0.08), end
    # Without the pace it would come sooner by more than that.
    worn = dates(case.pattern, end_s, ahead.draws_h, np.random.default_rng(1))
    assert date_of(worn, ahead.hours).median - end_s > 1.1 * (told.median - end_s)


def test_the_number_of_events_is_exact():
    chances = np.array([0.1, 0.5, 0.7, 0.02])
    told = np.zeros(5)
    for happens in product((0, 1), repeat=4):
        told[sum(happens)] += np.prod(np.where(happens, chances, 1 - chances))
    np.testing.assert_allclose(number_of_events(chances), told, atol=1e-15)
    # Of equal chances it is the binomial distribution.
    up_to = list(accumulate(comb(40, k) * 0.2**k * 0.8 ** (40 - k) for k in range(41)))
    assert interval(np.full(40, 0.2)) == tuple(np.searchsorted(up_to, [0.05, 0.95]))
    assert interval(np.empty(0)) == (0, 0)


def test_demand_falls_into_its_quarter_and_its_interval_holds():
    sure = demand([np.full(10, 2.5 * QUARTER_S), np.full(10, -1.0), np.full(10, np.inf)], 0.0)
    assert [(q.mean, q.low, q.high) for q in sure[:4]] == [
        (1, 1, 1),
        (0, 0, 0),
        (1, 1, 1),
        (0, 0, 0),
    ]
    # 400 fleets of 30 boats whose lives are drawn as they are told.
    rng = np.random.default_rng(3)
    drawn = [rng.exponential(6.0 * QUARTER_S * (1 + k / 30), 4000) for k in range(30)]
    told = demand(drawn, 0.0)
    lives = np.array([rng.choice(d, 400) for d in drawn])
    for quarter in told:
        came = ((lives // QUARTER_S) == quarter.number - 1).sum(axis=0)
        assert came.mean() == pytest.approx(quarter.mean, abs=0.4)
        assert 0.87 < np.mean((quarter.low <= came) & (came <= quarter.high)) <= 1.0


def test_a_usual_life_that_is_told_far_too_long_does_not_lead_astray(old):
    # A design life of a million hours was told: the sisters' logs say what their lives are.
    far = Sisters(old.sketches[:6], LOSS / 1000.0).prior()
    near = Sisters(old.sketches[:6], USUAL).prior()
    assert far.mean == pytest.approx(near.mean, abs=0.1)
    assert far.spread == pytest.approx(near.spread, abs=0.1)
