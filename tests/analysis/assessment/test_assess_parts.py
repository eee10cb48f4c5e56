"""What the assessment makes of its parts: outputs, hours, dates and curves, each by hand."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment import assess as module
from analysis.assessment.assess import (
    curve_of,
    end_dates,
    forecast_for,
    hours_ahead,
    mean_logged_output,
    output_now,
    situation_of,
    steps_of,
    without_hours,
)
from analysis.assessment.case import Case
from analysis.assessment.document import Verdict
from analysis.assessment.forecast import Forecast
from analysis.assessment.usage import Pace, Usage
from analysis.estimate import Span
from analysis.health.evidence import Life
from analysis.health.life import StepFound
from analysis.inputs.finding import Finding, Severity
from analysis.load.required_power import LoadLimit
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log
from tests.support.configurations import config_for

DAY_S = 86400.0
NONE = np.empty(0)


@pytest.fixture(scope="module")
def case():
    """Forty runs of six hours, one a day: 240 h."""
    found = Case(log(runs=40, noise=0.002), config_for())
    assert found.health is not None
    return found


def only_bounds(evidence, value, used=(True,), se=0.002):
    """Return evidence of lower bounds alone."""
    count = len(evidence.runtime_h)
    out = replace(
        evidence.out, value=np.broadcast_to(value, count).astype(float),
        standard_error=np.full(count, se), bound=np.ones(count, dtype=bool),
        used=np.broadcast_to(used, count).copy(),
    )  # fmt: skip
    return replace(evidence, out=out)


def test_a_bound_is_the_second_highest_of_the_last_hundred_hours(case):
    # Two errors and a margin of 3 % are taken off.
    value = 0.5 + 0.001 * np.arange(40)
    found = output_now(None, only_bounds(case.evidence, value))
    assert found == Span(low=pytest.approx(0.538 - 0.004 - 0.03))
    # 240 h: the runs of the last hundred begin after 140 h, in the 24th run.
    value = np.where(np.arange(40) < 23, 0.9, 0.5)
    assert output_now(None, only_bounds(case.evidence, value)).low == pytest.approx(0.466)
    value = np.where(np.arange(40) < 26, 0.9, 0.5)
    assert output_now(None, only_bounds(case.evidence, value)).low == pytest.approx(0.866)
    # None of late: the last five that there are; one alone; none at all; and never below nothing.
    rising = 0.5 + 0.01 * np.arange(40)
    early = output_now(None, only_bounds(case.evidence, rising, np.arange(40) < 10))
    assert early.low == pytest.approx(0.58 - 0.034)
    falling = 0.9 - 0.01 * np.arange(40)
    last = output_now(None, only_bounds(case.evidence, falling, np.arange(40) < 10))
    assert last.low == pytest.approx(0.9 - 0.06 - 0.034), "the second highest of the last five"
    alone = output_now(None, only_bounds(case.evidence, rising, np.arange(40) == 3))
    assert alone.low == pytest.approx(0.53 - 0.034)
    assert output_now(None, only_bounds(case.evidence, rising, np.zeros(40, dtype=bool))) == Span()
    assert output_now(None, only_bounds(case.evidence, 0.01)).low == 0.0


def test_the_output_has_the_ends_of_ninety_per_cent(case):
    health = SimpleNamespace(output=lambda p: {0.05: -0.1, 0.5: 0.2, 0.95: 0.4}[p])
    assert output_now(health, case.evidence) == Span(0.0, 0.2, 0.4)


def told(case, monkeypatch, evidence=None, needed=None):
    """Return what the forecast is asked with."""
    asked = {}

    def keep(*args, **more):
        asked.update(more, args=args)

    monkeypatch.setattr(module, "forecast", keep)
    forecast_for(case.health, case.evidence if evidence is None else evidence, needed, case.config)
    return asked


def test_what_the_forecast_is_asked_with(case, monkeypatch):
    plain = told(case, monkeypatch)
    posterior, systematic, observed_h, limit, _, load, _ = plain["args"]
    assert posterior is case.health.posterior
    assert systematic == case.health.systematic
    # From the stretch of the first run, which lies between its 1st and 4th hour, to 240 h.
    assert 236.0 < observed_h < 239.0
    assert (limit, load) == (case.config.charger.replace_below, None)
    assert (plain["load_sd"], plain["gain_sd"]) == (0.0, case.health.gain_sd)
    loaded = told(case, monkeypatch, needed=LoadLimit(0.7 * RATED_W, 0.1))
    assert (loaded["args"][5], loaded["load_sd"]) == (pytest.approx(0.7), 0.1)
    # A later life has been seen from its first hour on.
    renewed = replace(case.evidence, life=Life(BEGIN_S + 20 * DAY_S, 120.0))
    later = told(case, monkeypatch, renewed)
    assert 116.0 < later["args"][2] < 119.0
    unseen = replace(case.evidence, runs=replace(
        case.runs, hours=replace(case.runs.hours, unseen_h=50.0)
    ))  # fmt: skip
    assert told(case, monkeypatch, unseen)["unseen_h"] == 50.0
    assert told(case, monkeypatch, replace(unseen, life=renewed.life))["unseen_h"] == 0.0
    none = replace(case.evidence, out=replace(case.evidence.out, used=np.zeros(40, dtype=bool)))
    assert told(case, monkeypatch, none)["args"][2] == 1.0
    assert forecast_for(None, case.evidence, None, case.config) is None


def future(times_h=(0.0, 100.0, 200.0), draws_h=(100.0,), **more):
    times = np.asarray(times_h)
    kind = {
        "hours": Span(50.0, 100.0, 150.0), "until": "output", "first": {},
        "withheld": None, "withheld_code": None, "draws_h": np.asarray(draws_h), "times_h": times,
        "low": 0.7 - times / 1e3, "median": 0.8 - times / 1e3, "high": 0.9 - times / 1e3,
    }  # fmt: skip
    return Forecast(**kind | more)


def healthy(kh=(0.0, 0.1, 0.2), fitted=(1.0, 0.9, 0.8), **more):
    fitted = np.asarray(fitted)
    kind = {
        "sites": SimpleNamespace(kh=np.asarray(kh)), "fitted": fitted,
        "fitted_sd": np.full(len(fitted), 0.003), "systematic": 0.004, "gain_sd": 0.0,
        "steps": (),
    }  # fmt: skip
    return SimpleNamespace(**kind | more)


def test_the_mean_output_of_the_log_weighs_its_hours(case):
    # From 1.0 to 0.8: 0.9. Hours weigh, not nodes: 0.95 over 100 h, and 0.9 over 900.
    assert mean_logged_output(healthy(), case.evidence) == pytest.approx(0.9)
    uneven = healthy(kh=(0.0, 0.1, 1.0), fitted=(1.0, 0.9, 0.9))
    assert mean_logged_output(uneven, case.evidence) == pytest.approx(0.905)
    assert mean_logged_output(healthy(kh=(0.1,), fitted=(0.5,)), case.evidence) == 0.5
    assert mean_logged_output(None, case.evidence) is None


def test_the_pace_is_the_output_ahead_over_the_mean_of_the_log():
    # Ahead 0.8 to 0.6 over 200 h, after a mean of 0.9: 100 h give 75 / 0.9 of the usual.
    pace = Pace.of(np.array([0.0, 100.0, 200.0]), np.array([0.8, 0.7, 0.6]), 0.9)
    assert pace.usual(np.array([100.0, 200.0])) == pytest.approx([75.0 / 0.9, 140.0 / 0.9])
    assert pace.real(np.array([75.0 / 0.9])) == pytest.approx([100.0])


STEADY = Usage(np.full(24, 2.0), 1e-9, 1e-9)
SAME = Pace.of(np.array([0.0, 1e6]), np.ones(2), 1.0)
TWICE = Pace.of(np.array([0.0, 1e6]), np.full(2, 0.5), 1.0)


def test_dates_are_those_of_the_drawn_hours(case):
    end_s = float(case.runs.log.end_s[-1])
    draws = np.repeat(np.linspace(100.0, 300.0, 101), 20)
    found = end_dates(future(draws_h=draws), STEADY, SAME, case.runs)
    # 110, 200 and 290 h at 2 h a day; and one day in a wait of up to 150.
    days = (np.array([found.low, found.median, found.high]) - end_s) / DAY_S
    assert days == pytest.approx([55.0, 100.0, 145.0], abs=1.5)
    # With half of the output the hours are used in half of the time.
    soon = end_dates(future(draws_h=draws), STEADY, TWICE, case.runs)
    assert (soon.median - end_s) / DAY_S == pytest.approx(50.0, abs=1.0)
    open_end = future(draws_h=draws, hours=Span(50.0, None, None))
    assert end_dates(open_end, STEADY, SAME, case.runs).median is None
    assert end_dates(open_end, STEADY, SAME, case.runs).high is None
    # Nothing is dated after the year 2200, or where it never comes.
    never = np.where(np.arange(2020) < 1500, draws, np.inf)
    assert end_dates(future(draws_h=never), STEADY, SAME, case.runs).high is None
    for missing in ((None, STEADY, SAME), (future(), None, SAME), (future(), STEADY, None)):
        assert end_dates(*missing, case.runs) == Span()
    latest = datetime(2200, 1, 1, tzinfo=UTC).timestamp()
    assert found.high < latest


def test_hours_ahead_follow_the_pace(case):
    end_s = float(case.runs.log.end_s[-1])
    plain = hours_ahead(STEADY, None, case.runs)
    assert plain.time_s[0] == end_s
    assert plain.hours == pytest.approx(2.0 * (plain.time_s - end_s) / DAY_S)
    paced = hours_ahead(STEADY, TWICE, case.runs)
    near = paced.hours < 1e5
    assert paced.hours[near] == pytest.approx(2.0 * plain.hours[near])
    assert hours_ahead(None, SAME, case.runs) is None


def test_steps_count_in_hours_of_the_fitting(case):
    step = StepFound(0.05, -0.1, -0.12, -0.08)
    gain = StepFound(0.1, 0.2, 0.18, 0.22)
    begin_h = 100.0
    evidence = replace(case.evidence, life=Life(BEGIN_S, begin_h, gain))
    first, second = steps_of(healthy(steps=(step,)), evidence)
    assert (first.runtime_h, first.change) == (100.0, 0.2)
    assert (second.runtime_h, second.change, second.low, second.high) == (150.0, -0.1, -0.12, -0.08)
    assert second.time_s == evidence.time_s(150.0)
    assert len(steps_of(healthy(steps=(step,)), case.evidence)) == 1
    assert steps_of(None, evidence) == ()


def test_the_curve_runs_from_the_log_into_the_forecast(case):
    evidence = replace(case.evidence, life=Life(BEGIN_S, 40.0))
    curve = curve_of(healthy(gain_sd=0.012), future(), evidence)
    assert curve.forecast_from_h == pytest.approx(240.0)
    assert curve.runtime_h == pytest.approx([40.0, 140.0, 240.0, 240.0, 340.0, 440.0])
    assert curve.median == pytest.approx([1.0, 0.9, 0.8, 0.8, 0.7, 0.6])
    # 1.645 times 0.003, 0.004 and 0.012 together: 0.013 at full output.
    assert curve.high[0] - curve.median[0] == pytest.approx(1.645 * 0.013)
    assert curve.median[0] - curve.low[0] == pytest.approx(1.645 * 0.013)
    assert curve.high[2] - 0.8 == pytest.approx(1.645 * np.hypot(0.005, 0.0096))
    assert curve.low[3:] == pytest.approx([0.7, 0.6, 0.5])
    assert curve.high[3:] == pytest.approx([0.9, 0.8, 0.7])
    assert curve_of(None, future(), evidence) is None
    assert curve_of(healthy(), None, evidence) is None


def test_without_hours_only_the_present_is_left_of_a_forecast():
    left = without_hours(future(), "the gain drifts")
    assert (left.hours, left.until, left.withheld_code) == (Span(), None, None)
    assert left.withheld == "the gain drifts"
    for name in ("times_h", "low", "median", "high"):
        assert getattr(left, name).tolist() == getattr(future(), name)[:1].tolist()


def test_what_the_verdict_is_told(case):
    year = SimpleNamespace(hours_per_year=lambda: 321.0)
    evidence = only_bounds(case.evidence, 0.5)
    bound = np.arange(40) < 5
    out = replace(evidence.out, bound=bound, used=np.arange(40) < 30)
    out = replace(out, left_out_h={module.HELD_BY_OTHERS: 12.0})
    drifts = (finding(module.GAIN_DRIFT, Severity.DOUBT),)
    told = situation_of(
        case.health, replace(evidence, out=out), None, year, case.config, drifts, held=True
    )
    assert told.drifts
    assert not told.measured
    assert (told.values, told.bounds, told.runs) == (25, 5, 40)
    assert (told.held, told.hours_per_year, told.other_source_h) == (True, 321.0, 12.0)
    assert (told.steps, told.renewed, told.renewal_found) == (0, False, False)
    assert (told.temperature_told, told.states_told, told.now_h) == (True, True, pytest.approx(240))
    assert told.slope.low < told.slope.median < told.slope.high
    silent = replace(out, temperature_c=np.full(40, np.nan), left_out_h={})
    life = Life(BEGIN_S, 1.0, StepFound(0.0, 0.1, 0.08, 0.12))
    other = replace(evidence, out=silent, life=life)
    told = situation_of(None, other, None, None, case.config, (), held=False)
    assert (told.temperature_told, told.hours_per_year, told.other_source_h) == (False, None, 0.0)
    assert (told.renewed, told.renewal_found, told.slope, told.steps) == (True, True, Span(), 0)


def finding(code, severity):
    return Finding(code, severity, BEGIN_S, f"text of {code}", "do this", "expected", "seen")


def of(case, *findings):
    return module.assess(
        case.health, case.evidence, None, case.use, case.pattern, case.config, findings
    )


def test_after_a_stop_nothing_is_concluded(case):
    plain = of(case)
    assert plain.verdict is Verdict.SOUND
    assert plain.output.median is not None
    stopped = of(case, finding("two_units", Severity.STOP), finding("late", Severity.DOUBT))
    assert stopped.verdict is Verdict.UNDETERMINED
    for name in ("output", "since_start", "decline_per_1000h", "remaining_h", "remaining_date"):
        assert getattr(stopped, name) == Span()
    assert (stopped.sag, stopped.steps, stopped.until, stopped.curve) == (None, (), None, None)
    assert [(r.code, r.text) for r in stopped.reasons] == [("two_units", "text of two_units")]
    assert [f.code for f in stopped.inputs] == ["two_units", "late"]
    assert (stopped.runs, stopped.running_hours) == (40, pytest.approx(240.0))
    assert of(case, finding("late", Severity.DOUBT)).verdict is Verdict.SOUND


def test_a_gain_that_drifts_withholds_decline_and_end(case):
    drifts = of(case, finding("gain_drift", Severity.DOUBT))
    assert drifts.output == of(case).output
    for name in ("since_start", "decline_per_1000h", "remaining_h", "remaining_date"):
        assert getattr(drifts, name) == Span()
    assert "drifts" in drifts.withheld
    assert drifts.until is None


def test_the_figures_of_the_log_itself(case):
    made = of(case)
    assert (made.runs, made.source_limited_runs, made.battery_limited_runs) == (40, 40, 0)
    assert made.observed_from_s == case.runs.log.start_s[0]
    assert made.observed_to_s == case.runs.log.end_s[-1]
    # Each run gives 110 W times its output; the ten minutes of starting give less.
    assert made.energy_kwh == pytest.approx(case.runs.log.energy_j.sum() / 3.6e6)
    assert made.charge_ah == pytest.approx(case.runs.log.charge_c.sum() / 3600.0)
    assert made.at_runtime_h == pytest.approx(240.0)
    assert made.sag == case.evidence.out.sag.depth
    assert made.store is None
    assert sum(row.hours for row in made.account) == pytest.approx(240.0)
