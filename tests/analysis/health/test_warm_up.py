"""How long warming up takes, from runs whose warm-up is given."""

import numpy as np
import pytest

from analysis.health.limiter import BATTERY, HEAT, SOURCE, Stretches
from analysis.health.warm_up import DEFAULT_WARM_H, EDGES_H, cells, warm_up_h


def stretches_of(run, since_h, power, code=SOURCE, seconds=120.0, temperature=np.nan):
    count = len(run)
    full = [np.broadcast_to(v, count).astype(float) for v in (seconds, power, np.nan, temperature)]
    code = np.broadcast_to(code, count).astype(np.int8)
    return Stretches(np.arange(count), np.asarray(run), np.asarray(since_h), *full, code)


def minutes(runs, power, *, first=0, last=120, code=SOURCE, level=None):
    """Return runs in intervals of two minutes; ``power`` is a function of the minutes."""
    at = np.arange(first, last, 2) + 1.0
    level = np.linspace(80.0, 120.0, runs) if level is None else level
    return stretches_of(
        np.repeat(np.arange(runs), len(at)),
        np.tile(at, runs) / 60.0,
        (level[:, None] * power(at)).ravel(),
        code,
    )


def warm_after(limit_min):
    return lambda at: np.where(at < limit_min, 0.6, 1.0)


def test_the_cells_rise_from_two_minutes_to_two_days():
    assert EDGES_H[:12] * 60.0 == pytest.approx([*range(0, 22, 2), 22.0])
    assert (np.diff(EDGES_H) > 0.0).all()
    assert EDGES_H[-1] == 48.0
    # But for the first, no cell ends more than twice as far from the start as it begins.
    assert (EDGES_H[2:] <= 2.0 * EDGES_H[1:-1]).all()


def test_a_cell_is_the_mean_of_its_intervals_by_time():
    # Run 1 first: cells come in order of runs. Minutes 2 to 4 of run 0 in two intervals.
    found = stretches_of(
        [1, 0, 0, 0, 0],
        np.array([1.0, 1.0, 2.5, 3.5, 9999.0]) / 60.0,
        [50.0, 60.0, 90.0, 60.0, 70.0],
        seconds=[60.0, 60.0, 20.0, 40.0, 60.0],
        temperature=[20.0, np.nan, 30.0, np.nan, 10.0],
    )
    pool = cells(found, np.ones(5, dtype=bool))
    assert pool.run.tolist() == [0, 0, 0, 1]
    assert pool.bin.tolist() == [0, 1, len(EDGES_H) - 2, 0], "what is late joins the last cell"
    assert pool.power_w == pytest.approx([60.0, 70.0, 70.0, 50.0])
    assert pool.seconds == pytest.approx([60.0, 60.0, 60.0, 60.0])
    assert pool.since_start_h[1] * 60.0 == pytest.approx(2.5 / 3.0 + 3.5 * 2.0 / 3.0)
    assert pool.temperature_c == pytest.approx([np.nan, 30.0, 10.0, 20.0], nan_ok=True)
    none = cells(found, np.zeros(5, dtype=bool))
    assert len(none.run) == len(none.power_w) == 0


@pytest.mark.parametrize(("limit_min", "expected_min"), [(6, 8), (20, 22), (50, 55), (1, 6)])
def test_it_ends_one_cell_after_the_power_has_come(limit_min, expected_min):
    found, told = warm_up_h(minutes(12, warm_after(limit_min)), 12)
    assert told is True
    assert found * 60.0 == pytest.approx(expected_min)


def test_the_slower_runs_must_be_warm_as_well():
    # Five of twelve need twenty minutes, the others ten: more than 35 % are slow.
    at = np.arange(0, 120, 2) + 1.0
    slow = np.where(at < 20, 0.6, 1.0)
    quick = np.where(at < 10, 0.6, 1.0)

    def told(slow_runs):
        power = np.where((np.arange(12) < slow_runs)[:, None], slow, quick)
        found = stretches_of(
            np.repeat(np.arange(12), len(at)), np.tile(at, 12) / 60.0, 100.0 * power.ravel()
        )
        return warm_up_h(found, 12)[0] * 60.0

    assert told(6) == pytest.approx(22.0)
    assert told(2) == pytest.approx(12.0)


def test_within_half_a_per_cent_is_warm():
    def nearly(part):
        return lambda at: np.where(at < 10, 0.6, np.where(at < 20, part, 1.0))

    assert warm_up_h(minutes(8, nearly(0.996)), 8)[0] * 60.0 == pytest.approx(12.0)
    assert warm_up_h(minutes(8, nearly(0.994)), 8)[0] * 60.0 == pytest.approx(22.0)


def test_no_more_than_an_hour_and_a_half_is_looked_for():
    found, told = warm_up_h(minutes(8, warm_after(200), last=300), 8)
    assert (found, told) == (0.1, True), "what is not over by then is no warm-up"
    assert warm_up_h(minutes(8, warm_after(88), last=240), 8)[0] == pytest.approx(1.5)


def test_too_few_runs_or_too_late_cells_show_none():
    assert warm_up_h(minutes(5, warm_after(20)), 5)[1] is True
    assert warm_up_h(minutes(4, warm_after(20)), 4) == (DEFAULT_WARM_H, False)
    # The log shows only what comes after the warm-up: an unknown one.
    assert warm_up_h(minutes(8, warm_after(0), first=8), 8) == (DEFAULT_WARM_H, False)
    assert warm_up_h(minutes(8, warm_after(0), first=6), 8)[1] is True
    # Less than a quarter of an hour from minute 45 on (cells of five minutes) is no level.
    assert warm_up_h(minutes(8, warm_after(20), last=58), 8) == (DEFAULT_WARM_H, False)
    assert warm_up_h(minutes(8, warm_after(20), last=60), 8)[1] is True
    assert DEFAULT_WARM_H == 0.5


def test_time_at_the_ceiling_says_nothing_but_time_in_the_heat_does():
    slow = warm_after(20)
    assert warm_up_h(minutes(8, slow, code=BATTERY), 8) == (DEFAULT_WARM_H, False)
    assert warm_up_h(minutes(8, slow, code=HEAT), 8)[0] * 60.0 == pytest.approx(22.0)
    assert warm_up_h(minutes(8, slow, level=np.zeros(8)), 8) == (DEFAULT_WARM_H, False)


def test_a_cell_that_few_runs_show_is_no_profile():
    # Eight of forty, less than a quarter, show the first 24 minutes, and they are cold.
    at = np.arange(0, 120, 2) + 1.0
    late = np.where(at < 40, 0.5, 1.0)
    run, since, power = [], [], []
    for k in range(40):
        seen = at > (0 if k < 8 else 24)
        run += [k] * seen.sum()
        since += list(at[seen] / 60.0)
        power += list(100.0 * (late if k < 8 else np.ones(60))[seen])
    assert warm_up_h(stretches_of(run, since, power), 40) == (DEFAULT_WARM_H, False)
