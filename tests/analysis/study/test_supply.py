"""The study of load measures what it says: an oracle passes, one too sure is caught."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.study.population import draw
from analysis.study.scores import Said
from analysis.study.supply import SupplyOutcome, judge_supply
from analysis.study.supply_table import supply_markdown, supply_rows


def made(load):
    return SupplyOutcome(
        name="boat",
        method="balance",
        load=load,
        p95=load,
        other_days=50,
        other_recognised=48,
        strong_days=40,
        strong_recognised=39,
        alone_days=200,
        alone_lost=3,
    )


def row(outcomes, words):
    (found,) = [r for r in supply_rows(outcomes) if r.what.startswith(words)]
    return found


def test_right_figures_pass_and_counts_are_added_up():
    outcomes = [made(Said(45.0, 51.0, 57.0, 50.0))] * 9
    outcomes.append(made(Said(51.0, 51.0, 57.0, 50.0)))
    assert row(outcomes, "median error of the mean daily load").reached == "2.00"
    coverage = row(outcomes, "90 % interval of the mean daily load")
    assert coverage.reached.startswith("90.0 %")
    assert coverage.met is True
    assert row(outcomes, "days with another source recognised, %").reached == "96.0"
    assert row(outcomes, "days with another source recognised, %").met is False
    assert row(outcomes, "those with 5 % of the load from it, recognised, %").reached == "97.5"
    assert row(outcomes, "self-reliant days taken for such, %").reached == "1.50"
    assert "| **no** |" in supply_markdown(outcomes, 7)


def test_one_that_is_too_sure_is_caught():
    sure = [made(Said(50.9, 51.0, 51.1, 50.0))] * 5
    assert row(sure, "90 % interval of the mean daily load").met is False


@pytest.fixture(scope="module")
def lived():
    boat = draw(6, 7)
    return replace(boat, until_h=boat.model.charger.hours_before + 500, unknown_clock=0.0)


def test_a_boat_is_judged_by_what_really_happened(lived, tmp_path):
    found = judge_supply(lived, tmp_path)
    assert found.alone_days > 20
    assert 0 <= found.alone_lost <= found.alone_days
    assert found.other_recognised <= found.other_days
    assert 0 < found.strong_days <= found.other_days
    assert found.strong_recognised <= found.strong_days
    said = found.load
    assert said.low <= said.median <= said.high
    assert np.isfinite(said.truth)
    assert abs(said.error) < 0.5
