"""Kinds of day: what [[other_sources]] says of days that are not logged is heeded."""

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.history.runs import find_runs
from analysis.load.daily import daily_load
from analysis.load.kinds import (
    ANCHOR_SHARE,
    ENGINE,
    EXPECTED,
    Kinds,
    Model,
    Seen,
    by_balance,
    by_current,
    draw_chain,
    draw_lag,
    draw_levels,
    draw_noise,
    find_kinds,
    kinds_of_day,
    sample,
    sweep,
)
from logger.other_sources import OtherSource
from tests.support.boats.drawn_cycles import boat
from tests.support.boats.small_boat import START_S, SmallBoat, sail
from tests.support.configurations import config_for

FIRST = datetime.fromtimestamp(START_S, UTC).date()


def day_of(begin_s):
    return datetime.fromtimestamp(float(begin_s), UTC).date()


@pytest.mark.parametrize("measured", [False, True])
def test_days_on_which_a_configured_source_held_the_battery_tell_no_kind(measured):
    """Shore power of which the log shows nothing: the configuration alone knows of it."""
    boat = SmallBoat(days=60, with_battery_current=measured)
    runs = find_runs(sail(boat)[0], boat.rated_w)
    plain = config_for(charge_efficiency=0.92)
    shore = OtherSource("shore", FIRST + timedelta(days=20), FIRST + timedelta(days=29))
    told = replace(plain, other_sources=(shore,))

    def days(config):
        kinds = kinds_of_day(runs, daily_load(runs, config), config)
        return {day_of(s) for s in kinds.begin_s}

    held = {shore.first + timedelta(days=k) for k in range(10)}
    assert len(held & days(plain)) >= 9
    assert not held & days(told)
    assert len(days(told)) >= 30


def test_kinds_are_those_since_the_sources_that_charge_along_changed():
    boat = SmallBoat(days=60)
    runs = find_runs(sail(boat)[0], boat.rated_w)
    solar = OtherSource("solar", FIRST + timedelta(days=25), None, watts=100.0)
    config = replace(config_for(charge_efficiency=0.92), other_sources=(solar,))
    kinds = kinds_of_day(runs, daily_load(runs, config), config)
    # The day of the change counts from its beginning in whatever time zone: a day of grace.
    assert day_of(np.min(kinds.begin_s)) >= FIRST + timedelta(days=24)


RNG_SEED = 4


def moments(draw, count=4000):
    """Return mean and standard deviation of so many draws."""
    rng = np.random.default_rng(RNG_SEED)
    found = np.array([draw(rng) for _ in range(count)])
    return found.mean(axis=0), found.std(axis=0)


def test_the_extra_charge_at_a_start_is_drawn_from_its_normal():
    lever, rest = np.array([1.0, -2.0, 0.5]), np.array([3.0, -5.0, 2.0])
    weight = np.array([0.5, 1.0, 2.0])
    # A prior of 4 within 4, and the rows: precision and mean by hand.
    total = (weight * lever**2).sum() + 1.0 / 16.0
    middle = ((weight * lever * rest).sum() + 1.0 / 4.0) / total
    mean, sd = moments(lambda rng: draw_lag(rest, lever, weight, 4.0, rng))
    assert mean == pytest.approx(middle, abs=0.03)
    assert sd == pytest.approx(total**-0.5, rel=0.05)
    # It is never below nothing.
    assert moments(lambda rng: draw_lag(-50.0 * lever, lever, weight, 4.0, rng), 50)[0] == 0.0


def test_the_scatter_of_stretches_is_drawn_from_its_inverse_gamma():
    base = 2.0
    rest = np.array([1.0, -3.0, 5.0, 2.0])
    sort, trust = np.array([0, 0, 2, 2]), np.array([1.0, 0.5, 1.0, 2.0])
    # Ten rows of the prior (1.5, 2.0 and 2.5 h of 2 A) beside the rows themselves; the mean of an
    # inverse gamma with shape a and scale b is b / (a - 1).
    squares = [1.0 + 4.5, 0.0, 25.0 + 8.0]
    rows = [2, 0, 2]
    expected = [
        0.5 * (square + 10.0 * (h * base) ** 2) / (0.5 * (n + 10.0) - 1.0)
        for square, h, n in zip(squares, (1.5, 2.0, 2.5), rows, strict=True)
    ]
    mean, _ = moments(lambda rng: draw_noise(rest, sort, trust, base, rng)[0], 3000)
    assert mean == pytest.approx(expected, rel=0.06)
    # Student's t with four degrees: weights of mean 5 / (4 + z^2).
    fixed = np.full(4, 1e-9)

    def weights_for(rng):
        noise2, weight = draw_noise(rest, sort, trust, base, rng)
        return weight * (4.0 + rest**2 / noise2[sort])

    mean, _ = moments(weights_for, 2000)
    assert mean == pytest.approx(np.full(4, 5.0), rel=0.05)
    # No less than a fifth of an hour of the load.
    tiny = draw_noise(0.0 * fixed, sort, trust, 1e-6, np.random.default_rng(1))[0]
    assert (tiny >= (0.2e-6) ** 2).all()


