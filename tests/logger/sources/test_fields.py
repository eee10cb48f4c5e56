"""Fields: the device's numbers and words in the units and states of a reading."""

from datetime import UTC, datetime

import pytest

from logger.errors import ConfigError
from logger.reading import OperatingState
from logger.sources.fields import (
    UNITS,
    Field,
    ValueRefusedError,
    parse_fields,
    parse_states,
    state_of,
)
from tests.support.decoders import PLACE


def field(channel, unit="", **more):
    factor, offset = UNITS[channel][unit] if unit else (1.0, 0.0)
    return Field(channel, "X", unit, factor, offset, **more)


@pytest.mark.parametrize(
    ("channel", "unit", "given", "expected"),
    [
        ("voltage_v", "mV", "13520", 13.52),
        ("current_a", "mA", 4200, 4.2),
        ("battery_current_a", "mA", "-1250", -1.25),
        ("runtime_h", "min", "48750", 812.5),
        ("runtime_h", "s", 3600, 1.0),
        # Fixed points of the scales: 0 degC is 273.15 K and 32 degF by definition; water boils at
        # 212 degF; the scales of Celsius and Fahrenheit meet at -40.
        ("temperature_c", "K", 273.15, 0.0),
        ("temperature_c", "degF", "32", 0.0),
        ("temperature_c", "degF", "212 F", 100.0),
        ("temperature_c", "degF", "-40 °F", -40.0),
        ("fuel_l", "mL", "7250 ml", 7.25),
        ("utc_s", "ms", 1.7e12, 1.7e9),
    ],
)
def test_units_become_those_of_the_channel(channel, unit, given, expected):
    assert field(channel, unit).number(given) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("channel", UNITS)
def test_the_first_unit_of_a_channel_is_its_own(channel):
    assert field(channel, next(iter(UNITS[channel]))).number("1700000000.5") == 1700000000.5


@pytest.mark.parametrize("text", ["2026-05-03T14:05:30Z", "2026-05-03T16:05:30+02:00"])
def test_a_time_with_its_offset_is_utc(text):
    expected = datetime(2026, 5, 3, 14, 5, 30, tzinfo=UTC).timestamp()
    assert field("utc_s", "iso8601").number(text) == expected
    assert field("utc_s", "iso8601").number(text[:19]) >= expected, "UTC where none is given"


def test_what_a_device_calls_unknown_is_none_and_a_clock_not_set_is_no_time():
    one = field("fuel_l", "L", missing_words=frozenset({"--"}), missing_numbers=frozenset({-1.0}))
    assert one.number("--") is None
    assert one.number(" -1 ") is None
    assert one.number("0") == 0.0
    assert field("utc_s", "s").number(0) is None


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ("13.5 A", "voltage_v: wrong unit"),
        ("high", "voltage_v: not a number"),
        (float("nan"), "voltage_v: not a finite number"),
        (10**400, "voltage_v: not a finite number"),
    ],
)
def test_what_is_no_value_of_the_channel_is_refused(given, reason):
    with pytest.raises(ValueRefusedError) as caught:
        field("voltage_v", "V").number(given)
    assert caught.value.reason == reason


def test_a_mask_takes_its_bits_and_shifts_them_down():
    # 0xB4 is 1011 0100: bits 4 to 6 are 011, bits 2 and 3 are 01.
    assert field("state", mask=0x70).word(0xB4) == "3"
    assert field("state", mask=0x0C).word("180") == "1"
    assert field("fuel_l", "L", mask=0x70).number(0xB4) == 3.0
    for wrong in (1.5, -1, "x"):
        with pytest.raises(ValueRefusedError, match="not a whole number"):
            field("state", mask=0x70).word(wrong)


def test_words_are_looked_up_then_any_word_then_the_standards_own():
    states = {"RUN": OperatingState.RUNNING, "*": OperatingState.STANDBY}
    assert state_of("RUN", states) is OperatingState.RUNNING
    assert state_of("other", states) is OperatingState.STANDBY
    assert state_of("running", {}) is OperatingState.RUNNING
    assert state_of("running", {"RUN": OperatingState.RUNNING}) is None
    assert field("state").word(2) == "2"
    assert field("state").word(2.0) == "2"
    assert field("state").word("  ") is None


