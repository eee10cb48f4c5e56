"""What the battery's voltage means, and when its trend is told."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.history.history import STATE_CODE
from analysis.show.dashboard.battery import SETTLED_H, battery_of, level
from logger.config import BatteryConfig
from logger.reading import OperatingState, Reading
from tests.support.boats.histories import plain_history
from tests.support.screens import scenes

NOW_S = scenes.END_S
AGM = BatteryConfig(chemistry="agm")


def history(volts, running, step_s=300.0):
    """Return a log that ends now, with a voltage and a state for each interval."""
    state = np.where(
        running, STATE_CODE[OperatingState.RUNNING], STATE_CODE[OperatingState.STANDBY]
    )
    return plain_history(NOW_S - step_s * len(volts), step_s, np.asarray(volts), state)


def now(volts, charging):
    state = OperatingState.RUNNING if charging else OperatingState.STANDBY
    return Reading(1000.0, volts, 6.0 if charging else 0.0, state)


def found(volts, running, settings=AGM):
    charging = bool(running[-1])
    return battery_of(
        NOW_S, settings, history(volts, running), now(float(volts[-1]), charging), charging=charging
    )


def rest_after_a_run(hours, start_v=13.2, end_v=12.75):
    """Return a day of which the charger ran until some hours ago; then the bank relaxes."""
    count, rest = 288, int(12 * hours)
    volts = np.full(count, start_v)
    volts[count - rest :] = end_v + (start_v - end_v) * np.exp(-np.arange(rest) / 12.0)
    return volts, np.arange(count) < count - rest


@pytest.mark.parametrize("hours", [0.25, 1.0, 3.0, SETTLED_H - 0.5])
def test_a_bank_that_relaxes_after_a_stop_has_no_trend(hours):
    b = found(*rest_after_a_run(hours))
    assert b.trend_v_per_h is None
    assert b.meaning == "settling"


def test_after_the_rest_there_is_a_level_and_a_trend():
    b = found(*rest_after_a_run(12.0))
    assert b.meaning == "full, at rest"
    assert b.trend_v_per_h == 0.0


def test_a_slow_fall_at_rest_is_told():
    volts = np.linspace(12.9, 12.3, 288)  # 0.6 V in a day
    volts[-60:] = np.linspace(12.6, 12.35, 60)  # 0.05 V/h in the last five hours
    assert found(volts, np.zeros(288, dtype=bool)).trend_v_per_h == pytest.approx(-0.05, abs=0.01)


def test_a_dip_at_the_end_of_a_rising_curve_is_no_fall():
    volts = 12.8 + 0.1 * np.arange(288) / 12.0
    volts[-9:] -= 0.02 * np.arange(9)  # a load of three quarters of an hour
    trend = found(volts, np.ones(288, dtype=bool)).trend_v_per_h
    assert trend is None or trend > 0


def test_a_trend_has_the_sign_of_the_plot_whatever_the_log_holds():
    rng = np.random.default_rng(11)
    told = 0
    for _ in range(200):
        volts = 12.8 + np.cumsum(rng.normal(0.0, 0.01, 288))
        running = np.ones(288, dtype=bool)
        trend = found(volts, running).trend_v_per_h
        if trend is None or trend == 0.0:
            continue
        told += 1
        last_hour = np.polyfit(np.arange(12), volts[-12:], 1)[0]
        assert np.sign(trend) == np.sign(last_hour)
    assert told > 50


def test_right_after_a_start_there_is_no_trend():
    volts = np.full(288, 12.6)
    volts[-2:] = 13.1, 13.2
    running = np.arange(288) >= 286
    assert found(volts, running).trend_v_per_h is None


@pytest.mark.parametrize(
    ("chemistry", "volts", "word"),
    [
        # Flooded at rest by the trade's rounded table: 12.6 V full, 12.4 V three quarters, 12.2 V
        # half, 12.0 V a quarter (common practice, no source; Bode 1977 gives 12.67, 12.44, 12.25
        # and 12.07 V for six cells).
        ("flooded", 12.67, "full"),
        ("flooded", 12.44, "fair"),
        ("flooded", 12.25, "fair"),
        ("flooded", 12.07, "low"),
        # AGM and gel stand 0.1 V higher (common practice, no source).
        ("agm", 12.8, "full"),
        ("gel", 12.45, "fair"),
        ("agm", 12.2, "low"),
        # LFP, four cells: plateau at 3.3 V a cell, full above it (common practice, no source).
        ("lfp", 13.4, "full"),
        ("lfp", 13.2, "fair"),
        ("lfp", 12.5, "low"),
    ],
)
def test_levels_by_chemistry(chemistry, volts, word):
    assert level(volts, chemistry) == word
    still = np.full(288, volts)
    for blocks in (1, 2):
        b = found(blocks * still, np.zeros(288, dtype=bool), replace(AGM, chemistry=chemistry))
        assert b.meaning == f"{word}, at rest"


def test_a_low_bank_is_low_before_it_has_settled():
    assert found(*rest_after_a_run(1.0, 12.4, 12.0)).meaning == "low"


def test_without_a_log_the_rest_is_not_known():
    b = battery_of(NOW_S, AGM, None, now(12.7, charging=False), charging=False)
    assert b.meaning == "not charging"
