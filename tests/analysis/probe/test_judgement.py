"""What probe and check say about values that decode and cannot be true."""

import struct

import pytest

from analysis.probe.judgement import Judgement
from logger.reading import Reading
from tests.support.rigs.sources import described

SWAPPED = "the order of its words looks swapped: try order ="
TEXT = """
[decoder]
kind = "modbus"
[decoder.registers]
volts = { at = 0 }
hours = { at = 1, type = "u32", order = "CDAB" }
warmth = { at = 3, type = "f32" }
[fields]
voltage_v = { from = "volts", scale = 0.01 }
runtime_h = { from = "hours", unit = "s" }
temperature_c = "warmth"
"""


def said(*readings, nominal_v=None):
    judgement = Judgement(described(TEXT), nominal_v)
    for reading in readings:
        judgement.hear(reading)
    return "\n".join(judgement.lines())


def test_good_values_are_shown_without_a_judgement():
    told = said(Reading(0.0, 13.1, runtime_h=812.5), Reading(1.0, 13.3, runtime_h=812.5))
    assert told == "  voltage_v: 13.1 to 13.3 V\n  runtime_h: 812.5 h"


@pytest.mark.parametrize(
    ("voltage_v", "nominal_v", "hint"),
    [
        (1.329, None, "is the scale 0.1 instead of 0.01 (13.29 V)?"),
        (132.9, None, "is the scale 0.001 instead of 0.01 (13.29 V)?"),
        (63.0, 12.0, "no bank of 12 V has that"),
        (26.4, 12.0, "no bank of 12 V has that"),
        (13290.0, None, "is the scale 1e-05 instead of 0.01 (13.29 V)?"),
    ],
)
def test_a_voltage_that_no_bank_has(voltage_v, nominal_v, hint):
    assert hint in said(Reading(0.0, voltage_v), nominal_v=nominal_v)


def test_a_bank_of_another_voltage_is_good_where_nobody_named_one():
    assert said(Reading(0.0, 26.4)) == "  voltage_v: 26.4 V"


def test_a_charger_that_is_off_shows_no_voltage_and_is_not_blamed():
    assert said(Reading(0.0, 0.0)) == "  voltage_v: 0 V"


def test_swapped_words_of_a_counter_of_seconds():
    # 812.5 h are 2 925 000 s; with its words swapped each second adds 65 536 s, 18.2 h.
    hours = [
        int.from_bytes(struct.pack(">HH", s & 0xFFFF, s >> 16), "big") / 3600
        for s in (2925000, 2925001, 2925002)
    ]
    told = said(*(Reading(float(k), 13.2, runtime_h=h) for k, h in enumerate(hours)))
    assert (
        'rises faster than time; the order of its words looks swapped: try order = "ABCD"' in told
    )


def test_a_number_that_no_sensor_gives():
    told = said(Reading(0.0, 13.2, temperature_c=5e-20))
    assert f'too small to be measured; {SWAPPED} "CDAB"' in told
