"""A charger that was turned down gives a flat figure: told as a cap, not as wear."""

import numpy as np
import pytest

from analysis.inputs.cap import RunPower, find_caps
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
    assert find_caps(RunPower(nothing, nothing, nothing), 110.0) == []


def flat(*levels_w):
    power = np.concatenate(
        [np.full(20, w) * (1.0 + 3e-4 * np.cos(np.arange(20))) for w in levels_w]
    )
    return RunPower(power, power, power)


def test_each_of_two_settings_is_told():
    # Of as many runs at 80 W as at 60 W the middle is 70 W, which no run shows.
    two = find_caps(flat(110.0, 80.0, 110.0, 60.0), 110.0)
    assert [round(cap.power_w) for cap in two] == [60, 80]
    caps = find_caps(flat(100.0, 80.0, 110.0, 60.0), 110.0)
    assert [round(cap.power_w) for cap in caps] == [60, 80, 100]
    assert [np.flatnonzero(cap.runs)[[0, -1]].tolist() for cap in caps] == [
        [60, 79], [20, 39], [0, 19],
    ]  # fmt: skip
    assert [cap.now for cap in caps] == [True, False, False]


def test_runs_below_a_cap_between_others_at_it_are_capped_too():
    (cap,) = find_caps(flat(110.0, 75.0, 71.3, 75.0), 110.0)
    assert np.flatnonzero(cap.runs)[[0, -1]].tolist() == [20, 79]


def test_wear_that_passes_a_round_figure_in_short_runs_is_no_cap():
    """Runs of three hours of a charger that loses 7 % of rated in 1000 h, and never scatters.

    A dozen of them lie within 0.3 %, and some dozens at 90 or 95 % of 35 W.
    """
    power = 33.8 - 35.0 * 0.07 * 0.003 * np.arange(300)
    seen = RunPower(power, power, power)
    assert find_caps(seen, 35.0) == []
    power[150:] = np.minimum(power[150:], 30.0)
    (cap,) = find_caps(seen, 35.0)
    assert cap.power_w == 30.0
    assert np.flatnonzero(cap.runs)[[0, -1]].tolist() == [150, 299]


def test_a_charger_that_wears_below_its_cap_is_no_longer_held_by_it():
    """Only the runs at the setting are lower bounds; what it gives after them is its own."""
    worn = 75.0 - 0.2 * np.arange(1, 41)
    power = np.concatenate((np.full(20, 110.0), np.full(20, 75.0), worn))
    (cap,) = find_caps(RunPower(power, power, power), 110.0)
    assert np.flatnonzero(cap.runs)[[0, -1]].tolist() == [20, 41], "the first two are at the figure"
    assert not cap.now
