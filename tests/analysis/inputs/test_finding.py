"""The small plots of findings count the boat's own days."""

from datetime import UTC, datetime
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from analysis.inputs.finding import by_day
from analysis.units import reading_as
from logger.config import BoatConfig

#: Four hours of log across a midnight in Auckland (UTC+13 in January), which is noon in UTC.
LATE_EVENING_S = datetime(2026, 1, 10, 22, 0, tzinfo=ZoneInfo("Pacific/Auckland")).timestamp()


class Log(SimpleNamespace):
    def __len__(self):
        return len(self.start_s)


def test_days_of_a_plot_begin_at_the_boats_midnight():
    log = Log(start_s=LATE_EVENING_S + 3600.0 * np.arange(4))
    part = np.full(4, 3600.0)
    with reading_as(BoatConfig(timezone="Pacific/Auckland")):
        there = by_day("hours", "h", log, part, None)
        share = by_day("share", "%", log, np.array([0.0, 900.0, 3600.0, 0.0]), part)
    assert there.values.tolist() == [2.0, 2.0]
    noon = datetime(2026, 1, 10, 12, 0, tzinfo=ZoneInfo("Pacific/Auckland")).timestamp()
    assert there.time_s == pytest.approx([noon, noon + 86400.0])
    assert share.values.tolist() == [12.5, 50.0]
    with reading_as(BoatConfig(timezone="UTC")):
        assert by_day("hours", "h", log, part, None).values.tolist() == [4.0]


def test_a_log_of_nothing_has_no_days():
    assert len(by_day("hours", "h", Log(start_s=np.zeros(0)), np.zeros(0), None).values) == 0


def test_a_day_of_25_hours_is_one_day():
    first_s = datetime(2025, 10, 26, 0, 0, tzinfo=ZoneInfo("Europe/Berlin")).timestamp()
    log = Log(start_s=first_s + 3600.0 * np.arange(26))
    with reading_as(BoatConfig(timezone="Europe/Berlin")):
        hours = by_day("hours", "h", log, np.full(26, 3600.0), None)
    assert hours.values.tolist() == [25.0, 1.0]
    assert datetime.fromtimestamp(hours.time_s[0], UTC).day == 26
