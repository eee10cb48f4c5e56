"""A current that flows on after the charger has stopped is averaged, or not the charger's."""

import pytest

from analysis.inputs.finding import Severity
from tests.support.findings import assessed, doubts, found


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("averaged_h", [3.0, 8.0, 24.0])
def test_a_current_that_is_averaged_gives_no_verdict(season, averaged_h, states):
    a = assessed(season(averaged_h=averaged_h, states=states, days=80, load_a=2.4))
    finding = found(a, "current_late")
    assert finding.severity is Severity.STOP
    assert "means" in finding.what_to_do
    assert a.verdict == "undetermined"
    assert [f.code for f in a.inputs] == ["current_late"], "nothing else is blamed for it"


def test_a_quarter_of_an_hour_does_no_harm(season):
    assert doubts(assessed(season(averaged_h=0.25, days=80, load_a=2.4))) == []


def test_a_zero_that_is_off_is_no_current_after_a_stop(season):
    a = assessed(season(zero_a=1.2, days=80, load_a=2.4))
    assert doubts(a) == ["current_zero"]
