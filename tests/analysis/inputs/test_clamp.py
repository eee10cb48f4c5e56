"""Readings of a clamp meter correct the current, and say how far it can be trusted."""

import math
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analysis.assessment.document import Verdict
from analysis.inputs import clamp, meters
from analysis.inputs.clamp import Reading, clamp_text, corrected, read_events, solve
from analysis.show.phrases import next_actions
from logger.config import SensorConfig
from logger.event import Event
from tests.support.asked import assess
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.findings import assessed, found, holds_truth

DAY_S = 86400.0


def reading(current_a, logged_a, days=0.0):
    return Reading(1.7e9 + days * DAY_S, current_a, 13.3, logged_a, 13.3, 0.0)


def test_one_reading_by_hand():
    # The clamp shows 6.8 A, the log 6.664 A; gain free (0.5), zero known to 0.05 A. The errors of
    # the clamp: 1 % of 6.8 A (0.068 A) and 0.05 A. Seen variance 0.25 * 46.24 + 0.0025 + 0.004624
    # + 0.0025 = 11.569624; pull on the gain 0.25 * 6.8 / 11.569624 = 0.146936; gain = 1 - 0.146936
    # * 0.136 = 0.980017; its variance 0.25 - 0.146936 * 1.7 = 2.08e-4, sd 0.01442.
    found = solve([reading(6.8, 6.664)], zero_sd_a=0.05)
    assert found.gain == pytest.approx(0.980017, abs=2e-6)
    assert found.gain_sd == pytest.approx(0.0144, abs=1e-4)
    # Gain and zero undo each other where it was read: sqrt(0.068^2 + 0.05^2) / 6.8 / 0.98 is left.
    assert found.relative_sd == pytest.approx(0.01266, abs=2e-4)
    assert not found.drifts


def test_two_currents_tell_the_zero_from_the_gain():
    found = solve([reading(2.0, 2.0 * 0.98 + 0.1), reading(8.0, 8.0 * 0.98 + 0.1)], zero_sd_a=0.5)
    assert found.gain == pytest.approx(0.98, abs=0.004)
    assert found.zero_a == pytest.approx(0.1, abs=0.02)


def test_several_years_tell_the_drift_of_the_gain():
    years = [reading(8.0, 8.0 * (1.0 - 0.04 * k), 365.2425 * k) for k in range(5)]
    found = solve(years, zero_sd_a=0.005)
    assert found.drift_per_year == pytest.approx(-0.04, abs=0.003)
    assert found.gain == pytest.approx(0.84, abs=0.006)
    early = np.array([years[0].time_s - 400 * DAY_S, years[0].time_s, years[-1].time_s + DAY_S])
    assert found.gain_at(early) == pytest.approx([1.0, 1.0, 0.84], abs=0.01)


def test_without_the_log_of_its_minutes_a_reading_says_nothing():
    assert solve([Reading(1.7e9, 6.8, 13.3)], 0.05) is None
    assert solve([reading(0.3, 0.3)], 0.05) is None, "its digits tell nothing of a gain"


def test_what_stands_in_the_event_comes_back():
    text = clamp_text(6.8, 13.31, "A. Fitter", "at the plus lead")
    assert text == "current 6.8 A, voltage 13.31 V; by A. Fitter; at the plus lead"
    events = [
        Event(1, 5.0, "reading", None, text),
        Event(2, 3.0, "reading", None, "current 4 A"),
        Event(3, 4.0, "note", None, text),
        Event(4, 4.0, "reading", None, text, struck=True),
    ]
    assert [(r.time_s, r.current_a, r.voltage_v) for r in read_events(events)] == [
        (3.0, 4.0, None),
        (5.0, 6.8, 13.31),
    ]


@pytest.fixture(scope="module")
def log():
    return plain_log.log(noise=0.012)


def with_gain(log, gain):
    return replace(log, charge_c=log.charge_c * gain, energy_j=log.energy_j * gain)


