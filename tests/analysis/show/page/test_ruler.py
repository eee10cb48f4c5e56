"""Over dates the forecast follows the boat's own seasons: flat winters, the expected date met."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment.document import Curve, HoursAhead
from analysis.assessment.usage import Usage, expected_hours
from analysis.estimate import Span
from analysis.show.page.plots.ruler import Ruler

#: The log ends with the season of 2025: 6 h a day from April to September, nothing in winter.
NOW_S = datetime(2025, 9, 30, tzinfo=UTC).timestamp()
NOW_H, LEFT_H = 2000.0, 1600.0
SEASON = Usage(np.where((np.arange(24) >= 6) & (np.arange(24) < 18), 6.0, 0.0), 0.2)


@dataclass
class Runs:
    runtime_h: np.ndarray
    start_s: np.ndarray

    def __len__(self):
        return len(self.start_s)


def told(hours_ahead, *, median_s=None):
    ran = np.linspace(1000.0, NOW_H, 50)
    table = Runs(ran, NOW_S - (NOW_H - ran) * 3600.0 * 4.0)
    return SimpleNamespace(
        run_table=table,
        hours_ahead=hours_ahead,
        at_runtime_h=NOW_H,
        remaining_h=Span(1000.0, LEFT_H, 2000.0),
        remaining_date=Span(None, median_s, None),
        observed_from_s=NOW_S - 2e7,
        observed_to_s=NOW_S,
        running_hours=1000.0,
    )


def falling():
    hours = np.linspace(1000.0, 5000.0, 21)
    median = 1.0 - hours / 10_000.0
    return Curve(hours, median, median - 0.02, median + 0.02, NOW_H)


def test_the_forecast_over_dates_is_flat_in_winter_and_falls_in_the_season():
    a = told(HoursAhead(*expected_hours(SEASON, NOW_S)))
    where, curve = Ruler(a, dates=True).course(falling())

    def median_at(*date):
        return float(np.interp(datetime(*date, tzinfo=UTC).timestamp(), where, curve.median))

    assert np.all(np.diff(where) >= 0.0)
    assert median_at(2025, 11, 1) == pytest.approx(median_at(2026, 3, 1), abs=1e-4)
    assert median_at(2026, 11, 1) == pytest.approx(median_at(2027, 3, 1), abs=1e-4)
    # By hand: a season is half a year of 6 h a day, 1096 h, and costs 0.1096.
    fallen = median_at(2026, 3, 1) - median_at(2026, 11, 1)
    assert fallen == pytest.approx(182.6 * 6.0 / 10_000.0, rel=0.03)


def test_the_curve_meets_the_expected_date_of_the_limit():
    expected = HoursAhead(*expected_hours(SEASON, NOW_S))
    when = datetime(2027, 6, 1, tzinfo=UTC).timestamp()
    ruler = Ruler(told(expected, median_s=when), dates=True)
    assert float(ruler.place(np.array([NOW_H + LEFT_H]))[0]) == pytest.approx(when, abs=86400.0)


def test_without_a_pattern_of_the_year_the_dates_run_evenly():
    when = NOW_S + timedelta(days=400).total_seconds()
    ruler = Ruler(told(None, median_s=when), dates=True)
    placed = ruler.place(NOW_H + np.array([0.0, 800.0, 1600.0]))
    assert np.diff(placed) == pytest.approx([200.0 * 86400.0] * 2)
