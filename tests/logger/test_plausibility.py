"""Values that cannot be true are dropped and counted, never clipped."""

import math

from hypothesis import given
from hypothesis import strategies as st

from logger.plausibility import Plausibility
from logger.reading import OperatingState, Reading
from logger.refusals import Refusals

LIMITS = {"voltage_v": (8.0, 16.0), "current_a": (-1.0, 12.0), "temperature_c": (-40.0, 85.0)}


def test_a_bad_value_is_dropped_and_counted_and_the_rest_of_the_reading_stays():
    refusals = Refusals()
    clean = Plausibility(LIMITS, refusals).clean(
        Reading(1.0, 1306.0, 8.0, OperatingState.RUNNING, temperature_c=math.nan)
    )
    assert clean == Reading(1.0, None, 8.0, OperatingState.RUNNING)
    assert refusals.by_reason == {
        "voltage_v above 16 V": 1,
        "temperature_c is not a finite number": 1,
    }
    assert refusals.samples["voltage_v above 16 V"] == "1306"


def test_a_reading_with_nothing_left_is_dropped_whole():
    refusals = Refusals()
    check = Plausibility(LIMITS, refusals)
    assert check.clean(Reading(1.0, -3.0)) is None
    assert check.clean(Reading(math.inf, 12.0)) is None
    assert refusals.by_reason == {"voltage_v below 8 V": 1, "time is not a finite number": 1}
    off = Reading(1.0, state=OperatingState.OFF)
    assert check.clean(off) == off


numbers = st.none() | st.floats()


@given(numbers, numbers, numbers)
def test_what_comes_out_is_finite_and_within_limits_and_nothing_good_is_lost(v, i, t):
    refusals = Refusals()
    clean = Plausibility(LIMITS, refusals).clean(
        Reading(1.0, v, i, OperatingState.RUNNING, temperature_c=t)
    )
    for name, value in (("voltage_v", v), ("current_a", i), ("temperature_c", t)):
        low, high = LIMITS[name]
        good = value is not None and low <= value <= high
        assert getattr(clean, name) == (value if good else None)
    kept = sum(x is not None for x in (clean.voltage_v, clean.current_a, clean.temperature_c))
    given_values = sum(x is not None for x in (v, i, t))
    assert refusals.total == given_values - kept
