"""Checksums against the check values of published catalogues, and sums worked by hand."""

import pytest

from logger.sources.decoders.checksums import CHECKSUMS, checksum, checksum_size


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