def test_a_key_of_states_in_hexadecimal_matches_the_number():
    # 0x10 is 16, 0x43 is 67, 0b101 is 5 and 0o17 is 15, by hand.
    given = {
        "0x10": "standby",
        "0X43": "running",
        "0b101": "fault",
        "0o17": "off",
        "xA": "starting",
    }
    states = parse_states(given, PLACE)
    told = {number: state_of(field("state").word(number), states) for number in (16, 67, 5, 15)}
    assert told == {
        16: OperatingState.STANDBY,
        67: OperatingState.RUNNING,
        5: OperatingState.FAULT,
        15: OperatingState.OFF,
    }
    assert state_of("0x10", states) is OperatingState.STANDBY, "a device may write it as text"
    assert state_of("xA", states) is OperatingState.STARTING


@pytest.mark.parametrize("pair", [("16", "0x10"), ("0x10", "16"), ("0x1a", "0x1A")])
def test_one_number_written_twice_in_states_is_refused(pair):
    with pytest.raises(ConfigError, match="is the same number"):
        parse_states(dict.fromkeys(pair, "running"), PLACE)


@pytest.mark.parametrize(
    ("given", "settings", "number"),
    [
        ("1 284,58 h", {"thousands": " ", "decimal_comma": True}, 1284.58),
        ("12\u00a0345\u202f678", {"thousands": " "}, 12345678.0),
        ("1.284,58", {"thousands": ".", "decimal_comma": True}, 1284.58),
        ("-1'284.5", {"thousands": "'"}, -1284.5),
        ("284,58", {"thousands": " ", "decimal_comma": True}, 284.58),
    ],
)
def test_marks_between_thousands_that_the_description_names(given, settings, number):
    assert field("runtime_h", "h", **settings).number(given) == pytest.approx(number)


@pytest.mark.parametrize(
    ("given", "settings", "reason"),
    [
        ("1 284,58", {"decimal_comma": True}, "runtime_h: has a blank between thousands"),
        ("1\u00a0284", {}, "runtime_h: has a blank between thousands"),
        ("1 28,58", {"thousands": " ", "decimal_comma": True}, "runtime_h: not a number"),
        ("1 2845", {"thousands": " "}, "runtime_h: not a number"),
        ("1.284,58", {"thousands": " ", "decimal_comma": True}, "runtime_h: has a decimal point"),
    ],
)
def test_marks_between_thousands_are_never_guessed(given, settings, reason):
    with pytest.raises(ValueRefusedError) as caught:
        field("runtime_h", "h", **settings).number(given)
    assert caught.value.reason == reason


@pytest.mark.parametrize("wrong", ["  ", ",", "5", "-"])
def test_a_mark_between_thousands_that_cannot_be_one_is_refused(wrong):
    table = {"voltage_v": {"from": "U", "decimal_comma": True, "thousands": wrong}}
    with pytest.raises(ConfigError, match="thousands: takes one character"):
        parse_fields(table, PLACE, None)


@pytest.mark.parametrize(
    ("given", "hours"),
    # 36 of 60 minutes are 0.6 h; 45 minutes and 18 of 3600 seconds are 0.75 h and 0.005 h.
    [("2210:36", 2210.6), ("0:00", 0.0), (" 7:45:18 ", 7.755)],
)
def test_hours_and_minutes_with_a_colon(given, hours):
    assert field("runtime_h", "h:min").number(given) == pytest.approx(hours, abs=1e-9)


@pytest.mark.parametrize("given", ["2210", "2210:60", "2210:3", "2210:36 h", "-1:00", ":36", 2210])
def test_what_is_not_hours_and_minutes_is_refused(given):
    with pytest.raises(ValueRefusedError, match="runtime_h: not hours and minutes"):
        field("runtime_h", "h:min").number(given)


def test_a_colon_between_hours_and_minutes_is_named():
    with pytest.raises(ValueRefusedError, match="has hours and minutes with a colon"):
        field("runtime_h", "h").number("2210:36")