def test_levels_of_the_kinds_are_drawn_from_their_normals():
    loads = np.array([0.5, 0.6, 2.0, 2.2, 2.4, 3.5])
    kind = np.array([0, 0, 1, 1, 1, 2])
    level, scatter, base = np.array([0.5, 2.0, 3.0]), 0.15, 2.0

    def combined(*told):
        """Return mean and standard deviation of a product of normals."""
        total = sum(sd**-2.0 for _, sd in told)
        return sum(m * sd**-2.0 for m, sd in told) / total, total**-0.5

    # Away: two days of the scatter of 0.1 A (a twentieth of the mean load at least); expected are
    # a fifth of the mean day within 0.15.
    away = combined((0.55, 0.1 / 2**0.5), (0.4, 0.3))
    # At anchor: three days; the prior; and 0.68 within 0.12 of under way (3 A as yet).
    anchor = combined((2.2, 0.3 / 3**0.5), (1.6, 0.5), (0.68 * 3.0, 0.12 * 3.0))
    mean, sd = moments(lambda rng: draw_levels(loads, kind, level, scatter, base, rng))
    assert (mean[0], sd[0]) == pytest.approx(away, rel=0.05)
    assert (mean[1], sd[1]) == pytest.approx(anchor, rel=0.05)
    # Under way: one day, the prior, and that at anchor over 0.68, which was drawn before.
    share = anchor[0] / 0.68
    under_way = combined((3.5, 0.45), (2.5, 0.7), (share, 0.12 / 0.68 * share))
    assert mean[2] == pytest.approx(under_way[0], rel=0.03)
    # In their order, and no less than a fiftieth of the mean load.
    low = draw_levels(np.zeros(30), np.full(30, 2), level, scatter, base, np.random.default_rng(1))
    assert (np.diff(low) >= 0.0).all()
    rng = np.random.default_rng(6)
    none = [
        draw_levels(np.zeros(300), np.zeros(300, int), level, 0.15, base, rng)[0] for _ in range(9)
    ]
    assert min(none) == 0.04


def every_chain(seen, breaks, shares):
    """Return the probability of each kind on each day by adding up all chains of kinds."""
    move = 0.6 * np.eye(3) + 0.4 * shares
    days = len(seen)
    chance, total = np.zeros((days, 3)), 0.0
    for kinds in itertools.product(range(3), repeat=days):
        weight = float(shares @ move[:, kinds[0]]) if not breaks[0] else shares[kinds[0]]
        for day, kind in enumerate(kinds):
            if day:
                weight *= shares[kind] if breaks[day] else move[kinds[day - 1], kind]
            weight *= math.exp(seen[day, kind])
        total += weight
        chance[range(days), kinds] += weight
    return chance / total


def test_a_chain_of_kinds_is_drawn_as_all_chains_together_say():
    seen = np.log(np.array([[0.7, 0.2, 0.1], [0.3, 0.3, 0.4], [0.2, 0.6, 0.2], [0.5, 0.1, 0.4]]))
    shares = np.array([0.2, 0.5, 0.3])
    for breaks in (np.zeros(4, dtype=bool), np.array([False, False, True, False])):
        mean, _ = moments(lambda rng, breaks=breaks: draw_chain(seen, breaks, shares, rng)[1], 1500)
        assert mean == pytest.approx(every_chain(seen, breaks, shares), abs=0.045)
    kind, flags = draw_chain(seen, breaks, shares, np.random.default_rng(2))
    assert flags.tolist() == np.eye(3)[kind].tolist()


