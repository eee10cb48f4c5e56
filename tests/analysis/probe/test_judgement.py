"""What probe and check say about values that decode and cannot be true."""

import json
import struct

import pytest

from analysis.probe.judgement import Judgement
from logger.reading import Reading
from tests.support.rigs.devices.late_device import registers
from tests.support.rigs.devices.sources import CHARGER, described, inside_source

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
        (1.329, None, "should the scale be 0.1 instead of 0.01? That would be 13.29 V"),
        (132.9, None, "should the scale be 0.001 instead of 0.01? That would be 13.29 V"),
        (63.0, 12.0, "no bank of 12 V has that"),
        (26.4, 12.0, "no bank of 12 V has that"),
        (13290.0, None, "should the scale be 1e-05 instead of 0.01? That would be 13.29 V"),
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


def test_a_counter_of_more_than_ten_years_of_running():
    told = said(Reading(0.0, 13.2, runtime_h=114_906.0))
    assert f'more than ten years of running; {SWAPPED} "ABCD"' in told


def test_a_number_that_no_sensor_gives():
    told = said(Reading(0.0, 13.2, temperature_c=5e-20))
    assert f'too small to be measured; {SWAPPED} "CDAB"' in told


def capture(path, *rounds):
    """Write what was asked and answered each second, of registers 0 to 4."""
    asked = described(TEXT).decoder.requests[0].payload
    rows = [{"capture": 1, "began": "2026-05-03T14:05:30Z", "link": "a line"}]
    for second, words in enumerate(rounds):
        rows.append({"at_s": second, "bytes": asked.hex(), "sent": True})
        answer = registers(asked, words.__getitem__)
        rows.append({"at_s": second + 0.1, "bytes": answer.hex()})
    path.write_text("\n".join(map(json.dumps, rows)))


def words_of(volts, seconds, warmth):
    low, high = seconds & 0xFFFF, seconds >> 16
    return (volts, low, high, *struct.unpack(">HH", struct.pack(">f", warmth)))


@pytest.mark.parametrize(
    ("right", "wrong", "says"),
    [
        (
            "scale = 0.01",
            "scale = 0.001",
            [
                "voltage_v: 1.329 V: no bank has that: should the scale be 0.01 instead of 0.001",
                "70 x voltage_v is that of no bank of 12 V (1.329), which the log leaves out",
            ],
        ),
        (
            'order = "CDAB"',
            'order = "ABCD"',
            [
                'h: rises faster than time; the order of its words looks swapped: try order = "CDA',
                "69 x runtime_h rises faster than time",
            ],
        ),
        (
            '"f32" }',
            '"f32", order = "CDAB" }',
            ["too small to be measured; the order of its words looks swapped: try order = "],
        ),
        (
            "scale = 0.01",
            "scale = 0.0474",
            ["62.99 V: no bank of 12 V has that", "70 x voltage_v above 16 V (62.9946)"],
        ),
    ],
)
def test_check_shows_the_values_and_the_key_to_change(ebbwatt, tmp_path, right, wrong, says):
    capture(tmp_path / "talk.jsonl", *(words_of(1329, 2_925_000 + s, 1.0) for s in range(70)))
    source = CHARGER + '[battery]\nnominal_v = 12\n[source]\nkind = "serial"\nport = "x"\n'
    file = tmp_path / "ebbwatt.toml"
    file.write_text(source + inside_source(TEXT))
    good = ebbwatt("check", "--against", "talk.jsonl", cwd=tmp_path).stdout
    assert "70 readings, 0 refused" in good
    assert "hint" not in good
    file.write_text(source + inside_source(TEXT).replace(right, wrong, 1))
    told = ebbwatt("check", "--against", "talk.jsonl", cwd=tmp_path).stdout
    for part in says:
        assert part in told, told
