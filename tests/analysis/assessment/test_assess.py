"""The assessment through its front door: a log with a known truth in, figures and reasons out."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment.assess import sensor_decides
from analysis.assessment.case import Case
from analysis.assessment.document import Verdict
from analysis.health.evidence import design_hours_left, gather
from analysis.health.run_table import Limit
from analysis.history.runs import find_runs
from logger.config import SensorConfig, load_config
from logger.event import Event
from tests.support.asked import assess
from tests.support.boats.plain_log import (
    BEGIN_S,
    COLUMNS,
    RATED_W,
    RUNNING,
    STEP_S,
    figures,
    joined,
    log,
)


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("config") / "boat.toml"
    path.write_text(
        "[charger]\nrated_w = 110\nfitted = 2019-04-11\ndesign_life_h = 7500\n[battery]\n[log]\n"
    )
    return load_config(path)


# --- truth comes back ---


@pytest.mark.parametrize("loss", [0.0, 0.05, 0.12])
def test_level_and_decline_of_a_plain_life(config, loss):
    result = assess(log(runs=200, loss=loss), config)
    truth = 1.0 - loss * 1.2
    assert result.output.low <= truth <= result.output.high
    assert result.output.median == pytest.approx(truth, abs=0.007)
    assert result.decline_per_1000h.low <= loss <= result.decline_per_1000h.high
    assert result.source_limited_runs > 190
    assert result.steps == ()


def test_a_hot_compartment_is_not_wear(config):
    hot = assess(log(runs=365, loss=0.0, heat=0.006, run_h=4.0), config)
    assert hot.output.median == pytest.approx(1.0, abs=0.01)
    assert hot.verdict is Verdict.SOUND
    # The plain mean of the same runs is off by more: heat is not small here.
    plain = log(runs=365, loss=0.0, heat=0.006, run_h=4.0)
    inside = plain.state == RUNNING
    assert abs(plain.energy_j[inside].mean() / STEP_S / RATED_W - 1.0) > 0.02


def test_without_temperature_it_says_so_and_is_wider(config):
    exact = replace(config, sensor=SensorConfig(0.0, 0.0))
    told = assess(log(heat=0.002), exact)
    untold = assess(log(heat=0.002, temperature=False), exact)
    assert "no_temperature" in {r.code for r in untold.reasons}
    assert untold.output.high - untold.output.low > 2 * (told.output.high - told.output.low)
    assert any("compartment temperature" in line for line in untold.advice)


def test_only_battery_limited_running_is_a_lower_bound_and_no_decline(config):
    result = assess(log(full=1.0, loss=0.05), config)
    assert result.verdict is Verdict.UNDETERMINED
    assert result.output.median is None
    assert 0.5 < result.output.low <= 1.0 - 0.05 * 0.72
    assert result.output.high is None
    assert result.document()["output"]["fraction"] is None
    assert result.decline_per_1000h.median is None
    assert result.withheld == "the available output is not known"
    assert result.remaining_h.median is None


@pytest.mark.parametrize("change", [-0.06, -0.1])
def test_a_step_is_found_dated_and_kept_out_of_the_slope(config, change):
    result = assess(log(runs=200, loss=0.03, steps=[(600.0, change)]), config)
    assert len(result.steps) == 1
    assert result.steps[0].runtime_h == pytest.approx(600.0, abs=50.0)
    assert result.steps[0].change == pytest.approx(change, abs=0.02)
    assert result.decline_per_1000h.low <= 0.03 <= result.decline_per_1000h.high


def test_below_the_limit_is_never_called_sound(config):
    result = assess(log(runs=150, level=0.62, loss=0.06, start_h=3000.0), config)
    assert result.output.high < 0.62
    assert result.verdict is Verdict.REPLACE
    assert result.remaining_h.median == 0.0


def test_remaining_hours_of_a_straight_life(config):
    result = assess(log(runs=300, loss=0.1), config)
    truth = (1.0 - 0.1 * 1.8 - 0.6) / 0.1 * 1000.0
    assert result.until == "output"
    assert result.remaining_h.low <= truth <= result.remaining_h.high
    assert result.remaining_h.median == pytest.approx(truth, rel=0.25)


def test_a_renewal_starts_a_new_life(config):
    worn = log(runs=150, loss=0.15)
    again = log(runs=150, loss=0.02, seed=2, start_h=900.0)
    again = replace(again, start_s=again.start_s + 151 * 86400.0)
    event = Event(1, BEGIN_S + 150.5 * 86400.0, "renewal")
    both = replace(joined(worn, again), events=(event,))
    result = assess(both, config)
    assert result.output.median == pytest.approx(1.0 - 0.02 * 0.9, abs=0.01)
    assert result.decline_per_1000h.high < 0.08
    assert "renewed" in {r.code for r in result.reasons}
    struck = assess(replace(both, events=(replace(event, struck=True),)), config)
    assert "renewed" not in {r.code for r in struck.reasons}


def test_order_and_repetition_of_rows_change_nothing(config):
    plain = log()
    expected = figures(assess(plain, config))
    shuffled = plain.select(np.random.default_rng(3).permutation(len(plain)))
    assert figures(assess(shuffled, config)) == pytest.approx(expected, abs=1e-12)
    doubled = joined(plain, plain.select(np.arange(100, 900)))
    assert figures(assess(doubled, config)) == pytest.approx(expected, abs=1e-12)


def test_twice_the_watts_of_a_charger_twice_the_size(config):
    plain = log()
    large = replace(plain, charge_c=plain.charge_c * 2, energy_j=plain.energy_j * 2)
    twice = replace(
        config,
        charger=replace(config.charger, rated_w=2 * RATED_W),
        sensor=replace(config.sensor, zero_uncertainty_a=2 * config.sensor.zero_uncertainty_a),
    )
    assert figures(assess(large, twice)) == pytest.approx(figures(assess(plain, config)), abs=1e-9)


def test_a_later_calendar_changes_nothing(config):
    plain = log()
    later = replace(plain, start_s=plain.start_s + 1000 * 86400.0)
    assert figures(assess(later, config)) == pytest.approx(figures(assess(plain, config)), abs=1e-6)


def test_hours_before_the_log_move_the_hours_and_not_the_decline(config):
    result, shifted = assess(log(), config), assess(log(start_h=500.0), config)
    assert shifted.at_runtime_h == pytest.approx(result.at_runtime_h + 500.0)
    assert shifted.output.median == pytest.approx(result.output.median, abs=0.004)


def test_intervals_cut_in_two_change_little(config):
    plain = log()
    half = {c: np.repeat(getattr(plain, c), 2) for c in COLUMNS}
    for name in ("duration_s", "charge_c", "energy_j"):
        half[name] = half[name] / 2
    half["start_s"] = half["start_s"] + np.tile([0.0, STEP_S / 2], len(plain))
    cut = assess(replace(plain, **half), config)
    assert figures(cut) == pytest.approx(figures(assess(plain, config)), abs=0.003)


def test_an_empty_log_says_that_it_is_empty(config):
    result = assess(log().select(np.arange(0)), config)
    assert result.verdict is Verdict.UNDETERMINED
    assert result.reasons[0].code == "no_runs"
    assert result.runs == 0
    assert result.curve is None


def test_one_run_says_that_it_is_too_few(config):
    result = assess(log(runs=1), config)
    assert result.verdict is Verdict.UNDETERMINED
    assert result.reasons[0].code == "too_few_runs"
    # It shows what it shows, but decides nothing.
    assert (result.runs, result.source_limited_runs) == (1, 1)
    assert result.run_table.limit == (Limit.SOURCE,)
    assert result.decline_per_1000h.median is None
    assert result.remaining_h.median is None
    assert "1 run" in result.reasons[0].text
    assert "1 runs" not in result.reasons[0].text


@pytest.mark.parametrize("missing", ["states", "counter", "temperature"])
def test_a_missing_quantity_costs_no_truth(config, missing):
    result = assess(log(runs=150, **{missing: False}), config)
    assert result.output.low <= 1.0 - 0.05 * 0.9 <= result.output.high
    assert result.verdict is Verdict.SOUND


def test_holes_in_the_measurements_are_left_out(config):
    plain = log()
    rng = np.random.default_rng(5)
    hole = rng.random(len(plain)) < 0.1
    torn = replace(
        plain,
        energy_j=np.where(hole, np.nan, plain.energy_j),
        charge_c=np.where(hole, np.nan, plain.charge_c),
        temperature_c=np.where(rng.random(len(plain)) < 0.3, np.nan, plain.temperature_c),
    )
    result = assess(torn, config)
    assert result.output.median == pytest.approx(1.0 - 0.05 * 0.72, abs=0.01)
    assert any("not measured" in reason for reason in result.left_out)


def test_a_silent_meter_is_no_charger_at_zero(config):
    plain = log(runs=20)
    mute = np.full(len(plain), np.nan)
    result = assess(replace(plain, energy_j=mute, charge_c=mute), config)
    assert result.verdict is Verdict.UNDETERMINED
    assert result.output.median is None


def test_every_run_says_what_became_of_it(config):
    result = assess(joined(log(runs=40)), config)
    table = result.run_table
    assert len(table.reason) == result.runs
    assert all(table.reason)
    used = [r for r, u in zip(table.reason, table.used, strict=True) if u]
    assert all(r.startswith("used as") for r in used)


def test_the_same_log_gives_the_same_document(config):
    assert assess(log(), config).document() == assess(log(), config).document()


def test_without_states_and_counter_runs_come_from_the_power(config):
    result = assess(log(runs=150, states=False, counter=False, full=0.3), config)
    assert result.runs == 150
    assert result.at_runtime_h == pytest.approx(900.0, rel=0.03)
    assert result.output.median == pytest.approx(1.0 - 0.05 * 0.9, abs=0.015)


def test_runs_near_full_are_told_from_those_that_show_the_charger(config):
    result = assess(log(runs=150, loss=0.08, full=0.3), config)
    assert 30 < result.battery_limited_runs < 60
    assert result.output.low <= 1.0 - 0.08 * 0.9 <= result.output.high
    assert result.decline_per_1000h.low <= 0.08 <= result.decline_per_1000h.high


# --- renewals ---


def design_left_h(history, config):
    return design_hours_left(Case(history, config).evidence, config)


def renewed_boat(events=()):
    """Return 480 h with a loss of 0.3 per 1000 h, then 480 h from new with 0.05."""
    old, new = log(runs=80, loss=0.3), log(runs=80, loss=0.05, seed=2, start_h=480.0)
    return replace(
        joined(old, replace(new, start_s=new.start_s + 80 * 86400.0)), events=tuple(events)
    )


@pytest.mark.parametrize("kind", ["renewal", "replacement"])
def test_a_recorded_renewal_starts_the_design_hours_anew(config, kind):
    history = renewed_boat([Event(1, BEGIN_S + 80 * 86400.0, kind)])
    result = assess(history, config)
    assert result.output.median == pytest.approx(1.0 - 0.05 * 0.48, abs=0.01)
    assert result.decline_per_1000h.low <= 0.05 <= result.decline_per_1000h.high
    left_h = (7000.0 - 480.0, 8000.0 - 480.0)
    assert design_left_h(history, config) == pytest.approx(left_h, abs=1.0)


def test_what_was_renewed_before_the_fitting_is_not_its_life(config):
    alone = log()
    # An earlier charger of the same boat had one; this one was fitted on 2019-04-11.
    before = replace(alone, events=(Event(1, BEGIN_S - 30 * 86400.0, "renewal"),))
    assert life(before, config) == life(alone, config)
    within = replace(alone, events=(Event(1, BEGIN_S + 30 * 86400.0, "renewal"),))
    assert life(within, config) != life(alone, config)


def life(history, config):
    return gather(find_runs(history, RATED_W), config).life


def test_a_renewal_that_nobody_recorded_is_found_and_starts_anew(config):
    result = assess(renewed_boat(), config)
    assert result.output.median == pytest.approx(1.0 - 0.05 * 0.48, abs=0.01)
    assert result.decline_per_1000h.low <= 0.05 <= result.decline_per_1000h.high
    (gain,) = result.steps
    assert gain.runtime_h == pytest.approx(480.0, abs=8.0)
    assert gain.change == pytest.approx(0.144, abs=0.015)
    assert "renewal_found" in {reason.code for reason in result.reasons}
    # Nobody has said that the unit is new: its design hours go on.
    left_h = (7000.0 - 960.0, 8000.0 - 960.0)
    assert design_left_h(renewed_boat(), config) == pytest.approx(left_h, abs=1.0)


# --- what it must not claim ---


def test_a_new_charger_has_no_named_end(config):
    result = assess(log(runs=16, loss=0.0), config)
    assert result.verdict is Verdict.SOUND
    assert result.remaining_h.median is None
    assert result.withheld == (
        "the limit is likely over 560 h away, six times what the log has seen: no figure"
    )


@pytest.mark.parametrize("runs", [2, 3])
def test_few_runs_cannot_say(config, runs):
    result = assess(log(runs=runs), config)
    assert result.verdict is Verdict.UNDETERMINED
    assert "too_few_runs" in {reason.code for reason in result.reasons}


def test_a_charger_that_idles_against_a_shore_charger_is_not_called_weak(config):
    good = log(runs=60, loss=0.02)
    # For the last twenty runs a shore charger holds 13.6 V, and ours gives a trickle.
    held = good.start_s > BEGIN_S + 40 * 86400.0
    idle = held & (good.energy_j > 0)
    history = replace(
        good,
        voltage_mean_v=np.where(held, 13.6, good.voltage_mean_v),
        voltage_max_v=np.where(held, 13.61, good.voltage_max_v),
        energy_j=np.where(idle, good.energy_j * 0.05, good.energy_j),
        charge_c=np.where(idle, good.charge_c * 0.05, good.charge_c),
    )
    result = assess(history, config)
    assert result.verdict is Verdict.SOUND
    assert result.output.median > 0.95


def test_long_runs_are_cut_into_days_but_counted_once(config):
    assert assess(log(runs=6, run_h=40.0, apart_d=3.0), config).runs == 6


def designed(config, life_h):
    return replace(config, charger=replace(config.charger, design_life_h=life_h))


def test_without_its_key_the_design_life_is_no_limit(config):
    plain = log()
    assert design_left_h(plain, config) is not None
    assert design_left_h(plain, designed(config, None)) is None


def test_a_design_life_that_ends_soon_is_an_interval_with_a_width(config):
    plain = log()
    end_h = Case(plain, config).evidence.now_h
    result = assess(plain, designed(config, (end_h + 60.0, end_h + 160.0)))
    assert result.until == "design_hours"
    # Uniform between 60 and 160 h: the ends of 90 % lie at 65 and 155, the middle at 110.
    assert result.remaining_h.low == pytest.approx(65.0, abs=4)
    assert result.remaining_h.median == pytest.approx(110.0, abs=4)
    assert result.remaining_h.high == pytest.approx(155.0, abs=4)


@pytest.mark.parametrize(
    ("middle", "sd", "gain_sd", "decides"),
    [
        (0.76, 0.002, 0.02, True),  # as measured above the plan limit, with the sensor not surely
        (0.74, 0.002, 0.02, True),
        (0.61, 0.002, 0.02, True),  # the same at the replacement limit
        (0.76, 0.02, 0.02, False),  # the figures themselves leave it open
        (0.90, 0.002, 0.02, False),  # far from both
        (0.76, 0.002, 0.0, False),  # checked with a clamp meter
    ],
)
def test_a_clamp_meter_is_asked_for_where_it_would_decide(config, middle, sd, gain_sd, decides):
    def output(probability, *, as_measured=False):
        spread = sd if as_measured else np.hypot(sd, gain_sd * middle)
        return middle + spread * {0.05: -1.645, 0.5: 0.0, 0.95: 1.645}[probability]

    health = SimpleNamespace(gain_sd=gain_sd, output=output)
    assert sensor_decides(health, config) is decides
    assert sensor_decides(None, config) is False
