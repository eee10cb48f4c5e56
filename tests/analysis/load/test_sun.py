"""The sun beside the charger: a lift round noon on days at rest, and what it may give."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.history.runs import find_runs
from analysis.load.daily import daily_load
from analysis.load.sources.sun import LIFT_PART, LIFT_PER_AH, LIFT_V, noon_lift, solar_ah
from tests.support.boats.bank_boats import fleet
from tests.support.boats.bank_lives import live

DAY = 288
#: By so much the voltage rises at a start of the charger; then the sun must lift it by so much.
RISE_V = 0.9
LEAST_V = max(LIFT_V, LIFT_PART * RISE_V)


def month(lift_v=0.1, days=30, *, begin=0, runs_at_h=22.0, noon_h=12.5):
    """Return a month of rest with an hour of 8 A each evening; the sun shines on some of the days.

    Its lift is a triangle of twelve hours round noon.
    """
    count = 30 * DAY
    at = np.arange(count)
    hour = at % DAY / 12.0
    shines = (at // DAY >= begin) & (at // DAY < begin + days)
    triangle = np.maximum(1.0 - np.abs(hour - noon_h) / 6.0, 0.0)
    running = (hour >= runs_at_h) & (hour < runs_at_h + 1.0)
    return SimpleNamespace(
        volts=12.7 - 0.1 * at / count + lift_v * shines * triangle + RISE_V * running,
        local_s=1.7e9 // 86400 * 86400.0 + 300.0 * (at + 0.5),
        running=running,
        known=np.ones(count, dtype=bool),
        amps=8.0 * running,
    )


def test_the_lift_of_noon_above_the_line_from_morning_to_evening():
    # By hand: 11/12 of its height from 11.5 to 13.5 h, 1/6 from 7 to 8 h and from 17 to 18 h.
    lift = noon_lift(month(0.1))
    assert lift == pytest.approx(np.full(30, 0.075), abs=0.0005)
    assert noon_lift(month(0.0)) == pytest.approx(np.zeros(30), abs=1e-9)


def test_only_days_at_rest_from_morning_to_evening_count():
    noon = month()
    first = noon.volts[:DAY].copy()
    noon.running = (np.arange(len(noon.volts)) // DAY % 3 == 0) & (noon.local_s % 86400 > 36000.0)
    assert len(noon_lift(noon)) == 20
    noon.known[5 * DAY : 6 * DAY] = False
    noon.volts[5 * DAY : 6 * DAY] = np.nan
    assert len(noon_lift(noon)) == 19
    assert (noon.volts[:DAY] == first).all()
    assert len(noon_lift(month(runs_at_h=17.5))) == 0
    assert len(noon_lift(month(runs_at_h=18.0))) == 30
    assert len(noon_lift(month(runs_at_h=6.0))) == 30
    assert len(noon_lift(month(runs_at_h=6.5))) == 0


@pytest.mark.parametrize(
    ("what", "found"),
    [
        ({}, True),
        ({"lift_v": 1.02 * LEAST_V / 0.75}, True),
        ({"lift_v": 0.98 * LEAST_V / 0.75}, False),
        # Ten days are looked at together: on more than half of some ten it must shine.
        ({"begin": 24, "days": 6}, True),
        ({"begin": 26, "days": 4}, False),
        # Loads at night, when the day is quiet: the lift is at another time.
        ({"noon_h": 19.0}, False),
    ],
)
def test_the_sun_is_found_by_the_middle_one_of_ten_days(what, found):
    assert (solar_ah(month(**what)).median is not None) is found


def test_what_newer_panels_give_is_a_mean_of_the_whole_log():
    whole, half = solar_ah(month()), solar_ah(month(begin=20, days=10))
    assert half.median == pytest.approx(whole.median / 3.0, rel=0.02)


def test_nine_days_at_rest_are_too_few():
    def of(days):
        some = month()
        some.known = np.arange(len(some.volts)) < days * DAY
        return solar_ah(some)

    assert of(9) == Span()
    assert of(10) != Span()


def test_what_the_sun_gives_by_hand():
    # 0.1 V x 0.75 above the line; the charger's 8 A lift the voltage by 0.9 V at a start.
    found = solar_ah(month(0.1))
    by_hand = 0.075 / (RISE_V / 8.0)
    assert found.high == pytest.approx(by_hand / LIFT_PER_AH[0], rel=0.02)
    assert found.low == pytest.approx(by_hand / LIFT_PER_AH[1], rel=0.02)
    assert found.median == pytest.approx(np.sqrt(found.low * found.high))
    never = month()
    never.running[:] = False
    assert solar_ah(never) == Span(), "nothing to compare with"


@pytest.fixture(scope="module")
def sunny():
    """Eight boats with solar that nobody named, on a seed that nothing was settled on."""
    return live(fleet(8, 71077, ("solar",)), with_limit=False)


def test_the_interval_holds_what_a_boat_with_solar_uses(sunny):
    held, errors, named = 0, [], 0
    for boat, history, truth in sunny:
        found = daily_load(find_runs(history, boat.rated_w), boat.config())
        true = float(truth.load_ah.mean())
        uses = found.boat_ah
        named += found.shared
        assert found.ah.median < true, "the charger brings a part"
        if found.solar_ah.median is not None:
            held += uses.low <= true <= uses.high
            errors.append(abs(np.log(uses.median / true)))
    assert named >= 7
    assert held >= named - 1
    assert np.median(errors) < 0.15


def test_sun_that_is_weaker_than_the_load_hides_from_the_battery_current():
    boats = [replace(b, shunt=True, seasons=1) for b in fleet(4, 76106, ("solar",))]
    told = 0
    for boat, history, truth in live(boats, with_limit=False):
        found = daily_load(find_runs(history, boat.rated_w), boat.config())
        assert found.method == "battery_current"
        assert found.ah.low <= float(truth.load_ah.mean()) <= found.ah.high
        assert (found.shared, found.boat_ah) == (False, found.ah)
        told += any("up to 20 % more than is told" in text for text in found.doubts)
    assert told >= 3
