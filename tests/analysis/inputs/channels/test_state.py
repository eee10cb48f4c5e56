"""A state that is stuck at running, and one that flickers because two chargers write it."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.assessment.case import Case
from analysis.inputs.finding import Severity
from tests.support.boats import plain_log
from tests.support.configurations import config_for
from tests.support.findings import assessed, doubts, found, holds_truth


@pytest.mark.parametrize("counter", [True, False])
@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_a_state_that_is_stuck_at_running_is_no_loss(season, share, counter):
    sailed = season(running_from=share, counter=counter, days=80, loss_per_kh=0.03)
    a = assessed(sailed)
    assert doubts(a) == ["state_stuck"]
    assert holds_truth(a, sailed[2])
    assert a.running_hours == pytest.approx(sailed[2].hours[-1], rel=0.04)
    assert a.verdict == "sound"


def test_a_charger_that_idles_on_shore_power_is_not_stuck(season):
    shore = frozenset(range(20, 60))
    assert doubts(assessed(season(days=80, shore_days=shore, loss_per_kh=0.03))) == []


@pytest.mark.parametrize("states", [True, False])
@pytest.mark.parametrize("apart_s", [150.0, 60.0])
def test_two_chargers_that_write_in_turn_are_told(season, apart_s, states):
    history, config, course = season(days=60, states=states)
    other, _, _ = season(days=60, states=states, seed=2, new=0.7, load_a=2.2)
    both = two_in_turn(history, other, apart_s)
    a = assessed((both, config, course))
    assert a.inputs[0].code == "two_recordings"
    assert found(a, "two_recordings").severity is Severity.STOP
    assert a.verdict == "undetermined"
    assert "log of its own" in found(a, "two_recordings").what_to_do


def test_a_charger_that_follows_a_fridge_is_not_two():
    # At its ceiling, without a state: 5.0 A while the fridge runs, 1.4 A while it rests.
    log = plain_log.log(runs=60, states=False, counter=False)
    inside = log.charge_c > 0.0
    amps = np.where(np.arange(len(log)) % 2 == 0, 5.0, 1.4)
    log = replace(
        log,
        charge_c=np.where(inside, amps * log.duration_s, 0.0),
        energy_j=np.where(inside, 14.2 * amps * log.duration_s, 0.0),
        voltage_mean_v=np.where(inside, 14.2, 12.8),
        voltage_max_v=np.where(inside, 14.2, 12.8),
        voltage_min_v=np.where(inside, 14.2, 12.8),
    )
    assert "two_recordings" not in [f.code for f in Case(log, config_for()).assessment.inputs]


def two_in_turn(one, other, apart_s, every_s=300.0):
    """Return a log to which both write, every few minutes each, as a condenser leaves it."""
    parts = []
    for history, offset_s in ((one, 0.0), (other, apart_s)):
        begin_s, end_s = history.start_s[0], history.end_s[-1]
        at_s = np.arange(begin_s, min(end_s, begin_s + 30 * 86400.0), every_s)
        place = np.clip(np.searchsorted(history.start_s, at_s, "right") - 1, 0, len(history) - 1)
        piece = history.select(place)
        lasts_s = 0.8 * min(apart_s, every_s - apart_s)
        rate = lasts_s / np.maximum(piece.duration_s, 1.0)
        parts.append(
            replace(
                piece,
                start_s=at_s + offset_s,
                duration_s=np.full(len(at_s), lasts_s),
                charge_c=piece.charge_c * rate,
                energy_j=piece.energy_j * rate,
            )
        )
    return plain_log.joined(*parts)
