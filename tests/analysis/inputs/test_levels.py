"""Two levels of output: a fault that comes and goes is named as such, and is not wear."""

import re

import numpy as np
import pytest

from analysis.inputs.finding import Severity
from analysis.inputs.levels import two_levels
from tests.support.findings import assessed, doubts, found, holds_truth

BOAT = {"load_a": 2.0, "loss_per_kh": 0.03}


@pytest.mark.parametrize(
    ("share", "output"), [(0.3, 0.53), (0.12, 0.53), (0.2, 0.75)], ids=["30 %", "12 %", "mild"]
)
def test_a_fault_that_comes_and_goes(season, share, output):
    sailed = season(half_share=share, half_output=output, **BOAT)
    a = assessed(sailed)
    finding = found(a, "two_levels")
    assert finding.severity is Severity.DOUBT
    assert "Find the cause before anything is replaced" in finding.what_to_do
    upper, lower = (
        float(x) for x in re.findall(r"(\d+) % of rated, and .* runs (\d+) %", finding.text)[0]
    )
    assert upper == pytest.approx(100.0 * sailed[2].output[-1], abs=2.0)
    assert lower == pytest.approx(upper * output, abs=4.0)
    assert holds_truth(a, sailed[2])
    assert a.verdict == "sound"
    assert not a.steps
    # Evidence is not removed in silence: each run left out says why.
    said = [r for r in a.run_table.reason if "lower of two levels" in r]
    assert len(said) >= sailed[2].runs * share * 0.5


def test_wear_and_a_step_are_not_two_levels():
    rng = np.random.default_rng(4)
    number = np.arange(200)
    value = 1.0 - 0.0005 * number + rng.normal(0.0, 0.006, 200)
    told, begun_s = np.ones(200, dtype=bool), 86400.0 * number
    assert two_levels(value, told, begun_s) is None
    assert two_levels(np.where(number > 90, value - 0.2, value), told, begun_s) is None


@pytest.mark.parametrize("runs_after", [6, 14, 30])
@pytest.mark.parametrize("size", [0.13, 0.15, 0.2])
def test_a_step_near_the_end_is_no_second_level(runs_after, size):
    rng = np.random.default_rng(6)
    number = np.arange(70)
    value = 0.92 - 0.0005 * number + rng.normal(0.0, 0.004, 70)
    value[-runs_after:] *= 1.0 - size
    assert two_levels(value, np.ones(70, dtype=bool), 86400.0 * number) is None


def test_two_levels_are_found_at_their_size():
    rng = np.random.default_rng(5)
    number = np.arange(200)
    low = rng.random(200) < 0.25
    value = (1.0 - 0.0005 * number) * np.where(low, 0.6, 1.0) + rng.normal(0.0, 0.006, 200)
    levels = two_levels(value, np.ones(200, dtype=bool), 86400.0 * number)
    assert np.array_equal(levels.low, low)
    assert levels.lower / levels.upper == pytest.approx(0.6, abs=0.01)


def test_healthy_seasons_have_one_level(season):
    assert doubts(assessed(season(seasons=2, days=100, load_a=2.6))) == []


def test_the_upper_level_is_that_of_the_last_dozen_good_runs():
    level = np.where(np.arange(75) < 60, 1.0, 0.9)
    value = np.where(np.arange(75) % 5 == 0, 0.7 * level, level)
    seen = two_levels(value, np.ones(75, dtype=bool), np.arange(75.0))
    assert (seen.low_runs, seen.runs) == (15, 75)
    assert seen.upper == pytest.approx(0.9)
    assert seen.lower == pytest.approx(0.63, abs=0.01)
