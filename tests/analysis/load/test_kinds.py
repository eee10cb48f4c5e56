"""Kinds of day: what [[other_sources]] says of days that are not logged is heeded."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.load.daily import daily_load
from analysis.load.kinds import kinds_of_day
from logger.other_sources import OtherSource
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
