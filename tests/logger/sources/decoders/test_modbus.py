"""Registers over Modbus RTU: published bytes, noise, and tables that cannot work."""

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.sources.decoders.checksums import crc
from logger.sources.decoders.modbus import Block, request
from logger.sources.decoding import Context
from logger.sources.description import build_decoder
from tests.conftest import examples
from tests.support.decoders import PLACE, build, told

REGISTERS = {
    "kind": "modbus", "unit": 1,
    "registers": {
        "volts": {"at": 0, "function": 3},
        "wide": {"at": 4, "function": 3, "type": "u32"},
    },
}  # fmt: skip


def test_requests_by_published_bytes():
    # Guide V1.02 (from memory), pymodbus, minimalmodbus and libmodbus alike:
    # 01 03 00 00 00 08, checksum sent as 44 0C.
    assert request(1, Block(3, 0, 8, ())).hex() == "010300000008440c"
    # Check of the checksum itself: 02 07 gives 41 12 (the guide's example).
    assert crc("CRC-16/MODBUS", b"\x02\x07").to_bytes(2, "little").hex() == "4112"


@pytest.mark.parametrize("function", [1, 2, 5, 6, 15, 16, 23, 0x80])
def test_no_other_function_can_be_asked(function):
    with pytest.raises(ValueError, match="does not only read"):
        request(1, Block(function, 0, 1, ()))
    with pytest.raises(ConfigError, match="nothing is ever written"):
        build(REGISTERS, registers={"x": {"at": 0, "function": function}})


REPLY = bytes.fromhex("010310054601a400030001e24041580000ffeccdfc")


def asked(table):
    made = build(table)
    return made, Context(asked=made.requests[0])


def test_an_answer_by_published_bytes():
    # Reply of eight registers accepted by libmodbus as well: 0x0546, ..., u32 0x0001E240 = 123456.
    registers = {
        "volts": {"at": 0, "function": 3},
        "count": {"at": 3, "function": 3, "type": "u32"},
        "real": {"at": 5, "function": 3, "type": "f32"},
        "last": {"at": 7, "function": 3, "type": "s16"},
    }
    made, context = asked(REGISTERS | {"registers": registers})
    assert made.requests[0].payload.hex() == "010300000008440c", "one request for all of them"
    values = told(made.decode(REPLY, context))
    assert values == [{"volts": 0x0546, "count": 123456, "real": 13.5, "last": -20}]


@pytest.mark.parametrize(
    ("order", "data"),
    [("ABCD", "47f12000"), ("CDAB", "200047f1"), ("BADC", "f1470020"), ("DCBA", "0020f147")],
)
def test_the_orders_of_wide_numbers(order, data):
    # libmodbus, documentation of modbus_get_float_abcd and its kin: 123456.0 is 47F1 2000.
    table = {"kind": "modbus", "registers": {"x": {"at": 0, "type": "f32", "order": order}}}
    made, context = asked(table)
    body = bytes.fromhex("010404" + data)
    answer = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    assert told(made.decode(answer, context)) == [{"x": 123456.0}]


def test_exceptions_noise_and_wrong_checksums():
    made, context = asked(REGISTERS)
    body = b"\x01\x83\x02"
    refusal = body + bytes.fromhex("c0f1")
    step = made.decode(b"\xff\x00" + refusal, context)
    assert told(step) == ["the device answered with an exception"]
    assert step.items[0].detail == "illegal address, to function 3, registers 0 to 5"
    assert step.items[0].answer
    answer = bytearray(b"\x01\x03\x0c" + bytes(12))
    answer += crc("CRC-16/MODBUS", bytes(answer)).to_bytes(2, "little")
    assert told(made.decode(b"\x00\x01" + bytes(answer), context))[0]["volts"] == 0
    answer[4] ^= 1
    assert told(made.decode(bytes(answer), context)) == ["wrong CRC"]
    assert made.decode(bytes(answer[:6]), context).used == 0, "half an answer waits"
    assert told(made.decode(b"\x01\x02", Context())) == ["bytes that nobody asked for"]


@pytest.mark.parametrize(
    ("changes", "counts"),
    [({}, [6]), ({"largest_gap": 0}, [1, 2]), ({"largest_gap": 2}, [1, 2]),
     ({"largest_gap": 3}, [6]), ({"most_registers": 5}, [1, 2])],
)  # fmt: skip
def test_gap_and_size_of_a_block(changes, counts):
    made = build(REGISTERS, **changes)
    assert [int.from_bytes(r.payload[4:6], "big") for r in made.requests] == counts


def test_an_answer_of_another_length_is_passed_over_on_the_way_to_the_right_one():
    made, context = asked(REGISTERS)
    body = b"\x01\x03\x02\x05\x46"
    other = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    body = struct.pack(">BBBH6xI", 1, 3, 12, 1320, 7)
    answer = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    step = made.decode(other + answer, context)
    assert told(step) == ["answer to another question", {"volts": 1320, "wide": 7}]


@settings(max_examples=examples(150))
@given(st.binary(max_size=60))
def test_no_bytes_can_crash_the_modbus_decoder(data):
    made, context = asked(REGISTERS)
    step = made.decode(data, context)
    assert 0 <= step.used <= len(data)


@given(st.integers(0, 65535), st.integers(0, 2**32 - 1))
def test_registers_that_are_answered_come_out_again(volts, wide):
    made, context = asked(REGISTERS)
    body = struct.pack(">BBBH6xI", 1, 3, 12, volts, wide)
    answer = body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")
    assert told(made.decode(answer, context)) == [{"volts": volts, "wide": wide}]


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"registers": {"x": {"at": 65535, "type": "u32"}}}, "for u32: up to 65534"),
        ({"registers": {"x": {"at": 0, "type": ["u16"]}}}, "accepted: u16"),
        ({"registers": {"x": {"at": 0, "function": [4]}}}, "accepted: 3 (holding)"),
        ({"registers": {}}, "at least one name"),
        ({"registers": {"x": 1}}, "takes a table"),
        ({"registers": {"x": {"at": -1}}}, "from 0 to 65535"),
        ({"registers": {"x": {"at": 0, "type": "u64"}}}, "accepted: u16"),
        ({"registers": {"x": {"at": 0, "order": "ACBD"}}}, "accepted: ABCD"),
        ({"registers": {"x": {"at": 0, "tpye": "u16"}}}, "did you mean type?"),
    ],
)
def test_tables_that_cannot_work_say_why(changes, says):
    with pytest.raises(ConfigError) as caught:
        build_decoder(REGISTERS | changes, PLACE)
    assert says in str(caught.value)