def clamped(log, true):
    """Return the log with a clamp reading in the middle of its last long run."""
    amps = true.charge_c / np.maximum(true.duration_s, 1e-9)
    at = np.flatnonzero(amps > 0.6 * np.nanmax(amps))[-10]
    moment = float(true.start_s[at] + 0.5 * true.duration_s[at])
    text = clamp_text(round(float(amps[at]), 2), round(float(true.voltage_mean_v[at]), 2))
    event = Event(9, moment, "reading", None, text)
    return replace(log, events=(*log.events, event))


def test_a_gain_of_the_sensor_is_corrected_and_the_interval_holds_the_truth(log):
    config = replace(config_for(), sensor=SensorConfig())
    true = assess(log, replace(config, sensor=SensorConfig(0.0, 0.0)))
    wrong = with_gain(log, 0.9)
    told = assess(clamped(wrong, log), config)
    assert told.output.median == pytest.approx(true.output.median, rel=0.015)
    assert told.output.low < true.output.median < told.output.high
    assert assess(wrong, config).output.median == pytest.approx(0.9 * true.output.median, rel=0.01)
    (finding,) = [f for f in told.inputs if f.code == "clamp_checked"]
    assert "gain 0.90 +- 0.02" in finding.text


def test_the_sensors_gain_widens_the_output_and_not_what_is_relative_to_the_start(log):
    exact, usual = (
        assess(log, replace(config_for(), sensor=sensor))
        for sensor in (SensorConfig(0.0, 0.0), SensorConfig())
    )
    level = exact.output.median
    half = 0.5 * (exact.output.high - exact.output.low)
    # Two errors in quadrature: the estimate's own, and 1.645 times 2 % of the output.
    wide = np.hypot(half, 1.645 * 0.02 * level)
    assert 0.5 * (usual.output.high - usual.output.low) == pytest.approx(wide, rel=0.05)
    assert usual.output.median == pytest.approx(level, abs=0.003)
    gain = assess(with_gain(log, 0.95), config_for())
    for end in ("low", "median", "high"):
        same = getattr(exact.since_start, end)
        assert getattr(gain.since_start, end) == pytest.approx(same, abs=0.004)
    document = usual.document()["output"]
    assert document["sensor_uncertainty"] == 0.02
    assert set(document["since_start"]) == {"fraction", "low", "high"}


def test_a_sensor_at_half_scale_is_measured_before_anybody_orders(log):
    config = config_for()
    # Years old when its log began, so that half of rated may well be wear.
    config = replace(config, charger=replace(config.charger, fitted=date(2015, 5, 1)))
    wrong = with_gain(log, 0.5)
    told = assess(wrong, config)
    assert told.verdict is Verdict.REPLACE
    assert next_actions(told)[0] == f"{meters.MEASURE}."
    assert "If the meters agree, have it replaced." in next_actions(told)[1]
    after = assess(clamped(wrong, log), config)
    assert after.verdict is not Verdict.REPLACE
    assert after.output.median == pytest.approx(2.0 * told.output.median, rel=0.03)
    assert not any("Before you order" in words for words in next_actions(after))


def test_correcting_undoes_gain_and_zero(log):
    found = solve([reading(2.0, 2.0 * 0.9 + 0.2), reading(8.0, 8.0 * 0.9 + 0.2)], zero_sd_a=1.0)
    off = replace(
        log,
        charge_c=log.charge_c * 0.9 + 0.2 * log.duration_s,
        energy_j=log.energy_j * 0.9 + 0.2 * log.duration_s * log.voltage_mean_v,
    )
    back = corrected(off, found)
    assert float(back.charge_c.sum()) == pytest.approx(float(log.charge_c.sum()), rel=0.01)
    assert float(back.energy_j.sum()) == pytest.approx(float(log.energy_j.sum()), rel=0.01)


