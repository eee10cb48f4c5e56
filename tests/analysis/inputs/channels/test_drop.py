"""A drop between the charger and the place where its voltage is measured."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.inputs.channels.drop import find_falls
from logger.event import Event
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("ohm", [0.05, 0.08, 0.12])
@pytest.mark.parametrize("states", [True, False])
def test_a_drop_before_the_voltage_is_told_and_the_interval_holds_the_truth(season, ohm, states):
    sailed = season(tap_ohm=ohm, states=states, days=80, load_a=2.6, loss_per_kh=0.03)
    a = assessed(sailed)
    assert doubts(a) == ["voltage_drop"]
    finding = found(a, "voltage_drop")
    assert 1000.0 * ohm == pytest.approx(
        float(finding.text.split(" mOhm")[0].split()[-1]), rel=0.25
    )
    assert "event add reading" in finding.what_to_do
    assert holds_truth(a, sailed[2])


def test_a_voltmeter_on_the_terminals_answers_it(season):
    history, config, course = season(tap_ohm=0.1, days=80, load_a=2.6, loss_per_kh=0.03)
    assert "voltage_drop" in doubts(assessed((history, config, course)))
    steady = np.abs(np.gradient(course.current_a)) < 0.05
    at = np.flatnonzero((course.current_a > 5.0) & steady)[-20]
    text = f"current {course.current_a[at]:.2f} A, voltage {course.voltage_v[at]:.2f} V"
    reading = Event(1, float(course.time_s[at]), "reading", None, text)
    right = assessed((replace(history, events=(reading,)), config, course))
    assert doubts(right) == []
    assert holds_truth(right, course)


@pytest.mark.parametrize(
    "what",
    [
        {"seed": 3},
        {"shore_days": frozenset(range(20, 40))},
        {"engine_days": frozenset(range(0, 80, 3))},
        {"ghost_a": 5.0},
        {"loss_per_kh": 0.2},
        {"ceiling_from": 0.5},
        {"capacity_ah": 60.0},
        {"half_share": 0.3},
    ],
)
def test_a_voltage_of_the_terminals_is_not_doubted(season, what):
    assert "voltage_drop" not in doubts(assessed(season(days=80, load_a=2.6, **what)))


def test_the_resistance_of_each_run_is_that_of_the_drop(season):
    history, config, _ = season(tap_ohm=0.1, days=80, load_a=2.6, loss_per_kh=0.03)
    runs = find_runs(history, config.charger.rated_w)
    falls = find_falls(runs, config.charger.rated_w / 13.4)
    assert len(falls.ohm) >= 8
    assert float(np.median(falls.ohm)) == pytest.approx(0.1, rel=0.15)
