"""Which life of a charger the evidence covers, and what of it is left, by hand."""

import math
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analysis.health.evidence import (
    Life,
    design_hours_left,
    gather,
    health_of,
    hours_at,
    observations,
    recorded_life,
    restricted,
)
from analysis.health.life import StepFound
from analysis.health.run_table import Limit
from analysis.history.runs import find_runs
from logger.config import load_config
from logger.event import Event
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log

DAY_S = 86400.0
#: Forty runs of six hours, one a day, from 2019-04-11 on; the counter begins at 100 h.
RUNS = find_runs(log(runs=40, start_h=100.0), RATED_W)


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("config") / "boat.toml"
    path.write_text(
        "[charger]\nrated_w = 110\nfitted = 2019-04-11\ndesign_life_h = 7500\n"
        "replace_below = 0.6\n[battery]\n[log]\n"
    )
    return load_config(path)


@pytest.fixture(scope="module")
def evidence(config):
    return gather(RUNS, config, 0.003, gain_sd=0.01)


def test_hours_and_times_of_the_evidence(evidence):
    assert evidence.now_h == pytest.approx(100.0 + 240.0)
    assert evidence.logged_h == pytest.approx(240.0)
    # The third run begins on the third day, after half an hour of rest, with 112 h on the counter.
    begun_s = RUNS.start_s[2]
    assert evidence.time_s(112.5) == pytest.approx(begun_s + 1800.0, abs=1.0)
    assert evidence.life == Life()
    assert not evidence.life.renewed
    assert Life(5.0).renewed
    assert evidence.used.all()
    later = replace(evidence, life=Life(begun_s, 112.0))
    assert later.used.tolist() == [False, False] + [True] * 38


def test_hours_are_those_of_the_stretch_or_of_the_middle_of_the_run():
    time_s = np.full(40, np.nan)
    time_s[1] = RUNS.start_s[1] + 3600.0
    hours = hours_at(RUNS, time_s)
    assert hours[1] == pytest.approx(107.0)
    assert hours[2] == pytest.approx(115.0)
    assert len(hours_at(find_runs(log(runs=0), RATED_W), np.empty(0))) == 0


def test_figures_are_ordered_by_hours(evidence):
    hours = np.arange(40.0)[::-1]
    use = np.arange(40) >= 37
    data, runs = observations(evidence.out, use, hours)
    assert runs.tolist() == [39, 38, 37]
    assert data.kh.tolist() == [0.0, 1.0, 2.0]
    assert data.y.tolist() == evidence.out.value[[39, 38, 37]].tolist()


def test_the_days_of_a_long_run_count_as_parts_of_one_run(config):
    # Forty runs of three days that differ by 0.8 % from run to run; nothing else fluctuates.
    runs = find_runs(log(runs=40, run_h=72.0, apart_d=4.0, noise=0.008, loss=0.02), RATED_W)
    assert (len(runs), runs.starts) == (120, 40)
    evidence = gather(runs, config)
    health, _ = health_of(evidence, config)
    assert health.wander < 0.006
    # Taken for runs by themselves, the days make the charger wander.
    as_runs = replace(runs, begun_s=runs.start_s)
    torn, _ = health_of(replace(evidence, runs=as_runs), config)
    assert torn.wander > 0.02


def recorded(*events, runs=RUNS):
    return recorded_life(replace(runs, log=replace(runs.log, events=tuple(events))))


def test_a_life_begins_with_the_last_record_of_a_renewal():
    at_s = [BEGIN_S + DAY_S * d for d in (10, 20, 30)]
    assert recorded() == Life()
    assert recorded(Event(1, at_s[0], "note")) == Life()
    found = recorded(Event(1, at_s[0], "renewal"), Event(2, at_s[1], "replacement"))
    # Twenty runs of six hours came before; it is recorded at the beginning of a day at rest.
    assert (found.start_s, found.start_h, found.gain) == (at_s[1], pytest.approx(220.0), None)
    struck = Event(3, at_s[2], "renewal", struck=True)
    assert recorded(Event(1, at_s[0], "renewal"), struck).start_s == at_s[0]
    # The end of the log counts still; a moment later, or the day before the fitting, does not.
    end_s = float(RUNS.log.end_s[-1])
    assert recorded(Event(1, end_s, "renewal")).start_h == pytest.approx(340.0)
    assert recorded(Event(1, end_s + 1.0, "renewal")) == Life()
    assert recorded(Event(1, BEGIN_S - 1.8 * DAY_S, "renewal")) == Life()
    empty = find_runs(log(runs=0), RATED_W)
    assert recorded(Event(1, at_s[0], "renewal"), runs=empty) == Life()


def left_h(evidence, config):
    left = design_hours_left(evidence, config)
    return None if left is None else pytest.approx(left)


