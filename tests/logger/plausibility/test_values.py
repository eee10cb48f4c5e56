"""Values that cannot be true are dropped and counted, never clipped."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config import LogConfig, load_config
from logger.interval import Condenser
from logger.plausibility.bank import Bank
from logger.plausibility.values import TINY, Plausibility
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
        good = value is not None and low <= value <= high and not 0.0 < abs(value) < TINY
        assert getattr(clean, name) == (value if good else None)
    kept = sum(x is not None for x in (clean.voltage_v, clean.current_a, clean.temperature_c))
    given_values = sum(x is not None for x in (v, i, t))
    assert refusals.total == given_values - kept


def counted(*values, spacing_s=1.0):
    refusals = Refusals()
    check = Plausibility({"voltage_v": (8.0, 16.0), "runtime_h": (0.0, 1e6)}, refusals)
    rows = [Reading(k * spacing_s, 13.2, runtime_h=h) for k, h in enumerate(values)]
    return [check.clean(row).runtime_h for row in rows], refusals.by_reason


def test_a_counter_that_runs_faster_than_time_is_not_believed():
    # A counter of seconds whose words are swapped: 65 536 s, 18.2 h, each second.
    kept, refused = counted(*(k * 65536 / 3600 for k in range(5)))
    assert kept == [0.0, None, None, None, None]
    assert refused == {"runtime_h rises faster than time": 4}


def test_a_new_counter_and_a_step_of_a_whole_hour_are_believed():
    assert counted(812.0, 812.0, 813.0, 813.0) == ([812.0, 812.0, 813.0, 813.0], {})
    assert counted(812.0, 3.0, 3.1) == ([812.0, 3.0, 3.1], {})  # another charger, or a reset
    assert counted(812.0, 836.0, spacing_s=86400.0) == ([812.0, 836.0], {})
    # Another charger with more hours: one value is lost, then it is believed.
    assert counted(12.0, 900.0, 900.0)[0] == [12.0, None, 900.0]


def test_a_number_that_no_sensor_gives_is_not_believed():
    refusals = Refusals()
    limits = {"voltage_v": (8.0, 16.0), "temperature_c": (-40.0, 85.0)}
    row = Plausibility(limits, refusals).clean(Reading(0.0, 13.2, temperature_c=5e-20))
    assert row.temperature_c is None
    assert refusals.by_reason == {"temperature_c is too small to be measured": 1}


def test_the_nominal_voltage_bounds_the_voltage(tmp_path):
    text = "[charger]\nrated_w = 110\n[battery]\nnominal_v = 12\n"
    (tmp_path / "ebbwatt.toml").write_text(text)
    limits = load_config(tmp_path / "ebbwatt.toml").plausible
    assert limits["voltage_v"] == (6.0, 16.0)
    refusals = Refusals()
    check = Plausibility(limits, refusals)
    for volts in (1.329, 63.0):
        assert check.clean(Reading(0.0, volts)) is None
    assert refusals.by_reason == {"voltage_v below 6 V": 1, "voltage_v above 16 V": 1}


def believed(check, *values):
    rows = [check.clean(Reading(float(k), v)) for k, v in enumerate(values)]
    return [None if row is None else row.voltage_v for row in rows]


WIDE = {"voltage_v": (0.0, 64.0), "current_a": (-1.0, 22.0), "runtime_h": (0.0, 1e6)}


def test_a_bank_is_found_and_then_bounds_the_voltage():
    refusals, bank = Refusals(), Bank()
    check = Plausibility(WIDE, refusals, bank)
    # 13.29 V with a scale that is ten times too small; no bank of any kind has that.
    assert believed(check, 1.329) == [None]
    assert refusals.by_reason == {"voltage_v is that of no bank": 1}
    assert believed(check, *[13.2] * 59, 63.0, 13.2) == [*[13.2] * 59, 63.0, 13.2]
    assert bank.nominal_v is None, "63 V could be true so far, and they are not in a row"
    believed(check, *[13.2] * 60)
    assert bank.nominal_v == 12.0
    assert believed(check, 63.0, 13.2, 26.4, 1.329, 5.9) == [None, 13.2, None, None, None]
    assert believed(check, 6.1, 15.9, 0.0, 0.4) == [6.1, 15.9, 0.0, 0.4], "0 V: it is off"


@pytest.mark.parametrize(
    ("usual_v", "nominal_v"), [(6.5, 6.0), (26.0, 24.0), (40.0, 36.0), (52.0, 48.0)]
)
def test_other_banks_are_found(usual_v, nominal_v):
    bank = Bank()
    assert believed(Plausibility(WIDE, Refusals(), bank), *[usual_v] * 60) == [usual_v] * 60
    assert bank.nominal_v == nominal_v


def test_what_fits_two_banks_finds_none():
    bank = Bank()
    believed(Plausibility(WIDE, Refusals(), bank), *[31.0, 45.0] * 500)
    assert bank.nominal_v is None


def test_another_bank_is_believed_after_an_hour():
    bank = Bank()
    check = Plausibility(WIDE, Refusals(), bank)
    believed(check, *[13.2] * 60)
    assert set(believed(check, *[26.0] * 3598)) == {None}
    assert believed(check, 26.0, 26.0, 26.0)[-1] == 26.0
    assert bank.nominal_v == 24.0


def test_a_named_bank_is_never_another():
    bank = Bank(12.0)
    check = Plausibility(WIDE, Refusals(), bank)
    assert set(believed(check, *[26.0] * 4000)) == {None}
    assert believed(check, 0.2, 13.0) == [0.2, 13.0]


def test_without_a_checksum_a_value_that_jumps_waits_for_the_next():
    refusals = Refusals()
    check = Plausibility(WIDE, refusals, unsealed=True)
    # One bit of a number of 16 bits in millivolts: 13.2 V and 4.096 V more or 8.192 V less.
    assert believed(check, 13.2, 17.296, 13.2, 5.008, 13.1) == [13.2, None, 13.2, None, 13.1]
    assert believed(check, 0.0, 0.0, 12.8, 12.9) == [None, 0.0, None, 12.9], "a true jump: one"
    reason = "voltage_v jumps alone, in messages without a checksum"
    assert refusals.by_reason == {reason: 4}
    rows = [Reading(float(k), 13.2, a, runtime_h=h) for k, (a, h) in enumerate(
        [(4.0, 812.0), (19.0, 300.0), (4.1, 812.0), (8.0, 812.0)]
    )]  # fmt: skip
    kept = [check.clean(row) for row in rows]
    assert [row and row.current_a for row in kept] == [4.0, None, 4.1, 8.0]
    assert [row and row.runtime_h for row in kept] == [812.0, None, None, 812.0]


@pytest.mark.parametrize(
    "spoilt",
    [
        {"voltage_v": 5.008}, {"current_a": 19.0},  # jump, but are possible
        {"voltage_v": 30.5}, {"voltage_v": 70.0}, {"current_a": -300.0}, {"voltage_v": math.nan},
    ],
)  # fmt: skip
def test_a_spoilt_message_without_a_checksum_takes_neither_charge_nor_energy_with_it(spoilt):
    check = Plausibility(WIDE, Refusals(), Bank(12.0), unsealed=True)
    rows = [Reading(float(k), 13.2, 8.0, OperatingState.RUNNING) for k in range(31)]
    rows[15] = replace(rows[15], **spoilt)
    condenser = Condenser(LogConfig())
    closed = [condenser.add(row) for row in map(check.clean, rows) if row is not None]
    intervals = [*filter(None, closed), condenser.flush()]
    assert sum(i.duration_s for i in intervals) == 30.0
    assert sum(i.charge_c for i in intervals) == pytest.approx(8.0 * 30.0)
    assert sum(i.energy_j for i in intervals) == pytest.approx(13.2 * 8.0 * 30.0)


def test_a_broken_sensor_takes_one_reading_with_it_and_no_more():
    # From the fifth reading on the voltmeter is broken; current and state stay.
    check = Plausibility(WIDE, Refusals(), unsealed=True)
    rows = [
        Reading(float(k), 13.2 if k < 5 or k > 20 else 90.0 + 100.0 * (k % 2), 8.0)
        for k in range(25)
    ]
    kept = [check.clean(row) for row in rows]
    assert [k for k, row in enumerate(kept) if row is None] == [5]
    assert [row.current_a for row in kept if row is not None] == [8.0] * 24
    assert [k for k, row in enumerate(kept) if row is not None and row.voltage_v is None] == [
        *range(6, 21)
    ]


def test_with_a_checksum_a_jump_is_believed():
    check = Plausibility(WIDE, Refusals())
    assert believed(check, 13.2, 17.296, 13.2) == [13.2, 17.296, 13.2]
