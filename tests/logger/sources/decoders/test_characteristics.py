"""Bluetooth LE: values of the SIG and of custom characteristics, by published bytes."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.settings import Document
from logger.sources.decoders.characteristics import BASE, FORMATS, full_uuid
from logger.sources.decoders.sig import (
    NAMES,
    SCALARS,
    STRUCTURES,
    TEXTS,
    Presentation,
    medfloat16,
    medfloat32,
    presentation,
)
from logger.sources.decoding import Context, Message, Place, Refused
from logger.sources.description import build_decoder
from tests.conftest import examples

PLACE = Place(Document(Path("device.toml"), {}))
CUSTOM = "7b1d0001-0f5c-4a5e-9b1a-000000000001"


def decoder(**formats):
    table = {"kind": "characteristics", "formats": formats}
    return build_decoder(table, PLACE)[1]


def decode(uuid, data, **formats):
    (item,) = decoder(**formats).decode(bytes.fromhex(data), Context(full_uuid(uuid))).items
    return dict(item.values) if isinstance(item, Message) else item.reason


@pytest.mark.parametrize(
    ("uuid", "data", "value"),
    [
        # GATT Specification Supplement (Bluetooth SIG, 2020-2026): layouts and resolutions.
        ("2B18", "6003", 13.5),
        ("2B18", "9a03", 14.40625),
        ("2B18", "ffff", None),
        ("2AEE", "a401", 4.20),
        ("2AEE", "ffff", None),
        ("2B05", "5d0200", 60.5),
        ("2B05", "feffff", None),
        ("2BA8", "d2040000", 1.234),
        ("2A6E", "6608", 21.50),
        ("2A6E", "f3fd", -5.25),
        ("2A6E", "0080", None),
        ("2B14", "d20400", 1234.0),
        ("2B14", "ffffff", None),
        ("2BE6", "40e20100", 123456.0),
        ("2A19", "50", 80.0),
        ("2A19", "65", None),
        # Time Exponential 8: 1.1^(N - 64) s; the supplement's greatest value is 66560641 s.
        ("2B13", "00", 0.0),
        ("2B13", "40", 1.0),
        ("2B13", "60", 1.1**32),
        ("2B13", "fe", None),
        ("2B13", "ff", None),
        ("2BE8", "3200", 50.0),
        ("2BE8", "0000", 0.0),
        ("2BE8", "feff", None),
        ("2BE8", "ffff", None),
        ("2BE0", "600300", 13.5),
        ("2AF2", "ffffff", None),
        ("2B0D", "7f", None),
        ("2BDF", "0180", None),
        ("2B04", "ff", None),
        ("2B17", "ff", None),
        ("2B16", "ffff", None),
        ("2B12", "ff", None),
        ("2B15", "ffffff", None),
        ("2AEA", "ffff", None),
        ("2AEB", "ffffff", None),
    ],
)
def test_values_of_the_sig(uuid, data, value):
    expected = None if value is None else pytest.approx(value)
    assert decode(uuid, data) == {uuid: expected}


def test_structures_of_the_sig():
    # Battery Level Status: level 80 %, external power, charging, good, constant current.
    status = decode("2BED", "02a30250")
    assert status["2BED.level"] == 80
    assert status["2BED.charge_state"] == "charging"
    assert status["2BED.charging_type"] == "constant_current"
    assert status["2BED.external_power"] == "yes"
    assert decode("2B13", "fd")["2B13"] == pytest.approx(66560641, abs=1)
    # Current Time: Sunday 2026-05-03 14:05:30.5.
    assert decode("2A2B", "ea0705030e051e078001") == {"2A2B.utc_s": 1777817130.5}
    # Battery Energy Status: present voltage 13.50 V and charge rate -20 W as medfloat16.
    assert decode("2BF0", "1246e538ff") == {"2BF0.voltage_v": 13.5, "2BF0.charge_rate_w": -20.0}
    # Voltage Statistics: average, standard deviation, least, most, duration.
    assert decode("2B1A", "600301005f03610340") == {
        "2B1A.average": 13.5,
        "2B1A.standard_deviation": 1 / 64,
        "2B1A.minimum": 863 / 64,
        "2B1A.maximum": 865 / 64,
        "2B1A.duration_s": 1.0,
    }


@pytest.mark.parametrize(
    ("uuid", "data", "parts"),
    [
        # Layouts: GATT Specification Supplement, as above; the bytes are put together by hand.
        ("2AEF", "a401ffff", {"minimum": 4.2, "maximum": None}),
        ("2AF0", "0000a4016804", {"minimum": 0.0, "typical": 4.2, "maximum": 11.28}),
        ("2B19", "400360038003", {"minimum": 13.0, "typical": 13.5, "maximum": 14.0}),
        ("2AF1", "a4010100a301a50160", {
            "average": 4.2, "standard_deviation": 0.01, "minimum": 4.19, "maximum": 4.21,
            "duration_s": 1.1**32,
        }),
        ("2AE1", "600340", {"value": 13.5, "duration_s": 1.0}),
        ("2AE0", "a401ff", {"value": 4.2, "duration_s": None}),
        ("2BEE", "023c0000feffff", {"until_discharged_min": 60.0, "until_recharged_min": None}),
        ("2BEE", "00ffffff", {"until_discharged_min": None}),
        ("2BEA", "0f5a2c01150300", {
            "summary": 90.0, "cycles": 300.0, "temperature_c": 21.0, "deep_discharges": 3.0,
        }),
        ("2BEA", "047f", {"temperature_c": None}),
        ("2BEB", "03f401ec3c", {
            "designed_cycles": 500.0, "lowest_temperature_c": -20.0,
            "highest_temperature_c": 60.0,
        }),
        ("2BEC", "000005", {"features": 5.0}),
        ("2BE9", "03", {"flags": 3.0}),
        ("2BF2", "0040e201000000fffc", {
            "flags": 0.0, "count": 123456.0, "source": 255.0, "offset": -4.0,
        }),
        ("2A23", "0102030405060708", {"identifier": "0102030405060708"}),
        ("2A50", "02341278560100", {
            "vendor_source": 2.0, "vendor": 0x1234, "product": 0x5678, "version": 1.0,
        }),
        ("2A2B", "ea0700030e051e078001", {"utc_s": None}),
    ],
)  # fmt: skip
def test_the_other_structures_of_the_sig(uuid, data, parts):
    expected = {
        f"{uuid}.{name}": value if value is None or isinstance(value, str) else pytest.approx(value)
        for name, value in parts.items()
    }
    assert decode(uuid, data) == expected
    assert decode(uuid, data[:-2]) in ({}, "value of a wrong length or form")


def test_every_flag_of_the_battery_level_status():
    # Flags 7: identifier, level and additional status follow. Power state 0x52a3 = 0101 0010
    # 1010 0011: battery, wired power yes, wireless no, charging, good, constant current, faults 5.
    status = decode("2BED", "07a352341264a5")
    assert status == {
        "2BED.battery_present": "yes",
        "2BED.external_power": "yes",
        "2BED.wireless_power": "no",
        "2BED.charge_state": "charging",
        "2BED.charge_level": "good",
        "2BED.charging_type": "constant_current",
        "2BED.fault": 5,
        "2BED.power_state": 0x52A3,
        "2BED.identifier": 0x1234,
        "2BED.level": 100,
        "2BED.additional_status": 0xA5,
    }
    assert decode("2BED", "02a302ff")["2BED.level"] is None, "above 100 % is reserved"
    assert decode("2BED", "02a302") == "value of a wrong length or form"
    assert decode("2BED", "00500c")["2BED.charging_type"] == "reserved"
    assert decode("2BED", "005800")["2BED.wireless_power"] == "unknown"


def test_texts_of_the_device_information():
    assert decode("2A24", "4361642031") == {"2A24": "Cad 1"}
    assert decode("2A29", "ff") == {"2A29": r"\xff"}


def test_everything_known_has_a_name():
    assert {*SCALARS, *STRUCTURES, *TEXTS} <= NAMES.keys()


def test_the_presentation_format():
    # Format codes and units: SIG assigned numbers; layout of the descriptor from memory.
    assert presentation(bytes.fromhex("06fe2827010000")) == Presentation("uint16", -2, "V")
    assert presentation(bytes.fromhex("0e000427010000")) == Presentation("sint16", 0, "A")
    assert presentation(bytes.fromhex("160000ff010000")) == Presentation("medfloat16", 0, "")
    assert presentation(bytes.fromhex("fe002827010000")) is None
    assert presentation(b"") is None


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        # HL7 Personal Health Device guide, "IEEE 11073 FLOATs and SFLOATs": its table.
        (0x0002, 2.0),
        (0xF014, 2.0),
        (0xE0C8, 2.0),
        (0x1002, 20.0),
        # Two's complement throughout; special values (mantissas 0x7FE to 0x802).
        (0xE546, 13.5),
        (0xFFFE, -0.2),
        (0xFF38, -20.0),
        (0x07FF, None),
        (0x0800, None),
        (0x07FE, None),
        (0x0802, None),
    ],
)
def test_the_float_of_medical_devices(raw, value):
    assert medfloat16(raw.to_bytes(2, "little")) == value


def test_the_longer_float_of_medical_devices():
    assert medfloat32(bytes.fromhex("6c0100ff")) == 36.4
    assert medfloat32(bytes.fromhex("460500fe")) == 13.5
    assert medfloat32(bytes.fromhex("ffff7f00")) is None


def test_custom_characteristics_by_their_format():
    assert decode(CUSTOM, "c034", **{CUSTOM: "uint16"}) == {CUSTOM: 13504}
    assert decode(CUSTOM, "feff", **{CUSTOM: "sint16"}) == {CUSTOM: -2}
    assert decode(CUSTOM, "00005841", **{CUSTOM: "float32"}) == {CUSTOM: 13.5}
    assert decode(CUSTOM, "0000c07f", **{CUSTOM: "float32"}) == {CUSTOM: None}
    assert decode(CUSTOM, "52554e", **{CUSTOM: "utf8"}) == {CUSTOM: "RUN"}
    assert decode(CUSTOM, "00", **{CUSTOM: "uint16"}) == "value of a wrong length or form"
    assert decode(CUSTOM, "00") == {}, "nobody said what it is"


@settings(max_examples=examples(300))
@given(
    st.sampled_from([*SCALARS, *STRUCTURES, *TEXTS, CUSTOM]),
    st.sampled_from(sorted(FORMATS)),
    st.binary(max_size=20),
)
def test_no_bytes_can_crash_it(uuid, form, data):
    (item,) = decoder(**{CUSTOM: form}).decode(data, Context(full_uuid(uuid))).items
    assert isinstance(item, Message | Refused)
    presentation(data)


def test_uuids():
    assert full_uuid("2b18") == f"00002b18{BASE}"
    assert full_uuid("0x2B18") == f"00002b18{BASE}"
    assert full_uuid(CUSTOM.upper()) == CUSTOM
    for wrong in ("", "2B1", "2B1G", "7b1d0001", "x" * 36):
        assert full_uuid(wrong) is None
