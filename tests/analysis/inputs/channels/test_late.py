"""A current that flows on after the charger has stopped is averaged, or not the charger's."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.inputs.finding import Severity
from tests.support.boats import plain_log
from tests.support.configurations import config_for
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


@pytest.mark.parametrize("states", [True, False])
def test_a_mean_of_hours_is_seen_after_a_start_where_the_end_of_a_run_is_weak(states):
    log = plain_log.log(runs=120, rest=36, apart_d=0.5, states=states)
    charge = log.charge_c.copy()
    since = np.arange(len(log)) % 72 - 36
    # A run that ends in a weak current, of which a mean of three hours leaves nothing to be seen.
    charge *= np.where(since >= 24, 0.03, 1.0)
    mean = np.convolve(charge, np.ones(18) / 18)[: len(charge)]
    case = Case(replace(log, charge_c=mean, energy_j=mean * log.voltage_mean_v), config_for())
    finding = found(case.assessment, "current_late")
    assert finding.severity is Severity.STOP
    assert "after a start" in finding.text
    sound = replace(log, charge_c=charge, energy_j=charge * log.voltage_mean_v)
    assert "current_late" not in [f.code for f in Case(sound, config_for()).assessment.inputs]
