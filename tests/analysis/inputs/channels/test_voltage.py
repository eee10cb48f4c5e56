"""A voltage that is stuck or was never logged."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.inputs.channels.voltage import LEAST_RISE_V, foreign_voltage, rises_at_start
from analysis.inputs.finding import Severity
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("share", [0.4, 0.6, 0.8])
def test_a_voltage_that_is_stuck_is_left_out(season, share):
    sailed = season(voltage_stuck_from=share, days=100, loss_per_kh=0.03)
    a = assessed(sailed)
    assert doubts(a) == ["voltage_stuck"]
    finding = found(a, "voltage_stuck")
    assert "starts and stops" in finding.seen
    assert finding.since_s == pytest.approx(sailed[2].time_s[0] + share * 100 * 86400.0, abs=4e5)
    assert holds_truth(a, sailed[2])
    assert not a.steps


@pytest.mark.parametrize(("share", "weight"), [(0.0, "stop"), (0.5, "doubt"), (0.7, "doubt")])
@pytest.mark.parametrize("states", [True, False])
def test_a_voltage_that_is_missing_is_told(season, share, weight, states):
    sailed = season(voltage_gone_from=share, states=states, days=80, loss_per_kh=0.03)
    a = assessed(sailed)
    finding = found(a, "voltage_missing")
    assert finding.severity == weight
    assert "voltage_v" in finding.what_to_do
    if weight == "stop":
        assert a.verdict == "undetermined"
        assert a.reasons[0].code == "voltage_missing"
    else:
        assert doubts(a) == ["voltage_missing"]
        assert holds_truth(a, sailed[2])


def test_a_sound_voltage_is_neither(season):
    sailed = season(days=100, loss_per_kh=0.03, shore_days=frozenset(range(30, 60)))
    codes = [f.code for f in assessed(sailed).inputs]
    assert not {"voltage_stuck", "voltage_missing"} & set(codes)


@pytest.mark.parametrize("states", [True, False])
def test_the_voltage_of_another_battery_is_told(season, states):
    history, config, course = season(days=80, loss_per_kh=0.03, states=states)
    volts = 12.7 + np.random.default_rng(3).normal(0.0, 0.02, len(history))
    other = replace(
        history,
        voltage_mean_v=volts,
        voltage_min_v=volts,
        voltage_max_v=volts,
        voltage_last_v=volts,
        energy_j=history.charge_c * volts,
    )
    finding = found(assessed((other, config, course)), "voltage_elsewhere")
    assert finding.severity is Severity.DOUBT
    assert "does not rise when the charger starts" in finding.text


@pytest.mark.parametrize("capacity_ah", [90.0, 180.0, 600.0])
def test_a_large_bank_rises_as_well(season, capacity_ah):
    history, config, _ = season(days=80, loss_per_kh=0.03, capacity_ah=capacity_ah)
    runs = find_runs(history, config.charger.rated_w)
    _, rise_v = rises_at_start(runs, config.charger.rated_w / 12.8)
    assert len(rise_v) > 3
    assert np.median(rise_v) > 4.0 * LEAST_RISE_V
    assert foreign_voltage(runs, config.charger.rated_w / 12.8, 12.8) is None
