"""Peaks of minutes above what any charger gives are disturbances, and left out."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.inputs.channels.spikes import peaks
from analysis.inputs.finding import Severity
from tests.support.boats import plain_log
from tests.support.findings import assessed, doubts, found, holds_truth


def disturbed(log, share, factor):
    hit = np.random.default_rng(6).random(len(log)) < share
    times = np.where(hit & (log.energy_j > 0.0), factor, 1.0)
    return replace(log, charge_c=log.charge_c * times, energy_j=log.energy_j * times)


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("share", [0.01, 0.03, 0.06])
def test_peaks_are_told_and_raise_no_output(season, share, states):
    history, config, course = season(days=80, loss_per_kh=0.1, states=states)
    a = assessed((disturbed(history, share, 1.7), config, course))
    finding = found(a, "current_peaks")
    assert finding.severity is Severity.NOTE
    assert doubts(a) == []
    assert holds_truth(a, course)
    assert not a.steps, "a lower bound that no charger gives makes no step"


def test_a_few_surges_are_left_out_without_a_word():
    log = plain_log.log(runs=60)
    finding, over = peaks(disturbed(log, 0.005, 1.7), plain_log.RATED_W)
    assert finding is None
    assert over.sum() > 3


@pytest.mark.parametrize("seed", [1, 2])
def test_a_strong_charger_has_no_peaks(seed):
    finding, over = peaks(plain_log.log(runs=60, level=1.06, seed=seed), plain_log.RATED_W)
    assert finding is None
    assert not over.any()
