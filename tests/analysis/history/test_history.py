"""The log of one fitting as arrays: which rows are its own, and what a selection keeps."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from analysis.history.history import load_fitting
from logger.config import ChargerConfig, StoreConfig
from logger.store.records import SessionStart, write_import
from tests.support.boats.plain_log import log
from tests.support.configurations import config_for

DAY_S = 86400.0
#: Noon of 2023-11-14, UTC.
BEGIN_S = 1699963200.0
OLD = ChargerConfig("aft locker", 110.0, fitted=date(2021, 4, 18))
NEW = ChargerConfig("aft locker", 150.0, fitted=date(2023, 11, 19))


def write(path, charger, days, events=()):
    rows = [
        (round(1000.0 * (BEGIN_S + day * DAY_S)), 60_000, 0, 60, round(1000 * day), *[None] * 9)
        for day in days
    ]
    told = [(BEGIN_S + day * DAY_S, kind, None, "") for day, kind in events]
    write_import(path, charger, SessionStart("test", BEGIN_S), rows, told)


def days_of(history):
    """Return the days of the rows by their time, and by what was written into them."""
    by_time = (history.start_s - BEGIN_S) / DAY_S
    assert history.charge_c == pytest.approx(by_time)
    return by_time.tolist()


def loaded(path, charger, number=None):
    config = replace(config_for(), charger=charger, store=StoreConfig(path))
    return load_fitting(config, number)


def test_what_was_logged_into_the_log_of_the_charger_before_comes_with_its_own(store):
    # The logger went on with the old charger's label for five days after the exchange on day 5.
    write(store, OLD, range(10), [(5, "replacement")])
    write(store, NEW, (6.5, 7.5, 11.0))
    now, config = loaded(store, NEW)
    assert days_of(now) == [5.0, 6.0, 6.5, 7.0, 7.5, 8.0, 9.0, 11.0]
    assert (now.fitting.rated_w, config.charger) == (150.0, NEW)
    before, config = loaded(store, NEW, 1)
    assert days_of(before) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert (before.fitting.rated_w, config.charger.rated_w) == (110.0, 110.0)


def test_a_charger_that_is_not_logged_yet_has_an_empty_log(store):
    nobody, config = loaded(store, NEW)
    assert (len(nobody), nobody.fitting.id, nobody.fitting.label) == (0, 0, "aft locker")
    assert config.charger == NEW
    # An exchange after the last row: the old log as it is, the new one without a row of it.
    write(store, OLD, range(4), [(5, "replacement")])
    write(store, NEW, (6.0,))
    assert days_of(loaded(store, NEW)[0]) == [6.0]
    assert days_of(loaded(store, OLD)[0]) == [0.0, 1.0, 2.0, 3.0]


def test_without_a_number_it_is_the_configured_fitting_else_the_newest(store):
    write(store, OLD, range(3))
    write(store, NEW, (6.0,))
    assert days_of(loaded(store, OLD)[0]) == [0.0, 1.0, 2.0]
    other = ChargerConfig("bow", 60.0)
    history, config = loaded(store, other)
    assert days_of(history) == [6.0]
    assert (config.charger.label, config.charger.rated_w) == ("aft locker", 150.0)


def test_a_selection_keeps_what_is_of_the_whole_log():
    whole = log(runs=2)
    assert whole.impossible == 0
    some = replace(whole, impossible=3).select(np.arange(len(whole)) % 2 == 0)
    assert some.start_s.tolist() == whole.start_s[::2].tolist()
    assert some.end_s.tolist() == (some.start_s + some.duration_s).tolist()
    assert (some.impossible, some.fitting) == (3, whole.fitting)
    assert len(whole.select([1, 0])) == len(whole.select(slice(0, 2))) == 2
    assert whole.select([1, 0]).start_s.tolist() == whole.start_s[[1, 0]].tolist()