def test_days_with_their_loads_unknown_are_drawn_as_all_kinds_together_say():
    """Two stretches over three days: each set of kinds has a normal likelihood of its own."""
    rng = np.random.default_rng(8)
    design = np.column_stack((np.array([[20.0, 10.0, 0.0], [0.0, 8.0, 22.0]]), np.zeros((2, 3))))
    model = Model(
        design, np.array([-1, -1]), np.array([-1, -1]), np.array([1, 1]), np.array([70.0, 45.0]),
        np.zeros((6, 6)), np.zeros(6), 2.0, 0.0,
    )  # fmt: skip
    weight = np.array([1.0 / 36.0, 1.0 / 25.0])
    level, spread = np.array([0.5, 1.6, 2.6]), np.array([0.2, 0.4, 0.5])
    shares, breaks = np.array([0.2, 0.5, 0.3]), np.zeros(3, dtype=bool)
    emission = np.zeros((3, 3))
    emission[1] = np.log([0.02, 0.13, 0.85])
    told = chain = np.arange(3)
    seen = Seen(design, model, weight, 3)
    columns = design[:, :3]
    move = 0.6 * np.eye(3) + 0.4 * shares
    expected, total = np.zeros((3, 3)), 0.0
    for kinds in itertools.product(range(3), repeat=3):
        of = list(kinds)
        covariance = np.diag([36.0, 25.0]) + (columns * spread[of] ** 2) @ columns.T
        left = model.target - columns @ level[of]
        log = -0.5 * left @ np.linalg.solve(covariance, left)
        log += -0.5 * np.linalg.slogdet(covariance)[1] + emission[range(3), of].sum()
        chance = shares[of[0]] * move[of[0], of[1]] * move[of[1], of[2]] * math.exp(log)
        expected[range(3), of] += chance
        total += chance
    kind = np.array([1, 1, 1])
    counts = np.zeros((3, 3))
    for _ in range(1500):
        kind = sweep(seen, kind, told, emission, breaks, chain, shares, level, spread, rng)
        counts[range(3), kind] += 1.0
    assert counts / 1500.0 == pytest.approx(expected / total, abs=0.05)


def test_what_is_no_day_enters_by_its_prior():
    # Pattern of 0.5 of the mean load, volts not at all (they have rows of their own), swing wide.
    design = np.array([[10.0, 2.0, 3.0, 1.0], [12.0, -1.0, 4.0, -1.0]])
    model = Model(
        design, np.empty(0), np.empty(0), np.empty(0), np.array([1.0, 2.0]), np.empty(0),
        np.empty(0), 2.0, 0.0,
    )  # fmt: skip
    seen = Seen(design, model, np.array([0.5, 0.25]), 1)
    swing = (1000.0 * 2.0) ** 2
    expected = np.diag([2.0, 4.0]) + np.outer([2.0, -1.0], [2.0, -1.0])
    assert seen.fixed == pytest.approx(expected + swing * np.outer([1.0, -1.0], [1.0, -1.0]))
    assert seen.columns.tolist() == [[10.0], [12.0]]


def test_measured_days_are_taken_as_they_are():
    loads = np.array([2.0, np.nan, 3.0, 4.0])
    model = by_current(loads, np.array([0, 2, 3]))
    # To a fiftieth of their mean of 3 A.
    assert np.diag(model.extra) == pytest.approx(np.full(3, 1.0 / 0.06**2))
    assert model.side == pytest.approx(np.array([2.0, 3.0, 4.0]) / 0.06**2)
    assert (model.level_a, model.design.shape, len(model.target)) == (3.0, (0, 3), 0)
    assert by_current(loads, np.empty(0, dtype=np.intp)).level_a == 1.0


def test_three_kinds_of_measured_days_are_told_apart():
    rng = np.random.default_rng(3)
    truth = np.repeat([0, 1, 2, 1, 2, 1], 15)
    loads = np.array([0.5, 2.0, 3.2])[truth] * (1.0 + 0.08 * rng.standard_normal(len(truth)))
    told = np.arange(len(truth))
    nothing = np.zeros(len(truth), dtype=bool)
    draws = sample(by_current(loads, told), told, np.zeros((len(truth), 3)), nothing, told)
    assert (draws.chance.argmax(axis=1) == truth).mean() > 0.95
    assert draws.chance.sum(axis=1) == pytest.approx(np.ones(len(truth)))
    assert draws.level.shape == (90, 3)
    assert draws.level.mean(axis=0) == pytest.approx([0.5, 2.0, 3.2], rel=0.08)
    # The scatter of 0.08, with a prior of sixty days at 0.15: the root of the mean square.
    expected = math.sqrt((75 * 0.08**2 + 60 * 0.15**2) / 135.0)
    assert draws.scatter.mean() == pytest.approx(expected, rel=0.1)


