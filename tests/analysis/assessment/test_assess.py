"""The assessment: what must not change it, what it must notice, and what it must not claim."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.health.evidence import design_hours_left, gather
from analysis.history.history import STATE_CODE, History
from analysis.history.hours import running_hours
from analysis.history.runs import find_runs
from logger.config import load_config
from logger.event import Event
from logger.reading import OperatingState
from logger.store.reader import Fitting
from tests.support.asked import assess

RUNNING, STANDBY = STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
STARTING = STATE_CODE[OperatingState.STARTING]
UNKNOWN = STATE_CODE[OperatingState.UNKNOWN]
RATED_W = 110.0
BEGIN_S = 1.6e9
CEILING_V = 14.2


@pytest.fixture(scope="module")
def config(tmp_path_factory):
    path = tmp_path_factory.mktemp("c") / "ebbwatt.toml"
    path.write_text(f'[charger]\nlabel = "aft locker"\nrated_w = {RATED_W}\nfitted = 2020-09-13\n')
    return load_config(path)


def boat(
    *, runs=120, hours=8.0, loss=0.08, seed=1, limited=0.0, step=None, heat=0.0, told=True,
    counter=True, full_share=1.0,
):  # fmt: skip
    """Return a log in minutes of a simple charger: ``runs`` runs of ``hours``, one each two days.

    The output falls by ``loss`` per 1000 h; a share ``limited`` of the runs begins near full, so
    that the battery holds the voltage at the ceiling and takes less and less.
    """
    rng = np.random.default_rng(seed)
    minutes = int(hours * 60)
    columns = {k: [] for k in ("start", "state", "power", "volts", "runtime", "temperature")}
    done_h = 0.0
    for number in range(runs):
        begin = BEGIN_S + 2 * 86400.0 * number
        rest = int(2 * 1440 - minutes)
        m = np.arange(minutes)
        change = step[1] if step is not None and done_h >= step[0] else 0.0
        output = 1.0 - loss * (done_h + m / 60.0) / 1000.0 + change + rng.normal(0.0, 0.004)
        warmth = 20.0 + 12.0 * np.sin(2 * np.pi * number / 60.0)
        output = output * (1.0 - heat * max(0.0, warmth - 25.0)) * np.clip(m / 12.0, 0.0, 1.0)
        if rng.random() < limited:
            volts = np.full(minutes, CEILING_V) + rng.normal(0, 0.005, minutes)
            output = output * full_share * (0.2 + 0.7 * np.exp(-m / 60.0))
        else:
            volts = 12.6 + 0.9 * m / minutes + rng.normal(0, 0.005, minutes)
        power = RATED_W * output + rng.normal(0.0, 0.2, minutes)
        state = np.where(m < 6, STARTING, RUNNING)
        columns["start"] += [begin + 60.0 * m, begin + 60.0 * (minutes + np.arange(rest))]
        columns["state"] += [state, np.full(rest, STANDBY)]
        columns["power"] += [np.maximum(power, 0.0), np.zeros(rest)]
        columns["volts"] += [volts, np.full(rest, 12.6)]
        columns["runtime"] += [done_h + (m + 1) / 60.0, np.full(rest, done_h + hours)]
        columns["temperature"] += [np.full(minutes + rest, warmth)]
        done_h += hours
    c = {k: np.concatenate(v) for k, v in columns.items()}
    # Rest in ten-minute intervals, running in minutes, as the condenser would leave it.
    keep = (c["state"] != STANDBY) | (np.arange(len(c["start"])) % 10 == 0)
    c = {k: v[keep] for k, v in c.items()}
    duration = np.minimum(np.append(np.diff(c["start"]), 60.0), 600.0)
    nan = np.full(len(duration), np.nan)
    state = c["state"] if told else np.full(len(duration), UNKNOWN)
    return History(
        c["start"], duration, state.astype(np.int8), np.full(len(duration), 60),
        c["power"] * duration / c["volts"], c["power"] * duration, c["volts"] - 0.01,
        c["volts"] + 0.01, c["volts"], c["volts"], c["runtime"] if counter else nan,
        c["temperature"] if told else nan, nan, nan, np.ones(len(duration), dtype=np.int64),
        np.ones(len(duration), dtype=bool), Fitting(1, "aft locker", RATED_W, None),
    )  # fmt: skip


@pytest.fixture(scope="module")
def plain_boat():
    return boat(limited=0.3)


@pytest.fixture(scope="module")
def plain(plain_boat, config):
    return assess(plain_boat, config)


TRUTH = 1.0 - 0.08 * 0.96


def test_a_plain_wear_is_found_with_its_interval(plain):
    assert plain.output.median == pytest.approx(TRUTH, abs=0.007)
    assert plain.output.low <= TRUTH <= plain.output.high
    assert plain.decline_per_1000h.low <= 0.08 <= plain.decline_per_1000h.high
    assert plain.at_runtime_h == pytest.approx(960.0, abs=0.1)
    assert plain.battery_limited_runs > 20
    assert plain.steps == ()
    left_h = (TRUTH - 0.6) / 0.08e-3
    assert plain.remaining_h.low <= left_h <= plain.remaining_h.high


def documents_agree(a, b, tolerance=1e-9):
    for name in ("output", "decline_per_1000h", "remaining_h"):
        for end in ("low", "median", "high"):
            first, second = getattr(getattr(a, name), end), getattr(getattr(b, name), end)
            assert first == pytest.approx(second, rel=tolerance, abs=tolerance), (name, end)
    assert a.verdict is b.verdict


def test_the_order_of_rows_does_not_matter(plain_boat, plain, config):
    order = np.random.default_rng(2).permutation(len(plain_boat))
    documents_agree(assess(plain_boat.select(order), config), plain)


def test_duplicated_intervals_do_not_count_twice(plain_boat, plain, config):
    twice = plain_boat.select(np.repeat(np.arange(len(plain_boat)), 2))
    again = assess(twice, config)
    documents_agree(again, plain)
    assert again.energy_kwh == pytest.approx(plain.energy_kwh)


def test_the_unit_of_power_does_not_matter(plain_boat, plain, config):
    bigger = replace(
        plain_boat, charge_c=plain_boat.charge_c * 7.0, energy_j=plain_boat.energy_j * 7.0
    )
    other = replace(config, charger=replace(config.charger, rated_w=7.0 * RATED_W))
    documents_agree(assess(bigger, other), plain, 1e-6)


def test_intervals_cut_in_two_do_not_matter(plain_boat, plain, config):
    n = len(plain_boat)
    halves = plain_boat.select(np.repeat(np.arange(n), 2))
    second = np.tile([False, True], n)
    halves = replace(
        halves,
        start_s=halves.start_s + np.where(second, halves.duration_s / 2, 0.0),
        duration_s=halves.duration_s / 2,
        energy_j=halves.energy_j / 2,
        charge_c=halves.charge_c / 2,
    )
    cut = assess(halves, config)
    assert cut.output.median == pytest.approx(plain.output.median, abs=1e-3)
    assert cut.decline_per_1000h.median == pytest.approx(plain.decline_per_1000h.median, abs=3e-3)
    assert cut.energy_kwh == pytest.approx(plain.energy_kwh)


def test_hours_that_the_counter_had_before_only_shift(plain_boat, plain, config):
    shifted = assess(replace(plain_boat, runtime_h=plain_boat.runtime_h + 1000.0), config)
    assert shifted.at_runtime_h == pytest.approx(plain.at_runtime_h + 1000.0)
    assert shifted.output.median == pytest.approx(plain.output.median, abs=2e-3)


def test_the_same_log_gives_the_same_document(plain_boat, plain, config):
    assert assess(plain_boat, config).document() == plain.document()


# --- what it must notice -------------------------------------------------------------------------


def test_a_step_is_found_dated_and_kept_out_of_the_slope(config):
    a = assess(boat(step=(500.0, -0.1)), config)
    (step,) = a.steps
    assert step.runtime_h == pytest.approx(500.0, abs=50.0)
    assert step.low <= -0.1 <= step.high
    assert a.decline_per_1000h.low <= 0.08 <= a.decline_per_1000h.high


def test_heat_is_told_from_wear(config):
    a = assess(boat(heat=0.01, loss=0.05), config)
    assert a.output.median == pytest.approx(1.0 - 0.05 * 0.96, abs=0.01)


def test_without_temperature_it_is_said_and_the_interval_is_wider(config, plain_boat, plain):
    untold = assess(replace(plain_boat, temperature_c=plain_boat.temperature_c * np.nan), config)
    width = untold.output.high - untold.output.low
    assert width > 1.5 * (plain.output.high - plain.output.low)
    assert "no_temperature" in {reason.code for reason in untold.reasons}
    assert any("temperature" in line for line in untold.advice)


def test_without_states_and_counter_runs_come_from_the_power(config):
    a = assess(boat(told=False, counter=False, limited=0.3), config)
    assert a.runs == 120
    assert a.at_runtime_h == pytest.approx(960.0, rel=0.03)
    assert a.output.median == pytest.approx(TRUTH, abs=0.015)


@pytest.mark.parametrize("kind", ["renewal", "replacement"])
def test_a_recorded_renewal_starts_anew(config, kind):
    history = renewed_boat((Event(1, BEGIN_S + 60 * 2 * 86400.0, kind),))
    a = assess(history, config)
    assert a.output.median == pytest.approx(1.0 - 0.05 * 0.48, abs=0.01)
    assert a.decline_per_1000h.low <= 0.05 <= a.decline_per_1000h.high
    assert "renewed" in {reason.code for reason in a.reasons}
    assert design_left_h(history, config) == pytest.approx(
        config.charger.design_life_h - 480, abs=1
    )


def test_what_was_renewed_before_the_fitting_is_not_its_life(config, plain_boat):
    alone = replace(plain_boat, fitting=replace(plain_boat.fitting, fitted="2020-09-13"))
    # An earlier charger of the same boat had one.
    before = replace(alone, events=(Event(1, BEGIN_S - 30 * 86400.0, "renewal"),))
    assert life(before, config) == life(alone, config)
    within = replace(alone, events=(Event(1, BEGIN_S + 30 * 86400.0, "renewal"),))
    assert life(within, config) != life(alone, config)


def life(history, config):
    return gather(find_runs(history, RATED_W), config).life


def test_a_renewal_that_nobody_recorded_is_found_and_starts_anew(config):
    a = assess(renewed_boat(), config)
    assert a.output.median == pytest.approx(1.0 - 0.05 * 0.48, abs=0.01)
    assert a.decline_per_1000h.low <= 0.05 <= a.decline_per_1000h.high
    (gain,) = a.steps
    assert gain.runtime_h == pytest.approx(480.0, abs=8.0)
    assert gain.change == pytest.approx(0.144, abs=0.015)
    assert "renewal_found" in {reason.code for reason in a.reasons}
    # Nobody has said that the unit is new: its design hours go on.
    left_h = design_left_h(renewed_boat(), config)
    assert left_h == pytest.approx(config.charger.design_life_h - 960, abs=1)


def design_left_h(history, config):
    return design_hours_left(Case(history, config).evidence, config)


def renewed_boat(events=()):
    """Return 480 h with a loss of 0.3 per 1000 h, then 480 h from new with 0.05."""
    old, new = boat(runs=60, loss=0.3), boat(runs=60, loss=0.05, seed=2)
    shift = 60 * 2 * 86400.0
    joined = {
        name: np.concatenate((getattr(old, name), getattr(new, name)))
        for name in History.__slots__
        if name not in {"fitting", "events", "start_s", "runtime_h"}
    }
    return replace(
        old,
        start_s=np.concatenate((old.start_s, new.start_s + shift)),
        runtime_h=np.concatenate((old.runtime_h, new.runtime_h + 480.0)),
        events=events,
        **joined,
    )


def test_a_charger_past_the_limit_is_to_be_replaced(config):
    a = assess(boat(loss=0.5), config)
    assert str(a.verdict) == "replace"
    assert a.remaining_h.median == 0.0
    assert a.until == "output"


# --- what it must not claim ----------------------------------------------------------------------


def test_only_battery_limited_running_gives_a_bound_and_no_decline(config):
    a = assess(boat(limited=1.0), config)
    assert str(a.verdict) == "undetermined"
    assert a.output.median is None
    assert a.output.high is None
    assert 0.5 < a.output.low <= TRUTH
    assert a.decline_per_1000h.median is None
    assert a.remaining_h.median is None
    assert a.withheld
    assert a.document()["output"]["fraction"] is None


def test_a_new_charger_has_no_named_end(config):
    a = assess(boat(runs=12, loss=0.0), config)
    assert str(a.verdict) == "sound"
    assert a.remaining_h.median is None
    assert a.withheld


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_too_few_runs_cannot_say(config, runs):
    a = assess(boat(runs=runs), config)
    assert str(a.verdict) == "undetermined"
    assert a.reasons


def test_an_empty_log_and_one_without_measurements(config, plain_boat):
    empty = assess(plain_boat.select(np.zeros(0, dtype=np.intp)), config)
    assert (str(empty.verdict), empty.runs) == ("undetermined", 0)
    assert empty.document()["observed"]["from"] is None
    nan = np.full(len(plain_boat), np.nan)
    blind = replace(
        plain_boat, charge_c=nan, energy_j=nan, voltage_mean_v=nan, voltage_max_v=nan,
        voltage_min_v=nan, voltage_last_v=nan,
    )  # fmt: skip
    a = assess(blind, config)
    assert str(a.verdict) == "undetermined"
    assert a.output.median is None


def test_a_charger_that_idles_against_a_shore_charger_is_not_called_weak(config):
    good = boat(runs=60, loss=0.02)
    # For the last twenty runs a shore charger holds 13.6 V, and ours gives a trickle.
    held = good.start_s > BEGIN_S + 40 * 2 * 86400.0
    running = good.energy_j > 0
    idle = held & running
    history = replace(
        good,
        voltage_mean_v=np.where(held, 13.6, good.voltage_mean_v),
        voltage_max_v=np.where(held, 13.61, good.voltage_max_v),
        energy_j=np.where(idle, good.energy_j * 0.05, good.energy_j),
        charge_c=np.where(idle, good.charge_c * 0.05, good.charge_c),
    )
    a = assess(history, config)
    assert str(a.verdict) == "sound"
    assert a.output.median > 0.95


# --- hours ---------------------------------------------------------------------------------------


def hours_of(counter, step_h=1.0, known=None):
    n = len(counter)
    end_s = 3600.0 * step_h * np.arange(1, n + 1)
    known = np.ones(n, dtype=bool) if known is None else known
    return running_hours(
        end_s, np.full(n, 3600.0 * step_h), np.ones(n, dtype=bool), np.array(counter), known
    )


def test_a_counter_that_is_reset_goes_on():
    found = hours_of([100.0, 101.0, 102.0, 0.0, 1.0, 2.0])
    assert found.at_end_h.tolist() == pytest.approx([100, 101, 102, 103, 104, 105])
    assert found.breaks.tolist() == [3]
    assert found.wraps.tolist() == []


def test_a_counter_that_rolls_over_goes_on_without_doubt():
    found = hours_of([9998.0, 9999.0, 0.0, 1.0])
    assert found.at_end_h.tolist() == pytest.approx([9998, 9999, 10000, 10001])
    assert found.wraps.tolist() == [2]


def test_a_slip_of_one_reading_is_passed_over():
    found = hours_of([10.0, 11.0, 900.0, 13.0, 14.0])
    assert found.at_end_h.tolist() == pytest.approx([10, 11, 12, 13, 14])


def test_hours_from_the_log_where_there_is_no_counter():
    found = hours_of([np.nan] * 4)
    assert found.at_end_h.tolist() == pytest.approx([1, 2, 3, 4])
    assert not found.counted


def test_long_runs_are_cut_into_days_but_counted_once(config):
    long_run = boat(runs=6, hours=40.0)
    runs = find_runs(long_run, RATED_W)
    assert runs.starts == 6
    assert len(runs) == 12
    assert assess(long_run, config).runs == 6
