"""A voltage that is stuck or was never logged."""

import pytest

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