def test_how_uncertain_the_days_of_a_kind_are():
    chance = np.array([[1.0, 0.0, 0.0], [0.0, 0.5, 0.5], [0.0, 1.0, 0.0]])
    none = np.empty(0)
    kinds = Kinds(none, none, chance.sum(axis=0), none, chance)
    # Of one and a half days at anchor a quarter of a day is in doubt.
    assert kinds.doubt == pytest.approx([0.0, 0.25 / 1.5, 0.25 / 0.5])


def test_the_balance_of_a_boat_that_runs_six_hours_a_day():
    runs, grid = boat(6)
    days = int((grid.local_s[-1] // 86400) - (grid.local_s[0] // 86400)) + 1
    told, model = by_balance(runs, grid, 0.9, 200.0, np.ones(days, dtype=bool))
    # Up with 48 Ah, of which 43.2 are kept, and down with none, in turn.
    assert model.target[::2] == pytest.approx(np.full(6, 0.9 * 48.0), abs=0.7)
    assert model.target[1::2] == pytest.approx(np.zeros(5), abs=0.7)
    assert model.sort.tolist() == [2, 0] * 5 + [2]
    # Six hours of running count 5.4, eighteen of rest as they are.
    rows = model.design[:, : len(told)].sum(axis=1)
    assert rows[::2] == pytest.approx(np.full(6, 5.4))
    assert rows[1::2] == pytest.approx(np.full(5, 18.0))
    assert model.design[:, -1].tolist() == [1.0, -1.0] * 5 + [1.0]
    assert not model.design[:, -2].any()
    assert model.level_a == pytest.approx(6 * 43.2 / (6 * 5.4 + 5 * 18.0), rel=0.02)
    # 0.022 ohm Ah for each Ah per volt.
    assert model.lag_ah_per_a == pytest.approx(4.4)
    # A row up begins with a start, a row down ends with one, on the day of that start.
    starts = [int(np.flatnonzero(told == d)[0]) for d in
              ((runs.start_s // 86400) - (grid.local_s[0] // 86400)).astype(int)]  # fmt: skip
    assert model.begins[::2].tolist() == starts
    assert set(model.begins[1::2]) == {-1}
    assert model.ends[1::2].tolist() == starts[1:]
    assert set(model.ends[::2]) == {-1}
    # Beside the rows stand what is expected of pattern, volts and swing.
    count = len(told)
    pattern = np.diag(model.extra)[count:-2]
    assert pattern == pytest.approx(np.full(7, 1.0 / (0.5 * model.level_a) ** 2))
    assert model.extra[-2, -2] == pytest.approx(1.0 / 100.0**2)
    assert model.side[-2] == pytest.approx(200.0 / 100.0**2)
    assert model.extra[-1, -1] == pytest.approx(1.0 / (1000.0 * model.level_a) ** 2)
    # Days before the last year do not count; without three stretches there is no balance.
    latest = np.arange(days) >= days - 3
    fewer, part = by_balance(runs, grid, 0.9, 200.0, latest)
    assert len(part.target) < len(model.target)
    assert fewer.min() >= days - 3
    assert by_balance(*boat(1), 0.9, 200.0, np.ones(3, dtype=bool)) is None
    assert by_balance(runs, grid, 0.9, 200.0, np.zeros(days, dtype=bool)) is None


@pytest.mark.parametrize(("label_ah", "expected"), [(156.0, 200.0), (None, 120.0 / 0.78)])
def test_the_charge_of_a_volt_that_is_expected(monkeypatch, label_ah, expected):
    asked = []
    monkeypatch.setattr(
        "analysis.load.kinds.find_kinds", lambda *args: asked.append(args) or "kinds"
    )
    runs, _ = boat(6)
    config = config_for()
    config = replace(config, battery=replace(config.battery, capacity_ah=label_ah))
    load = SimpleNamespace(
        method="balance",
        daily_s=np.ones(3),
        efficiency=0.9,
        helped_ah=None,
        ah=Span(30.0, 40.0, 50.0),
    )
    assert kinds_of_day(runs, load, config) == "kinds"
    (_, grid, share, ah_per_v, measured) = asked[0]
    # The label, or three mean days, over 0.78 V from empty to full.
    assert ah_per_v == pytest.approx(expected)
    assert (share, measured, len(grid.volts)) == (0.9, None, len(boat(6)[1].volts))
    load.method = "none"
    assert kinds_of_day(runs, load, config) is None


def test_measured_days_find_their_place_in_the_grid(monkeypatch):
    asked = []
    monkeypatch.setattr(
        "analysis.load.kinds.find_kinds", lambda *args: asked.append(args[4]) or "kinds"
    )
    runs, grid = boat(6)
    first = 86400.0 * (grid.local_s[0] // 86400)
    load = SimpleNamespace(
        method="battery_current", efficiency=0.9, helped_ah=None, ah=Span(30.0, 40.0, 50.0),
        daily_s=first + 86400.0 * np.array([-1.0, 0.0, 2.0, 99.0]),
        daily_ah=np.array([24.0, 48.0, 72.0, 96.0]),
    )  # fmt: skip
    kinds_of_day(runs, load, config_for())
    days = int(grid.local_s[-1] // 86400 - grid.local_s[0] // 86400) + 1
    expected = np.full(days, np.nan)
    expected[[0, 2]] = 2.0, 3.0
    assert asked[0] == pytest.approx(expected, nan_ok=True)


def test_which_days_tell_a_kind():
    """Shore power and silence take days out; the battery's current tells a day with the engine."""
    runs, grid = boat(20)
    day = (grid.local_s // 86400).astype(int) - int(grid.local_s[0] // 86400)
    measured = np.full(int(day[-1]) + 1, 2.0)
    plain = find_kinds(runs, grid, 0.9, 200.0, measured)
    assert len(plain.begin_s) == int(day[-1]) + 1
    assert plain.days.sum() == pytest.approx(len(plain.begin_s))
    aided = grid.aided.copy()
    for number, hours in ((3, 0.25), (5, 0.34), (7, 5.9), (9, 6.1)):
        first = int(np.flatnonzero(day == number)[0])
        aided[first : first + round(12 * hours)] = True
    measured[11] = np.nan
    found = find_kinds(runs, replace(grid, aided=aided), 0.9, 200.0, measured)
    told = set(((found.begin_s - 86400.0 * (grid.local_s[0] // 86400)) / 86400.0).astype(int))
    # Six hours of help are shore power.
    assert set(range(int(day[-1]) + 1)) - told == {9, 11}
    assert (
        find_kinds(runs, grid, 0.9, 200.0, np.where(np.arange(len(measured)) < 2, 2.0, np.nan))
        is None
    )
    three = np.where(np.arange(len(measured)) < 3, 2.0, np.nan)
    assert find_kinds(runs, grid, 0.9, 200.0, three) is not None


def test_only_the_last_year_and_a_month_tell_kinds(monkeypatch):
    runs, grid = boat(20)
    days = int(grid.local_s[-1] // 86400 - grid.local_s[0] // 86400) + 1
    monkeypatch.setattr("analysis.load.kinds.LATEST_D", 10)
    found = find_kinds(runs, grid, 0.9, 200.0, np.full(days, 2.0))
    # The last day and the ten before it.
    assert len(found.begin_s) == 11
    assert found.begin_s[-1] == 86400.0 * (grid.local_s[-1] // 86400)


def test_an_even_boat_has_an_even_load_on_all_her_days():
    runs, grid = boat(20)
    found = find_kinds(runs, grid, 0.9, 200.0)
    # 43.2 Ah kept in 18 h of rest and 0.9 of six hours: 1.85 A, mostly of one kind.
    by_day = (found.chance * found.level_a.mean(axis=0)).sum(axis=1)
    assert by_day.mean() == pytest.approx(43.2 / 23.4, rel=0.1)
    assert found.level_a.shape == (90, 3)
    assert (np.diff(found.level_a, axis=1) >= 0.0).all()
    assert found.chance.sum(axis=1) == pytest.approx(np.ones(len(found.begin_s)))


def test_the_chances_and_levels_that_are_expected():
    # Where the engine runs a day is of one of the kinds, mostly under way.
    assert ENGINE.sum() == pytest.approx(1.0)
    assert ENGINE.argmax() == 2
    # Under way a third to a half more than at anchor, as audit tables have it.
    assert 1 / 3 < 1.0 / ANCHOR_SHARE - 1.0 < 1 / 2
    assert (np.diff(EXPECTED) > 0.0).all()
    assert 0.5 * (EXPECTED[1] + EXPECTED[2]) == pytest.approx(1.0, abs=0.05)
