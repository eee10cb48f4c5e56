"""A first season without temperature: heat and wear cannot be told apart, and both are weighed."""

import numpy as np
import pytest

from analysis.health.life import estimate
from analysis.health.season import FIRST_SEASON_SIZE, WAVE_SIZE, readings, wave_columns
from analysis.health.trend import Observations
from logger.durations import DAY_S, YEAR_S

#: 2021-04-01 00:00 UTC, and days from then to the third week of July.
APRIL_S, TO_JULY_D = 1617235200.0, 111.0


def first_season(loss_per_kh, heat, *, days=110, south=False, seed=4):
    """Return the estimate of a log from spring on, or from autumn on, and the true output.

    ``heat`` is half of what the output differs by from the coldest to the hottest weeks.
    """
    rng = np.random.default_rng(seed)
    day = np.arange(0.0, days, 1.5) + (182.6 if south else 0.0)
    kh = 0.008 * (day - day[0]) + 0.6
    y = 1.0 - loss_per_kh * kh + rng.normal(0.0, 0.004, len(day))
    summer = np.cos(2.0 * np.pi * (day - TO_JULY_D - (182.6 if south else 0.0)) / 365.25)
    data = Observations(
        kh, y - heat * summer, np.full(len(day), 0.002), np.zeros(len(day), dtype=bool)
    )
    untold = np.full(len(day), np.nan)
    found = estimate(data, untold, APRIL_S + day * DAY_S, float(kh[-1]), 0.05)
    return found, 1.0 - loss_per_kh * float(kh[-1])


def ends(health):
    return health.output(0.05), health.output(0.95)


@pytest.mark.parametrize("seed", range(3))
def test_the_figure_is_that_of_a_cool_compartment_unless_the_log_speaks_against_it(seed):
    health, truth = first_season(0.09, 0.0, seed=seed)
    assert health.output(0.5) == pytest.approx(truth, abs=0.008)
    assert health.slope(0.5) == pytest.approx(0.09, abs=0.02)


@pytest.mark.parametrize("south", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_the_interval_holds_what_a_hot_compartment_would_mean(south, seed):
    # From spring to midsummer the output falls by 6 %, all of it heat.
    health, truth = first_season(0.01, 0.04, south=south, seed=seed)
    low, high = ends(health)
    assert low <= truth <= high
    assert health.slope(0.05) <= 0.01 <= health.slope(0.95)


def test_the_interval_is_wider_than_that_of_a_log_with_temperature():
    health, _ = first_season(0.09, 0.0)
    low, high = ends(health)
    assert high - low > 0.05
    assert low < health.output(0.5) < high


def test_the_drawn_course_ends_where_the_figure_stands():
    health, _ = first_season(0.09, 0.0)
    assert health.posterior.usual_leads
    assert health.fitted[-1] == pytest.approx(health.output(0.5), abs=0.004)


def test_after_a_full_year_the_log_itself_shows_the_wave():
    health, truth = first_season(0.02, 0.03, days=500)
    assert {cell.prior for cell in health.posterior.cells} == {0}
    assert health.output(0.5) == pytest.approx(truth, abs=0.01)


def test_the_wave_stands_at_its_top_in_the_third_week_of_july():
    time_s = APRIL_S + DAY_S * np.arange(365.0)
    columns, sizes = wave_columns(time_s)
    assert int(np.argmax(columns[:, 0])) == pytest.approx(TO_JULY_D, abs=3)
    assert sizes == (FIRST_SEASON_SIZE, FIRST_SEASON_SIZE)
    assert wave_columns(np.array([0.0, 1.1 * YEAR_S]))[1] == (WAVE_SIZE, WAVE_SIZE)


def test_the_readings_of_a_first_season_by_hand():
    mean, precision = np.arange(5.0), np.full(5, 7.0)
    cool, north, south = readings((mean, precision), 2)
    assert [chance for chance, _ in (cool, north, south)] == [0.5, 0.25, 0.25]
    # Where heat hardly matters: half a per cent either way, and nothing in the mean.
    means, precisions = cool[1]
    assert means.tolist() == [0.0, 1.0, 0.0, 3.0, 4.0]
    assert precisions[2:4] ** -0.5 == pytest.approx([0.005, 0.005])
    # Where it matters: 4 % less in the hottest weeks, 3 % either way. They come up to four weeks
    # earlier or later: the sine of that, times the 4 %, is 0.0185.
    for (_, (means, precisions)), sign in ((north, -1.0), (south, 1.0)):
        assert means.tolist() == [0.0, 1.0, sign * FIRST_SEASON_SIZE, 3.0, 4.0]
        assert precisions[2] ** -0.5 == pytest.approx(0.03)
        four_weeks = np.sin(2.0 * np.pi * 28.0 / 365.25)
        assert precisions[3] ** -0.5 == pytest.approx(four_weeks * 0.04, rel=0.1)
        assert precisions[[0, 1, 4]].tolist() == [7.0] * 3
    assert mean.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0], "what is given stays as it is"
