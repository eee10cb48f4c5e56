"""Stretches in which something holds the voltage, drawn by hand on the grid of five minutes."""

import numpy as np
import pytest

from analysis.load.sources.held_voltage import (
    HOUR,
    LEVEL_CELLS,
    held,
    held_high,
    level,
    pinned,
    usual_top,
)

NONE = np.nan


def within(values, cells=30):
    """Put a stretch into the middle of a log in which the bank is not at rest."""
    around = np.full(cells, NONE)
    return np.concatenate((around, values, around))


def test_a_resting_bank_that_stands_still_high_up_is_held():
    falling = np.linspace(13.2, 12.7, 4 * HOUR)
    assert not held(within(falling), 12.9).any()
    still = np.full(4 * HOUR, 13.3)
    found = held(within(still), 12.9)
    assert found.sum() == 4 * HOUR, "from the first cell on"
    assert not held(still, 13.3).any(), "not above its resting voltage"
    # Half an hour is too short.
    assert not held(within(np.full(HOUR // 2, 13.3)), 12.9).any()
    wavering = 13.3 + 0.06 * (-1.0) ** np.arange(4 * HOUR)
    assert not held(within(wavering), 12.9).any(), "0.12 V apart"


def test_above_any_float_voltage_twenty_minutes_are_enough():
    low, high = np.full(6, 13.9), np.full(6, 13.95)
    assert held_high(low, high).all()
    assert not held_high(within(low[:3]), within(high[:3])).any()
    assert not held_high(low - 0.15, high - 0.15).any()
    assert not held_high(low, low + 0.15).any(), "it fell within the record"


def test_an_lfp_bank_that_does_not_sink_for_hours_is_held():
    assert level(np.full(2 * LEVEL_CELLS, 13.42)).all()
    sinking = 13.45 - 0.01 * np.arange(2 * LEVEL_CELLS) / LEVEL_CELLS
    assert not level(sinking).any()
    assert not level(np.full(2 * LEVEL_CELLS, 13.30)).any()
    assert not level(np.full(LEVEL_CELLS - 1, 13.42)).any()


def test_a_charging_voltage_that_does_not_move_is_pinned():
    hours = 8 * HOUR
    running = np.ones(hours, dtype=bool)
    assert pinned(np.full(hours, 13.6), running, 14.3).all()
    assert not pinned(np.full(hours, 13.6), ~running, 14.3).any()
    assert not pinned(np.full(hours, 13.2), running, 14.3).any(), "no float is that low"
    assert not pinned(np.full(hours, 14.2), running, 14.3).any(), "its own ceiling"
    assert not pinned(np.linspace(13.4, 14.0, hours), running, 14.3).any(), "a bank that charges"
    assert not pinned(np.full(5 * HOUR, 13.6), running[: 5 * HOUR], 14.3).any(), "too short"


def test_the_usual_top_is_where_runs_end():
    v = np.concatenate((np.full(100, 12.5), np.linspace(13.0, 14.4, 100)))
    running = np.arange(200) >= 100
    assert usual_top(v, running) == pytest.approx(14.37, abs=0.02)
    assert usual_top(v, np.zeros(200, dtype=bool)) == 14.2


def test_each_limit_of_a_held_rest():
    # Above the resting voltage, within 0.08 V over an hour.
    assert held(within(np.full(HOUR, 13.01)), 13.0).sum() == HOUR
    assert not held(within(np.full(HOUR - 1, 13.01)), 13.0).any()
    assert not held(within(np.full(HOUR, 13.0)), 13.0).any()
    for step, told in ((0.079, True), (0.081, False)):
        assert held(within(13.1 + step * (np.arange(HOUR) % 2)), 13.0).any() == told
    # Twenty minutes above 13.8 V, within 0.10 V from the lowest to the highest reading.
    low = np.full(4, 13.81)
    assert held_high(within(low), within(low)).sum() == 4
    assert not held_high(within(np.full(4, 13.8)), within(np.full(4, 13.8))).any()
    for step, told in ((0.099, True), (0.101, False)):
        assert held_high(within(low), within(low + step)).any() == told


def test_each_limit_of_a_level_lfp_bank():
    cells = LEVEL_CELLS + 5
    assert level(np.full(cells, 13.381)).all()
    assert not level(np.full(cells, 13.38)).any()
    for step, told in ((0.079, True), (0.081, False)):
        assert level(13.4 + step * (np.arange(cells) % 2)).any() == told
    # It sinks by a millivolt from the mean of the first two hours to that of the last two.
    for fall, told in ((0.0009, True), (0.0011, False)):
        sinking = 13.42 - fall * np.arange(cells) / (LEVEL_CELLS - 2 * HOUR)
        assert level(sinking).any() == told
    assert level(np.full(LEVEL_CELLS, 13.42)).any()


def test_each_limit_of_a_pinned_run():
    cells = 5 * HOUR + HOUR
    running = np.ones(cells, dtype=bool)

    def told(v, top=14.3):
        return bool(pinned(np.broadcast_to(v, cells).astype(float), running, top).any())

    assert told(13.351)
    assert not told(13.349)
    # 0.15 V below the usual top.
    assert told(14.14)
    assert not told(14.16)
    # Within 0.06 V in five hours; its mean moves by no more than 6 mV.
    even = np.arange(cells) % 2
    assert told(13.6 + 0.059 * even)
    assert not told(13.6 + 0.061 * even)
    for rise, known in ((0.0059, True), (0.0061, False)):
        assert told(13.6 + rise * np.arange(cells) / (4 * HOUR)) is known
    assert not pinned(np.full(cells - 1, 13.6), running[1:], 14.3).any()
    # A pause spoils it.
    running[cells // 2] = False
    assert not told(13.6)
