"""The study of fuel measures what it says: counts add up, one too sure is caught, truth is kept."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.study.fuel import Changes, FuelOutcome, judge_fuel
from analysis.study.fuel_table import fuel_markdown, fuel_rows
from analysis.study.population import draw
from analysis.study.scores import Said
from logger.sources.boat.run import Voyage


def made(use, left=()):
    counted = Changes(emptied=5, emptied_found=4, all=8, all_found=6, false=1)
    return FuelOutcome("boat", {3: use}, left, (), counted)


def row(outcomes, words):
    (found,) = [r for r in fuel_rows(outcomes) if r.what.startswith(words)]
    return found


def test_counts_are_added_up_and_one_that_is_too_sure_is_caught():
    outcomes = [made(Said(0.905, 0.91, 0.94, 0.9), (Said(10.0, 10.0, 10.0, 12.0),))] * 10
    assert row(outcomes, "median error of L/kWh after 3").reached == "1.11"
    assert row(outcomes, "90 % interval of L/kWh after 3").met is False
    assert row(outcomes, "90 % interval of the days of fuel left").reached.startswith("0.0 %")
    empty = row(outcomes, "unrecorded container changes found, of those which ran empty")
    assert (empty.reached, empty.boats) == ("80", 50)
    assert row(outcomes, "the same, of all: many").reached == "75"
    assert row(outcomes, "changes found that never were").reached == "14.29"
    assert row(outcomes, "changes found that never were").met is False
    assert "| **no** |" in fuel_markdown(outcomes, 7)


@pytest.fixture(scope="module")
def lived():
    boat = draw(6, 11)
    return replace(boat, until_h=boat.model.charger.hours_before + 700, unknown_clock=0.0)


def test_a_boat_is_judged_by_what_really_happened(lived, tmp_path):
    found = judge_fuel(lived, tmp_path)
    counted = found.changes
    assert counted.emptied >= 3
    assert 0 < counted.emptied_found <= counted.emptied <= counted.all
    assert counted.emptied_found <= counted.all_found <= counted.all
    assert len(found.l_per_kwh) == 3
    for said in (*found.l_per_kwh.values(), *found.days_left):
        assert said.low <= said.median <= said.high
        assert np.isfinite(said.truth)


def test_an_empty_container_is_changed_once(lived):
    # Below a tenth some owners change at the turn of the day; not again what is being waited for.
    habits = replace(lived.model.habits, early_change=1.0, refuel_h=20.0)
    voyage = Voyage(replace(lived.model, habits=habits))
    for _ in voyage.readings(until_h=lived.until_h):
        pass
    fuel = [at for at, kind, _, _ in voyage.events if kind == "fuel"]
    assert len(fuel) > 5
    assert 0 < len(voyage.changed_early) < len(fuel)
    least_s = 0.3 * 3600.0 * lived.model.charger.container_l / lived.model.charger.rated_w * 1000.0
    assert np.diff(fuel).min() > least_s
