"""A current that shows nothing though the runs raise the voltage is a dead sensor, not wear."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analysis.inputs.finding import Severity
from logger.other_sources import OtherSource
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("share", [0.5, 0.8])
def test_a_sensor_that_dies_is_told_and_the_runs_before_count(season, share, states):
    sailed = season(silent_from=share, states=states, days=80, loss_per_kh=0.03)
    a = assessed(sailed)
    finding = found(a, "current_silent")
    assert finding.severity is Severity.DOUBT
    assert "clamp meter" in finding.what_to_do
    assert doubts(a) == ["current_silent"], "the hour counter is not blamed for it"
    assert holds_truth(a, sailed[2])
    assert a.verdict != "replace"


@pytest.mark.parametrize("wrong", [{"silent_from": 0.0}, {"current_scale": 0.001}])
def test_a_log_without_any_current_calls_for_no_replacement(season, wrong):
    a = assessed(season(days=60, **wrong))
    assert a.inputs[0].code == "current_silent"
    assert a.inputs[0].severity is Severity.STOP
    assert a.verdict == "undetermined"
    assert a.output.low is None


@pytest.mark.parametrize("declared", [True, False])
def test_a_declared_source_explains_a_rise_of_the_voltage(season, declared):
    history, config, course = season(days=60, current_scale=0.001)
    sun = OtherSource("solar", date(2000, 1, 1))
    config = replace(config, other_sources=(sun,) if declared else ())
    found_codes = [f.code for f in assessed((history, config, course)).inputs]
    assert ("current_silent" in found_codes) != declared


def test_a_charger_that_is_dead_is_not_excused(season):
    # It says that it runs but gives nothing, and nothing else charges: the bank stays low.
    history, config, course = season(days=60, loss_per_kh=0.03)
    late = history.start_s > history.start_s[len(history) // 2]
    dead = replace(
        history,
        charge_c=np.where(late, 0.0, history.charge_c),
        energy_j=np.where(late, 0.0, history.energy_j),
        voltage_mean_v=np.where(late, 12.1, history.voltage_mean_v),
        voltage_max_v=np.where(late, 12.1, history.voltage_max_v),
        voltage_min_v=np.where(late, 12.1, history.voltage_min_v),
    )
    a = assessed((dead, config, course))
    assert "current_silent" not in [f.code for f in a.inputs]


def test_a_coarse_interval_before_a_start_hides_no_rise():
    # Half of the rise stands in the last interval of each rest.
    log = plain_log.log(runs=40, rest=36)
    running = log.state != plain_log.STANDBY
    volts = np.where(running, 13.4, 12.6)
    volts[np.flatnonzero(running[1:] & ~running[:-1])] = 13.0
    silent = replace(
        log,
        charge_c=np.zeros(len(log)),
        energy_j=np.zeros(len(log)),
        voltage_mean_v=volts,
        voltage_max_v=volts,
        voltage_min_v=volts,
    )
    a = assessed((silent, config_for(), None))
    assert found(a, "current_silent").severity is Severity.STOP