def test_a_voltage_that_is_tapped_behind_a_drop_is_put_right_by_a_voltmeter(season):
    # 0.1 ohm between charger and tap: at 8 A the log shows 0.8 V, 6 %, too little.
    history, config, course = season(tap_ohm=0.1, days=80, load_a=2.6, loss_per_kh=0.03)
    wrong = assessed((history, config, course))
    assert wrong.output.median < course.output[-1] - 0.04
    # Whoever holds a clamp waits until its figure stands.
    steady = np.abs(np.gradient(course.current_a)) < 0.05
    near = np.flatnonzero((course.current_a > 5.0) & steady)
    at = near[int(0.9 * len(near))]
    text = clamp_text(round(float(course.current_a[at]), 2), round(float(course.voltage_v[at]), 2))
    reading = Event(1, float(course.time_s[at]), "reading", None, text)
    right = assessed((replace(history, events=(reading,)), config, course))
    assert right.output.median == pytest.approx(course.output[-1], abs=0.02)
    assert holds_truth(right, course)
    assert "put back into every output" in found(right, "clamp_checked").text


def test_sensor_and_meter_may_differ_by_two_standard_deviations_of_both():
    sensor = SensorConfig()
    both = math.hypot(sensor.gain_uncertainty, clamp.CLAMP_COMMON)
    # 2 * sqrt(0.02^2 + 0.01^2) = 0.0447, said as 5 %.
    assert both == pytest.approx(0.02236, abs=1e-5)
    assert 0.5 * meters.MAY_DIFFER < 2.0 * both <= meters.MAY_DIFFER
    volts = math.hypot(sensor.voltage_uncertainty_v, 0.5 * 0.005 * 13.0)
    # 2 * sqrt(0.1^2 + 0.0325^2) = 0.210 V, said as 0.2 V.
    assert 2.0 * volts == pytest.approx(meters.MAY_DIFFER_V, abs=0.02)
    assert "5 % or 0.2 V apart (24 V: 0.4 V)" in meters.MEASURE
    assert "5 % or 0.2 V apart (24 V: 0.4 V)" in meters.AT_WHICH


@pytest.mark.parametrize(
    ("days_ago", "text", "lately"),
    [
        (10.0, "current 5.1 A, voltage 13.2 V", True),
        (364.0, "current 5.1 A, voltage 13.2 V", True),
        (366.0, "current 5.1 A, voltage 13.2 V", False),
        (10.0, "current 5.1 A", False),
        (10.0, "current 0.4 A, voltage 13.2 V", False),
        # After the log: it has nothing of those minutes.
        (-1.0, "current 5.1 A, voltage 13.2 V", False),
    ],
)
def test_both_meters_count_for_a_year(days_ago, text, lately):
    end_s = 1.7e9
    events = [Event(1, end_s - days_ago * DAY_S, "reading", None, text)]
    assert clamp.measured_lately(events, end_s, -math.inf) is lately
    # What was read on a charger that was exchanged since says nothing of this one.
    assert not clamp.measured_lately(events, end_s, end_s - days_ago * DAY_S + 1.0)


@pytest.mark.parametrize(
    ("current_a", "voltage_v", "logged", "told"),
    [
        (5.0, 13.2, (None, None), "holds nothing of these minutes yet"),
        (5.0, 13.2, (5.2, 13.38), "5.20 A and 13.38 V of these minutes: the sensor is right"),
        (5.0, 13.2, (5.3, 13.2), "a sensor is wrong; every output is corrected"),
        (5.0, 13.2, (2.5, 13.2), "a sensor is wrong; every output is corrected"),
        (5.0, 13.2, (5.0, 12.95), "a sensor is wrong; every output is corrected"),
        # Two blocks: twice the voltage may differ.
        (5.0, 26.4, (5.0, 26.75), "the sensor is right"),
        (5.0, 26.4, (5.0, 26.85), "a sensor is wrong; every output is corrected"),
        (5.0, None, (5.0, 12.0), "the log holds 5.00 A of these minutes: the sensor is right"),
        (0.6, None, (2.0, 12.0), "below 1 A a clamp meter tells nothing"),
    ],
)
def test_what_a_reading_tells_is_said_at_once(current_a, voltage_v, logged, told):
    assert told in clamp.beside_words(Reading(1.7e9, current_a, voltage_v, *logged))
