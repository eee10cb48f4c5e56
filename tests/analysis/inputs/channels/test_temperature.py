"""A temperature that stands still while the charger warms up beside it is left out."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.units import Owner, Units, read_by
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_temperature_that_is_stuck_is_left_out(season, share):
    sailed = season(temperature_stuck_from=share, heat_per_k=0.003, days=100, loss_per_kh=0.02)
    a = assessed(sailed)
    assert doubts(a) == ["temperature_stuck"]
    days = (1.0 - share) * 100.0
    told = float(found(a, "temperature_stuck").seen.split(" for ")[1].split()[0])
    assert told == pytest.approx(days, abs=2.0)
    assert holds_truth(a, sailed[2])


def test_a_stuck_temperature_is_told_in_the_owners_degrees(season):
    sailed = season(temperature_stuck_from=0.5, heat_per_k=0.003, days=100, loss_per_kh=0.02)
    celsius = found(assessed(sailed), "temperature_stuck")
    read_by(Owner(units=Units(us=True)))
    told = found(assessed(sailed), "temperature_stuck")
    stood_c = float(celsius.seen.split()[0])
    # 9/5 of it and 32 (NIST SP 811, B.8); rounding of 0.05 degC is 0.09 degF, and one of its own.
    assert float(told.seen.split()[0]) == pytest.approx(1.8 * stood_c + 32.0, abs=0.15)
    assert "degC" not in f"{told.text} {told.seen} {told.series.unit}"
    assert told.series.values == pytest.approx(1.8 * celsius.series.values + 32.0)


def test_whole_degrees_of_a_steady_autumn_are_not_stuck(season):
    history, config, course = season(days=100, swing_c=1.0)
    rounded = np.round(history.temperature_c)
    coarse = replace(history, temperature_c=rounded)
    assert doubts(assessed((coarse, config, course))) == []


@pytest.mark.parametrize(
    ("runs", "apart_d", "stuck"), [(3, 2.5, True), (2, 4.0, False), (3, 2.0, False)]
)
def test_a_week_with_three_runs_is_what_it_takes(runs, apart_d, stuck):
    log = plain_log.log(runs=runs, apart_d=apart_d, rest=round(apart_d * 144) - 36)
    log = replace(log, temperature_c=np.full(len(log), 21.5))
    told = [f for f in Case(log, config_for()).assessment.inputs if f.code == "temperature_stuck"]
    assert ["though 3 runs began" in f.text for f in told] == [True] * stuck
