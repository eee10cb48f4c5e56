"""What belongs to one fitting: its time, its events, and the settings about its charger."""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from analysis.history.fitting import FittingTime, of_fitting, time_of
from logger.config import UnitConfig
from logger.event import Event
from logger.store.reader import Fitting
from tests.support.configurations import config_for

FIRST = Fitting(1, "aft locker", 110.0, "2021-04-18")
SECOND = Fitting(2, "aft locker", 150.0, "2023-05-02")
THIRD = Fitting(3, "aft locker", 150.0, "2024-06-03")
BOW = Fitting(4, "bow", 60.0, "2022-01-01")


def at(day, hour=12):
    return datetime.fromisoformat(f"{day}T{hour:02d}:00+00:00").astimezone(UTC).timestamp()


def exchange(number, day, **more):
    return Event(number, at(day), "replacement", **more)


def config(label="aft locker", fitted=date(2024, 6, 3)):
    plain = config_for()
    return replace(plain, charger=replace(plain.charger, label=label, fitted=fitted))


EXCHANGES = [exchange(1, "2023-05-02"), exchange(2, "2024-06-03")]


@pytest.mark.parametrize(
    ("fitting", "time"),
    [
        (FIRST, FittingTime(end_s=at("2023-05-02"))),
        (SECOND, FittingTime(at("2023-05-02"), at("2024-06-03"), FIRST)),
        (THIRD, FittingTime(at("2024-06-03"), before=SECOND)),
        # Another label is another place: its charger stays when this one is exchanged.
        (BOW, FittingTime()),
    ],
)
def test_each_charger_has_its_time_between_the_exchanges(fitting, time):
    assert time_of(fitting, [FIRST, BOW, SECOND, THIRD], config(), EXCHANGES) == time


def test_a_charger_whose_day_nobody_knows_was_there_before_the_others():
    undated = replace(FIRST, fitted=None)
    known = [undated, BOW, SECOND, THIRD]
    assert time_of(undated, known, config(), EXCHANGES) == FittingTime(end_s=at("2023-05-02"))
    assert time_of(SECOND, known, config(), EXCHANGES).before == undated


def test_a_charger_that_is_configured_but_not_logged_yet_ends_the_time_of_the_one_before():
    assert time_of(SECOND, [FIRST, SECOND], config(), EXCHANGES).end_s == at("2024-06-03")


def test_a_struck_exchange_and_one_of_another_day_end_nothing():
    events = [exchange(1, "2023-05-02", struck=True), exchange(2, "2023-06-09")]
    assert time_of(FIRST, [FIRST, SECOND], config(), events).end_s == float("inf")


@pytest.mark.parametrize("day", ["2023-05-01", "2023-05-03"])
def test_an_exchange_that_is_recorded_a_day_off_ends_the_time_as_well(day):
    events = [exchange(1, day), exchange(2, "2024-06-03")]
    assert time_of(FIRST, [FIRST, SECOND, THIRD], config(), events).end_s == at(day)
    assert time_of(SECOND, [FIRST, SECOND, THIRD], config(), events).begin_s == at(day)


def test_of_two_exchanges_that_of_the_very_day_counts():
    events = [exchange(1, "2023-05-01"), exchange(2, "2023-05-02"), exchange(3, "2023-05-03")]
    assert time_of(FIRST, [FIRST, SECOND], config(), events).end_s == at("2023-05-02")


def test_events_count_for_the_charger_that_was_there():
    def event(number, day, kind):
        return Event(number, at(day), kind)

    events = [
        event(1, "2022-01-01", "reading"),
        event(2, "2023-04-30", "fuel"),
        exchange(3, "2023-05-02"),
        event(4, "2023-07-01", "renewal"),
        exchange(5, "2024-06-03"),
        event(6, "2024-07-01", "fuel"),
    ]
    times = [time_of(f, [FIRST, SECOND, THIRD], config(), events) for f in (FIRST, SECOND, THIRD)]
    kept = [[e.id for e in time.events(events)] for time in times]
    # The container that was aboard at an exchange is still in use after it.
    assert kept == [[1, 2], [2, 4], [2, 6]]


CARRIED = (
    '{"charger": {"label": "aft locker", "rated_w": 100.0, "fitted": "2021-04-18", '
    '"serial": "A-1", "type": "old"}, "unit": {"heel_deg": 12.0}, "battery": {"capacity_ah": 50.0}}'
)


def test_the_charger_is_as_it_was_configured_and_the_boat_as_she_is():
    now = replace(config(), unit=UnitConfig(heel_deg=30.0))
    tables = {"battery": {"capacity_ah": 220.0}, "unit": {"heel_deg": 30.0}}
    now = replace(now, document=replace(now.document, data=tables))
    own = of_fitting(now, FIRST, CARRIED)
    assert (own.charger.serial, own.charger.type, own.unit.heel_deg) == ("A-1", "old", 12.0)
    # The log corrects a rated output that was configured wrongly.
    assert (own.charger.rated_w, own.charger.fitted) == (110.0, date(2021, 4, 18))
    assert own.battery == now.battery
    assert own.document.data["charger"]["serial"] == "A-1"
    assert own.document.data["battery"] == {"capacity_ah": 220.0}
    assert own.document.data["unit"] == {"heel_deg": 12.0}
    assert "charger" not in now.document.data, "the given configuration stays as it is"


@pytest.mark.parametrize(
    "carried", [None, "", "[]", '{"charger": []}', '{"charger": {"rated_w": "much"}}']
)
def test_what_the_log_does_not_tell_is_not_taken_from_another_charger(carried):
    now = config()
    now = replace(now, charger=replace(now.charger, serial="B-2", type="new", design_life_h=9000.0))
    charger = of_fitting(now, FIRST, carried).charger
    assert (charger.serial, charger.type, charger.design_life_h) == ("", "", None)
    assert (charger.label, charger.rated_w) == ("aft locker", 110.0)
