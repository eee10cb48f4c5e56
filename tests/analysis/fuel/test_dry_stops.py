"""Signs of an empty container, on runs that are drawn by hand in intervals of ten minutes."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.fuel.dry_stops import (
    Sign,
    dry_stops,
    ended_voltage,
    faded_out,
    ran_dry,
    sign_of,
    traits_of,
)
from analysis.history.history import STATE_CODE
from analysis.history.runs import find_runs
from logger.reading import OperatingState
from tests.support.boats.plain_log import BEGIN_S, RATED_W, log

RUNNING, STANDBY, FAULT, OFF = (
    STATE_CODE[s]
    for s in (
        OperatingState.RUNNING,
        OperatingState.STANDBY,
        OperatingState.FAULT,
        OperatingState.OFF,
    )
)
STEP_S = 600.0
#: Ten cycles of eighteen hours of rest at 12.4 V and six of running that end full at 14.2 V.
REST, RUN, CYCLES = 108, 36, 10
EACH = REST + RUN
#: The run that the tests change, and the rest after it.
MINE = slice(4 * EACH + REST, 5 * EACH)
AFTER = slice(5 * EACH, 5 * EACH + REST)


def drawn(change=None):
    """Return the history of the cycles; ``change`` gets state, power and voltage to change."""
    plain = log(runs=1, run_h=CYCLES * EACH / 6.0, rest=0)
    at = np.arange(CYCLES * EACH) % EACH
    inside = at >= REST
    volts = np.where(inside, 13.0 + 1.2 * (at - REST) / (RUN - 1), 12.4)
    power = np.where(inside, 100.0, 0.0)
    state = np.where(inside, RUNNING, STANDBY).astype(np.int8)
    if change is not None:
        change(state, power, volts)
    return replace(
        plain, start_s=BEGIN_S + STEP_S * np.arange(len(at)), state=state,
        energy_j=power * STEP_S, charge_c=power / volts * STEP_S, voltage_mean_v=volts,
        voltage_min_v=volts, voltage_max_v=volts, voltage_last_v=volts,
        runtime_h=np.full(len(at), np.nan),
    )  # fmt: skip


def runs_of(change=None):
    return find_runs(drawn(change), RATED_W)


def low(state, power, volts):
    """Let the run end at 13.3 V, long before the battery is full."""
    volts[MINE] = np.linspace(13.0, 13.3, RUN)


def test_the_usual_voltages_and_states():
    traits = traits_of(runs_of())
    # The 98 % quantile of charging less 2 %; the usual start less 0.08 V of 12.
    charging = 13.0 + 1.2 * np.arange(RUN) / (RUN - 1)
    assert traits.filled_v == pytest.approx(0.98 * np.percentile(np.tile(charging, 10), 98.0))
    assert traits.waiting_v == pytest.approx(12.4 * (1.0 - 0.08 / 12.0))
    assert set(traits.off) == {OFF, STATE_CODE[OperatingState.SLEEPING]}
    # Eight starts show a usual voltage, seven do not.
    for cycles, known in ((8, True), (7, False)):
        few = find_runs(drawn().select(np.arange(cycles * EACH)), RATED_W)
        assert len(few) == cycles
        assert np.isfinite(traits_of(few).waiting_v) == known

    def rests_off(state, power, volts):
        state[state == STANDBY] = OFF

    assert traits_of(runs_of(rests_off)).off == (STATE_CODE[OperatingState.SLEEPING],)


def test_a_run_that_fills_the_battery_is_no_dry_stop():
    runs = runs_of()
    assert dry_stops(runs) == []
    assert ended_voltage(runs, 4) == pytest.approx(14.2)
    assert ended_voltage(runs_of(low), 4) == pytest.approx(13.3)

    def dead(state, power, volts):
        # The last intervals give less than a fiftieth; before that 13.1 V was the highest.
        low(state, power, volts)
        power[MINE] = np.where(np.arange(RUN) < 12, 100.0, 1.9)
        volts[MINE] = np.where(np.arange(RUN) < 12, 13.1, 14.0)

    assert ended_voltage(runs_of(dead), 4) == pytest.approx(13.1)

    def nothing(state, power, volts):
        power[MINE] = 0.0

    # A run that gave nothing at all has no voltage at which it ended.
    silent = runs_of(nothing)
    assert len(silent) == CYCLES
    assert np.isnan(ended_voltage(silent, 4))
    assert not faded_out(silent, 4, 13.9)


def waits(volts_v, hours, state_code=STANDBY):
    def change(state, power, volts):
        low(state, power, volts)
        volts[AFTER.start : AFTER.start + int(6 * hours)] = volts_v
        state[AFTER.start : AFTER.start + int(6 * hours)] = state_code

    return change


@pytest.mark.parametrize(
    ("change", "sign"),
    [
        (low, None),
        # An hour below the usual start voltage (12.4 V less 0.083 V).
        (waits(12.31, 1.0), Sign.WAITED),
        (waits(12.31, 0.9), None),
        (waits(12.32, 1.0), None),
        # Somebody has switched it off.
        (waits(12.31, 2.0, OFF), None),
        # Twenty minutes of a fault.
        (waits(12.4, 0.34, FAULT), Sign.FAULT),
        (waits(12.4, 0.2, FAULT), None),
    ],
)
def test_the_signs_of_a_stop(change, sign):
    assert dry_stops(runs_of(change)) == ([] if sign is None else [(5, sign)])


def fades(part=0.3, minutes=20, volts_v=12.9, before=None):
    """Let the output fade to a part of itself for so long before the run ends."""
    cells = minutes // 10 + 1  # the last holds the stop itself

    def change(state, power, volts):
        low(state, power, volts)
        if before is not None:
            volts[MINE] = before
        power[MINE.stop - cells : MINE.stop] = 100.0 * part
        volts[MINE.stop - cells : MINE.stop] = volts_v

    return change


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (fades(), True),
        # Below 0.35 of the output at its end, for ten minutes, with a voltage that falls by 1 %.
        (fades(part=0.34), True),
        (fades(part=0.36), False),
        (fades(minutes=10), True),
        (fades(minutes=0), False),
        (fades(volts_v=13.12), True),
        (fades(volts_v=13.18), False),
        # Nothing at all is a stop, not a fading.
        (fades(part=0.01), False),
        # If the battery had been full, little current is float until the voltage falls below 13.2.
        (fades(before=14.2, volts_v=13.19), True),
        (fades(before=14.2, volts_v=13.21), False),
        (fades(before=13.8, volts_v=13.21), True),
    ],
)
def test_an_output_that_fades(change, told):
    runs = runs_of(change)
    assert faded_out(runs, 4, traits_of(runs).filled_v) is told
    assert faded_out(runs_of(), 4, 13.9) is False


def test_only_the_last_four_hours_count_as_a_fading():
    runs = runs_of(fades(minutes=220))
    assert faded_out(runs, 4, traits_of(runs).filled_v)
    # Where it was a third for all of four hours, they do not show from what it fell.
    runs = runs_of(fades(minutes=230))
    assert not faded_out(runs, 4, traits_of(runs).filled_v)


def test_the_strongest_sign_counts():
    def both(state, power, volts):
        fades()(state, power, volts)
        state[AFTER.start : AFTER.start + 6] = FAULT

    runs = runs_of(both)
    pause = slice(int(runs.last[4]) + 1, int(runs.first[5]))
    assert sign_of(runs, 4, pause, traits_of(runs)) is Sign.FADED
    assert max(Sign) is Sign.FADED


def change_at(hours):
    """Return the time so many hours after the run."""
    return BEGIN_S + STEP_S * AFTER.start + 3600.0 * hours


def test_a_recorded_change_tells_an_empty_container_by_less():
    def short(state, power, volts):
        # The charger starts again an hour and twenty minutes after it stopped.
        low(state, power, volts)
        state[AFTER.start + 8 : AFTER.stop] = RUNNING
        power[AFTER.start + 8 : AFTER.stop] = 100.0
        volts[AFTER.start + 8 : AFTER.stop] = 13.3

    runs = runs_of(short)
    # It stood for more than twenty minutes, and ran within an hour of the change.
    assert ran_dry(runs, [change_at(0.4)]) == [True]
    assert ran_dry(runs, [change_at(0.32)]) == [False]
    assert ran_dry(runs, [change_at(1.2)]) == [True]
    # The run that begins at the very second of the change is one after it.
    assert ran_dry(runs, [float(runs.start_s[5])]) == [True]
    # Where it stays off for hours afterwards, only a sign would tell.
    assert ran_dry(runs_of(low), [change_at(0.4)]) == [False]
    assert ran_dry(runs_of(waits(12.31, 2.0)), [change_at(3.0)]) == [True]
    assert ran_dry(runs_of(waits(12.4, 0.17, FAULT)), [change_at(0.5)]) == [True]
    # Not in the middle of a run, not after a full battery, not before any run.
    assert ran_dry(runs, [BEGIN_S + STEP_S * (MINE.start + 9)]) == [False]
    assert ran_dry(runs, [BEGIN_S + STEP_S * 3 * EACH + 1800.0]) == [False]
    assert ran_dry(runs, [BEGIN_S + 60.0]) == [False]
    off = drawn(short)
    state = off.state.copy()
    state[AFTER.start : AFTER.start + 2] = OFF
    assert ran_dry(find_runs(replace(off, state=state), RATED_W), [change_at(0.4)]) == [False]