def test_what_is_left_of_the_design_life(evidence, config):
    # 7500 h, as the makers of stacks state it: 7000 to 8000.
    assert config.charger.design_range_h == (7000.0, 8000.0)
    assert left_h(evidence, config) == (7000.0 - 340.0, 8000.0 - 340.0)
    renewed = replace(evidence, life=Life(BEGIN_S, 220.0))
    assert left_h(renewed, config) == (7000.0 - 120.0, 8000.0 - 120.0)
    # A gain proves no new unit.
    gain = replace(evidence, life=Life(BEGIN_S, 220.0, StepFound(0.22, 0.1, 0.08, 0.12)))
    assert left_h(gain, config) == (7000.0 - 340.0, 8000.0 - 340.0)
    # Where another unit may have been fitted at 300 h, both readings stay open.
    doubt = replace(evidence, may_begin_h=300.0)
    assert left_h(doubt, config) == (7000.0 - 340.0, 8000.0 - 40.0)
    early = replace(renewed, may_begin_h=100.0)
    assert left_h(early, config) == (7000.0 - 120.0, 8000.0 - 120.0)
    free = replace(config, charger=replace(config.charger, design_life_h=None))
    assert left_h(evidence, free) is None


def test_hours_that_nobody_counted_need_a_log_from_new(config):
    runs = find_runs(log(runs=40, counter=False), RATED_W)
    evidence = gather(runs, config)
    assert (evidence.zero_sd, evidence.gain_sd, evidence.may_begin_h) == (0.0, 0.0, None)
    first = date(2019, 4, 11)
    for days, told in ((0, True), (14, True), (15, False), (-14, True), (-15, False)):
        charger = replace(config.charger, fitted=first - timedelta(days=days))
        found = design_hours_left(evidence, replace(config, charger=charger))
        assert (found is not None) is told, days
    unknown = replace(config, charger=replace(config.charger, fitted=None))
    assert design_hours_left(evidence, unknown) is None
    assert design_hours_left(replace(evidence, life=Life(BEGIN_S, 20.0)), unknown) is not None
    empty = gather(find_runs(log(runs=0), RATED_W), config)
    assert empty.now_h is None
    assert design_hours_left(empty, config) is None
    assert health_of(empty, config) == (None, empty)


def test_the_lower_of_two_levels_and_what_a_setting_held(evidence):
    low, held = np.arange(40) < 2, np.arange(40) < 4
    found = restricted(evidence.out, low, held)
    assert found.used.tolist() == [False] * 2 + [True] * 38
    assert found.bound.tolist() == [False] * 2 + [True] * 2 + [False] * 36
    assert found.limit[:5] == (Limit.UNUSABLE,) * 2 + (Limit.BATTERY,) * 2 + (Limit.SOURCE,)
    assert found.reason[0] == "left out: at the lower of two levels (a fault)"
    assert found.reason[2] == "used as a lower bound: held by a setting or another source"
    assert found.reason[4] == evidence.out.reason[4]
    assert restricted(evidence.out, None, np.zeros(40, dtype=bool)) == evidence.out


def test_what_the_estimate_is_told(evidence, config):
    health, of = health_of(evidence, config)
    assert of == evidence
    # From 1.0 to 0.6 within 7500 h.
    assert health.usual_loss_per_kh == pytest.approx(0.4 / 7.5)
    assert health.gain_sd == 0.01
    # What all figures share: 0.2 %, the sag's share of them, and the zero.
    out = evidence.out
    sag = out.sag.depth_se * float(np.median(out.sagged))
    assert health.systematic == pytest.approx(math.sqrt(0.002**2 + sag**2 + 0.003**2))
    assert health.posterior.now_kh == pytest.approx(0.34)
    assert health.output(0.5, as_measured=True) == pytest.approx(1.0 - 0.05 * 0.24, abs=0.01)
    later = replace(evidence, life=Life(RUNS.start_s[2], 112.0))
    assert health_of(later, config)[0].posterior.now_kh == pytest.approx(0.228)
    free = replace(config, charger=replace(config.charger, design_life_h=None))
    assert health_of(evidence, free)[0].usual_loss_per_kh == pytest.approx(0.4 / 7.5)


def test_a_few_values_among_many_bounds_are_no_estimate(config):
    runs = find_runs(log(runs=200, run_h=2.0), RATED_W)
    evidence = gather(runs, config)
    assert evidence.used.sum() == 200

    def told(values):
        bound = np.arange(200) >= values
        return health_of(replace(evidence, out=replace(evidence.out, bound=bound)), config)[0]

    # A twenty-fifth of the runs, at least.
    assert told(7) is None
    assert told(8) is not None
    assert told(0) is None
