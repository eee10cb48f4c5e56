"""A log that began before its charger was fitted: the date is wrong, or it is of two chargers."""

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from analysis.inputs.dates import begun_before_fitted
from tests.support.boats import plain_log
from tests.support.configurations import config_for

#: The first day of the log.
BEGAN = date(2019, 4, 11)


@pytest.mark.parametrize("days", [-400, 0, 2, 3, 30, 400])
def test_a_date_of_fitting_within_the_log_is_told(days):
    config = config_for()
    fitted = BEGAN + timedelta(days=days)
    config = replace(config, charger=replace(config.charger, fitted=fitted))
    found = list(begun_before_fitted(plain_log.log(runs=60, rest=36), config))
    assert [f.code for f in found] == (["fitted_late"] if days >= 30 else [])
    assert all(f.asks and str(fitted) in f.text for f in found)
    without = replace(config, charger=replace(config.charger, fitted=None))
    assert not list(begun_before_fitted(plain_log.log(runs=2), without))


def test_the_hours_before_the_fitting_by_hand():
    config = config_for()
    config = replace(config, charger=replace(config.charger, fitted=BEGAN + timedelta(days=30)))
    (finding,) = begun_before_fitted(plain_log.log(runs=60, rest=36), config)
    # The log begins at 16:27; 12 h are logged a day, and 7.6 h of the last until midnight.
    hours, days = map(int, re.findall(r"\d+", finding.seen))
    assert (hours, days) == (pytest.approx(29 * 12 + 7.6, abs=1.0), 29)
