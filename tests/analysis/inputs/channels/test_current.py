"""A value that is stuck, and a sensor at the end of its range."""

import pytest

from analysis.inputs.finding import Severity
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("share", [0.5, 0.7, 0.9])
def test_a_current_that_is_stuck_is_left_out(season, share):
    sailed = season(stuck_from=share, days=80, loss_per_kh=0.03)
    a = assessed(sailed)
    finding = found(a, "current_stuck")
    assert finding.severity is Severity.DOUBT
    assert "stuck" in finding.text
    assert holds_truth(a, sailed[2])
    assert a.running_hours == pytest.approx(sailed[2].hours[-1], rel=0.03)
    assert not a.steps


def test_a_sensor_at_the_end_of_its_range_gives_a_lower_bound(season):
    sailed = season(saturates_a=7.0, days=80)
    a = assessed(sailed)
    assert found(a, "current_saturates").severity is Severity.DOUBT
    assert "7.00 A" in found(a, "current_saturates").text
    assert a.output.median is None
    assert a.output.low < sailed[2].output[-1]
    assert a.verdict == "undetermined"


def test_a_healthy_sensor_is_neither(season):
    assert doubts(assessed(season(days=80, loss_per_kh=0.03))) == []
