"""Binary frames: published vectors, noise, and tables that cannot work."""

import struct
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.sources.decoders.checksums import crc
from logger.sources.decoders.frame import uncobs, unslip
from logger.sources.decoding import Context, Message, Refused
from logger.sources.description import build_decoder
from logger.sources.link.port import MOST_AT_ONCE
from tests.support.decoders import PLACE, build, told
from tests.support.rigs.framing import cobs, slip

FRAME = {
    "kind": "frame", "length": 8, "start": "AA55", "checksum": "CRC-16/MODBUS",
    "layout": {"volts": {"at": 2, "type": "u16"}, "amps": {"at": 4, "type": "s16"}},
}  # fmt: skip


def frame(volts, amps):
    body = b"\xaa\x55" + struct.pack("<Hh", volts, amps)
    return body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")


def test_frames_are_found_again_behind_garbage():
    made = build(FRAME)
    one, two = frame(13520, 420), frame(13530, -5)
    data = b"\x00\xaa" + one + b"\xaa\x55\x01" + two + one[:3]
    step = made.decode(data, Context())
    assert [i for i in told(step) if isinstance(i, dict)] == [
        {"volts": 13520, "amps": 420},
        {"volts": 13530, "amps": -5},
    ]
    assert data[step.used :] == one[:3], "the beginning of the next frame waits"


def test_a_wrong_checksum_is_told_with_both_values():
    spoiled = bytearray(frame(13520, 420))
    spoiled[3] ^= 1
    step = build(FRAME).decode(bytes(spoiled) + frame(1, 1), Context())
    assert told(step)[0] == "wrong CRC"
    assert "the bytes give" in step.items[0].detail
    assert told(step)[-1] == {"volts": 1, "amps": 1}


def test_slip_by_the_vector_of_its_rules():
    # RFC 1055: END 0xC0, ESC 0xDB; 0xC0 -> DB DC, 0xDB -> DB DD.
    assert unslip(bytes.fromhex("01dbdcdbdd02")) == bytes.fromhex("01c0db02")
    assert unslip(b"\xdb\x01") is None
    assert unslip(b"\x01\xdb") is None


@pytest.mark.parametrize(
    ("packed", "plain"),
    [
        # Cheshire and Baker (1999), IEEE/ACM Trans. Networking 7:159-172; vectors computed with the
        # package cobs 1.2.2.
        ("0101", "00"),
        ("0311220233", "11220033"),
        ("0511223344", "11223344"),
        ("0211010101", "11000000"),
    ],
)
def test_cobs_vectors(packed, plain):
    assert uncobs(bytes.fromhex(packed)) == bytes.fromhex(plain)


def test_cobs_of_254_bytes_and_broken_ones():
    assert uncobs(b"\xff" + b"\x01" * 254) == b"\x01" * 254
    assert uncobs(b"\x05\x01") is None


def test_frames_in_slip_begin_in_the_middle():
    made = build(FRAME, framing="slip")
    data = b"\x01\x02" + slip(frame(0xC0DB, 1)) + slip(frame(2, 2)[:-1])
    step = made.decode(data, Context(in_sync=False))
    assert told(step) == [{"volts": 0xC0DB, "amps": 1}, "frame of a wrong length"]


@settings(max_examples=150)
@given(
    st.lists(st.one_of(st.binary(max_size=12), st.just(frame(1, 2))), max_size=8),
    st.sampled_from(["plain", "slip", "cobs", "packet"]),
    st.booleans(),
)
def test_no_bytes_can_crash_or_stall_the_frame_decoder(pieces, framing, in_sync):
    data = b"".join(pieces)
    made = build(FRAME, framing=framing)
    step = made.decode(data, Context(in_sync=in_sync))
    assert 0 <= step.used <= len(data)
    if framing == "plain":
        assert len(data) - step.used < made.length
    for item in step.items:
        assert isinstance(item, Message | Refused)


@given(st.binary(max_size=40))
def test_what_is_packed_in_slip_comes_out_again(data):
    packed = slip(data)
    assert (packed[:1], packed[-1:]) == (b"\xc0", b"\xc0")
    assert b"\xc0" not in packed[1:-1]
    assert unslip(packed[1:-1]) == data


@given(st.binary(max_size=253))
def test_what_is_packed_in_cobs_comes_out_again(data):
    packed = cobs(data)
    assert packed.index(b"\0") == len(packed) - 1
    assert uncobs(packed[:-1]) == data


PACKED = {"slip": slip, "cobs": cobs, "packet": bytes}


@given(st.integers(0, 65535), st.integers(-32768, 32767), st.sampled_from(sorted(PACKED)))
def test_what_is_framed_comes_out_again(volts, amps, framing):
    data = PACKED[framing](frame(volts, amps))
    step = build(FRAME, framing=framing).decode(data, Context(in_sync=True))
    assert told(step) == [{"volts": volts, "amps": amps}]


@given(st.binary(max_size=40), st.integers(0, 65535), st.integers(-32768, 32767))
def test_a_frame_is_found_behind_any_noise(noise, volts, amps):
    data = noise.replace(b"\xaa", b"\x00") + frame(volts, amps)
    assert told(build(FRAME).decode(data, Context()))[-1] == {"volts": volts, "amps": amps}


@pytest.mark.parametrize("byte", [b"\xaa", b"\x00", b"\xdb", b"\x01"])
@pytest.mark.parametrize("framing", ["plain", "slip", "cobs", "packet"])
def test_the_longest_frames_in_a_full_chunk_stall_nothing(framing, byte):
    start = "" if byte == b"\x00" else byte.hex()
    layout = {"volts": {"at": 2, "type": "u16"}}
    made = build(FRAME, framing=framing, length=1024, start=start, layout=layout)
    began_s = time.process_time()
    made.decode(byte * MOST_AT_ONCE, Context())
    assert time.process_time() - began_s < 5.0, "0.3 s at most where it was written"


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"start": "A"}, "pairs of hexadecimal digits"),
        ({"start": "", "checksum": "none"}, "start marker or a checksum"),
        ({"checksum_from": 7}, "behind the last byte"),
        ({"layout": {}}, "at least one name"),
        ({"length": 2}, "length: got 2; start, checksum and at least one byte need more"),
        ({"layout": {"x": {"at": 0, "type": ["u8"]}}}, "accepted: u8"),
        ({"layout": {"x": 3}}, "takes a table"),
        ({"layout": {"x": {"at": 0, "type": "u24"}}}, "accepted: u8"),
        ({"layout": {"x": {"at": 6, "type": "u16"}}}, "from 0 to 4"),
    ],
)
def test_tables_that_cannot_work_say_why(changes, says):
    with pytest.raises(ConfigError) as caught:
        build_decoder(FRAME | changes, PLACE)
    assert says in str(caught.value)
