"""A charger that was turned down gives a flat figure: told as a cap, not as wear."""

import numpy as np
import pytest

from analysis.inputs.cap import RunPower, find_cap
from analysis.inputs.finding import Severity
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("cap_w", [60.0, 75.0, 90.0])
def test_a_charger_that_was_turned_down(season, cap_w):
    sailed = season(capped_from=0.6, load_a=2.4, cap_w=cap_w)
    a = assessed(sailed)
    finding = found(a, "flat_cap")
    assert finding.severity is Severity.DOUBT
    assert f"{cap_w:.1f} W" in finding.text
    assert "since 2023-07" in finding.text
    assert "setting" in finding.text
    assert holds_truth(a, sailed[2])
    assert a.verdict == "sound"
    assert not a.steps


def test_a_charger_that_was_always_turned_down_is_only_known_from_below(season):
    a = assessed(season(capped_from=0.0, load_a=2.4, days=100))
    assert doubts(a) == ["flat_cap"]
    assert a.verdict == "undetermined"
    assert a.output.median is None
    assert 0.4 < a.output.low < 60.0 / 110.0


def test_wear_alone_is_no_cap(season):
    a = assessed(season(new=0.6, loss_per_kh=0.02, load_a=1.6, scatter=0.004))
    # So weak on its first day is doubted, but as no setting.
    assert doubts(a) == ["weak_from_new"]


def test_runs_of_no_power_are_no_cap():
    # A current that stands still at zero; pytest turns a warning of numpy into an error.
    nothing = np.zeros(60)
    assert find_cap(RunPower(nothing, nothing, nothing), 110.0) is None
