"""Checksums against the check values of published catalogues, and sums worked by hand."""

import math

import pytest

from logger.errors import ConfigError
from logger.sources.decoders.checksum_setting import parse_checksum
from logger.sources.decoders.checksums import CHECKSUMS, checksum, checksum_size
from tests.support.decoders import PLACE, build, decode, decoder


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # Check values (of the bytes "123456789") of the catalogue of parametrised CRC algorithms,
        # on which crcmod, anycrc, crc and zlib agree.
        ("CRC-16/MODBUS", 0x4B37),
        ("CRC-16/ARC", 0xBB3D),
        ("CRC-16/XMODEM", 0x31C3),
        ("CRC-16/IBM-3740", 0x29B1),
        ("CRC-16/KERMIT", 0x2189),
        ("CRC-16/IBM-SDLC", 0x906E),
        ("CRC-16/SPI-FUJITSU", 0xE5CC),
        ("CRC-16/DNP", 0xEA82),
        ("CRC-16/USB", 0xB4C8),
        ("CRC-8/SMBUS", 0xF4),
        ("CRC-8/MAXIM-DOW", 0xA1),
        ("CRC-32/ISO-HDLC", 0xCBF43926),
        ("CRC-32/ISCSI", 0xE3069283),
    ],
)
def test_check_values_of_the_catalogue(name, value):
    assert checksum(name, b"123456789") == value
    assert checksum_size(name) == int(name.split("/")[0].split("-")[1]) // 8


@pytest.mark.parametrize(
    ("value", "parameters"),
    [
        # Parameters and check values of the catalogue of parametrised CRC algorithms, from memory:
        # CRC-16/EN-13757, CRC-16/T10-DIF, CRC-16/GENIBUS, CRC-16/CDMA2000, CRC-16/MAXIM-DOW,
        # CRC-16/TMS37157, CRC-8/ROHC, CRC-8/AUTOSAR, CRC-24/OPENPGP (RFC 4880 as well),
        # CRC-24/BLE, CRC-32/BZIP2, CRC-32/MPEG-2, CRC-64/XZ, CRC-64/ECMA-182, CRC-15/CAN, and
        # CRC-12/UMTS, which reflects the result alone.
        (0xC2B7, (16, 0x3D65, 0, False, False, 0xFFFF)),
        (0xD0DB, (16, 0x8BB7, 0, False, False, 0)),
        (0xD64E, (16, 0x1021, 0xFFFF, False, False, 0xFFFF)),
        (0x4C06, (16, 0xC867, 0xFFFF, False, False, 0)),
        (0x44C2, (16, 0x8005, 0, True, True, 0xFFFF)),
        (0x26B1, (16, 0x1021, 0x89EC, True, True, 0)),
        (0xD0, (8, 0x07, 0xFF, True, True, 0)),
        (0xDF, (8, 0x2F, 0xFF, False, False, 0xFF)),
        (0x21CF02, (24, 0x864CFB, 0xB704CE, False, False, 0)),
        (0xC25A56, (24, 0x00065B, 0x555555, True, True, 0)),
        (0xFC891918, (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF)),
        (0x0376E6E7, (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0)),
        (0x995DC9BBDF1939FA, (64, 0x42F0E1EBA9EA3693, 2**64 - 1, True, True, 2**64 - 1)),
        (0x6C40DF5F0B497347, (64, 0x42F0E1EBA9EA3693, 0, False, False, 0)),
        (0x059E, (15, 0x4599, 0, False, False, 0)),
        (0xDAF, (12, 0x80F, 0, False, True, 0)),
    ],
)
def test_a_crc_by_its_parameters(value, parameters):
    keys = ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out")
    table = dict(zip(keys, parameters, strict=True))
    model = parse_checksum(table, PLACE)
    assert checksum(model, b"123456789") == value
    assert checksum_size(model) == math.ceil(parameters[0] / 8)
    table = {key: value for key, value in table.items() if value or key == "reflect_out"}
    assert parse_checksum(table, PLACE) == model, "0 and false are the defaults"


def test_frames_and_lines_with_a_crc_of_their_own():
    crc = {"width": 16, "poly": 0x3D65, "xor_out": 0xFFFF}
    # The check value of CRC-16/EN-13757, from memory, behind the nine bytes it belongs to.
    table = {"kind": "frame", "start": "31", "length": 11, "checksum": crc, "byte_order": "big"}
    made = build(table, checksum_order="big", layout={"x": {"at": 1, "type": "u8"}})
    told = decode(made, b"123456789\xc2\xb7123456789\xc2\xb6")
    assert told[:2] == [{"x": 0x32}, "wrong CRC"]
    made = decoder("keyvalue", separator="5", checksum=crc)
    assert decode(made, b"123456789*C2B7\n123456789*C2B6\n") == [
        {"1234": "6789"},
        "wrong checksum",
    ]


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ("CRC-16/FOO-13757", r"got 'CRC-16/FOO-13757'; accepted: one of none, .*poly = 0x3D65"),
        ("crc-16/modbus", r"did you mean CRC-16/MODBUS\?"),
        ("CRC16-MODBUS", r"did you mean CRC-16/MODBUS\?"),
        (16, "accepted: one of none, .*, or a table"),
        ({"width": 16}, "poly is missing"),
        ({"width": 16, "poly": 0x13D65}, "checksum.poly: got 0X13D65; accepted: .* 16 bits"),
        ({"width": 8, "poly": 7, "init": 256}, "checksum.init: got 0X100; accepted: .* 8 bits"),
        ({"width": 4, "poly": 7}, "checksum.width: got 4; accepted: .* from 8 to 64"),
        ({"width": 8, "poly": 7, "refin": True}, "refin: is not a known setting"),
    ],
)
@pytest.mark.parametrize("kind", ["keyvalue", "frame"])
def test_a_checksum_that_is_not_known_is_refused_with_what_is(kind, given, says):
    table = {"kind": kind, "checksum": given}
    if kind == "frame":
        table |= {"start": "AA", "length": 9, "layout": {"x": {"at": 1, "type": "u8"}}}
    with pytest.raises(ConfigError, match=says):
        build(table)


def test_every_crc_of_the_program_has_a_check_value():
    tested = {
        mark.args[1][k][0]
        for mark in test_check_values_of_the_catalogue.pytestmark
        for k in range(len(mark.args[1]))
    }
    assert tested == {name for name in CHECKSUMS if name.startswith("CRC")}


def test_sums_worked_by_hand():
    assert checksum("sum8", b"\xf0\x20") == 0x10
    assert checksum("zero-sum8", b"\xf0\x20") == 0xF0
    assert checksum("xor8", b"\x0f\xf1") == 0xFE


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        # Test vectors that are handed on with Fletcher's checksum, from memory.
        ("Fletcher-16", b"abcde", 0xC8F0),
        ("Fletcher-16", b"abcdef", 0x2057),
        ("Fletcher-16", b"abcdefgh", 0x0627),
        ("Fletcher-32", b"abcde", 0xF04FC729),
        ("Fletcher-32", b"abcdef", 0x56502D2A),
        ("Fletcher-32", b"abcdefgh", 0xEBE19591),
        # The two sums of RFC 1950 by hand: 1 + 97 + 98 + 99 = 0x127; 98 + 196 + 295 = 0x24D.
        ("Adler-32", b"abc", 0x024D0127),
    ],
)
def test_sums_of_two_parts(name, text, value):
    assert checksum(name, text) == value
