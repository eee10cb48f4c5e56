"""Binary frames: published vectors, noise, and tables that cannot work."""

import struct
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.sources.decoders.checksums import crc
from logger.sources.decoders.frame import MOST_BY_LENGTH, uncobs, unslip
from logger.sources.decoding import Context, Message, Refused
from logger.sources.description import build_decoder
from logger.sources.link.port import MOST_AT_ONCE
from tests.conftest import examples
from tests.support.decoders import PLACE, build, told
from tests.support.rigs.devices.framing import cobs, slip

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


@settings(max_examples=examples(150))
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
        assert len(data) - step.used < made.layouts.every[-1].length
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


# Two kinds of frame by their third byte, and two by their lengths.
TYPED = {
    "kind": "frame", "start": "A55A", "type_at": 2, "checksum": "sum8", "ignore": [0x30],
    "frames": [
        {"type": 1, "length": 6, "layout": {"volts": {"at": 3, "type": "u16"}}},
        {"type": 2, "length": 8, "layout": {"hours": {"at": 3, "type": "u32"}}},
        {"type": 3, "length": 5},
    ],
}  # fmt: skip
SIZED = {
    "kind": "frame", "checksum": "CRC-16/MODBUS",
    "frames": [
        {"length": 4, "layout": {"volts": {"at": 0, "type": "u16"}}},
        {"length": 6, "layout": {"hours": {"at": 0, "type": "u32"}}},
    ],
}  # fmt: skip


def typed(kind, *body):
    data = bytes([0xA5, 0x5A, kind, *body])
    return data + bytes([sum(data) & 0xFF])


def sized(*body):
    return bytes(body) + crc("CRC-16/MODBUS", bytes(body)).to_bytes(2, "little")


def test_types_have_their_own_values_and_ignored_ones_are_not_refused():
    made = build(TYPED)
    data = (
        typed(1, 0xD0, 0x34) + typed(0x30, *b"of any length") + typed(2, 7, 0, 0, 0)
        + typed(3, 9) + typed(1, 0xD1, 0x34) + typed(0x30, 1)
    )  # fmt: skip
    step = made.decode(data, Context())
    assert told(step) == [{"volts": 13520}, {}, {"hours": 7}, {}, {"volts": 13521}]
    assert data[step.used :] == typed(0x30, 1), "its end is not known before the next begins"


def test_a_type_that_nobody_described_is_named_and_costs_no_neighbour():
    data = typed(1, 1, 0) + typed(0x44, 5, 6, 7) + typed(1, 2, 0)
    step = build(TYPED).decode(data, Context())
    assert told(step) == [{"volts": 1}, "frame of an unknown type", {"volts": 2}]
    assert step.items[1].detail == "type 0x44, 7 bytes"
    packed = build(TYPED, framing="slip").decode(
        b"".join(slip(part) for part in (typed(1, 1, 0), typed(0x44, 5), typed(0x30, 5))), Context()
    )
    assert told(packed) == [{"volts": 1}, "frame of an unknown type", {}]


def test_a_spoiled_frame_of_a_known_type_is_refused():
    data = bytearray(typed(2, 7, 0, 0, 0) + typed(1, 1, 0))
    data[4] ^= 1
    step = build(TYPED).decode(bytes(data), Context())
    assert told(step) == ["wrong CRC", "bytes between frames", {"volts": 1}]


@pytest.mark.parametrize("framing", ["plain", "slip", "cobs"])
def test_lengths_tell_frames_apart(framing):
    made = build(SIZED, framing=framing, ignore=[7] if framing != "plain" else [])
    frames = [sized(1, 2), sized(3, 0, 0, 0), sized(5, 6)]
    if framing != "plain":
        frames += [sized(1, 2, 3, 4, 5), sized(1)]
    step = made.decode(b"".join(PACKED.get(framing, bytes)(f) for f in frames), Context())
    values = [{"volts": 0x0201}, {"hours": 3}, {"volts": 0x0605}]
    assert told(step) == (
        values if framing == "plain" else [*values, {}, "frame of a wrong length"]
    )
    if framing != "plain":
        assert step.items[-1].detail == "got 3 bytes, expected 4 or 6"


@settings(max_examples=examples(150))
@given(
    st.lists(
        st.one_of(
            st.binary(max_size=9), st.just(typed(1, 1, 0)), st.just(typed(0x30, 2)),
            st.just(sized(1, 2)), st.just(b"\xa5\x5a"),
        ),
        max_size=8,
    ),
    st.sampled_from([TYPED, SIZED]),
    st.sampled_from(["plain", "slip", "cobs", "packet"]),
    st.integers(1, 9),
)  # fmt: skip
def test_mixed_frames_come_out_alike_however_the_bytes_are_cut(pieces, table, framing, cut):
    made = build(table, framing=framing)
    data = b"".join(pieces)
    whole = [i for i in told(made.decode(data, Context())) if isinstance(i, dict)]
    if framing == "packet":
        return
    waiting, got = b"", []
    for at in range(0, len(data), cut):
        waiting += data[at : at + cut]
        step = made.decode(waiting, Context())
        got += [i for i in told(step) if isinstance(i, dict)]
        waiting = waiting[step.used :]
    assert got == whole


@pytest.mark.parametrize("byte", [b"\xa5", b"\x00", b"\xdb"])
@pytest.mark.parametrize("table", [TYPED, SIZED])
def test_many_kinds_of_frame_in_a_full_chunk_stall_nothing(table, byte):
    mark = "type" if "type_at" in table else "length"
    many = [
        {"length": 900 + n, "layout": {"x": {"at": 3, "type": "u8"}}}
        | ({"type": n} if mark == "type" else {})
        for n in range(32 if mark == "type" else MOST_BY_LENGTH)
    ]
    made = build(table, frames=many, ignore=[], start="A5A5" if mark == "type" else "")
    began_s = time.process_time()
    made.decode(byte * MOST_AT_ONCE, Context())
    assert time.process_time() - began_s < 10.0, "1.6 s at most where it was written"


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (TYPED | {"length": 8}, "length: stands in each of [[decoder.frames]] instead"),
        (TYPED | {"type_at": None}, "needs type_at"),
        (TYPED | {"ignore": [1]}, "ignore: 1 is described in [[decoder.frames]] as well"),
        (TYPED | {"ignore": ["30"]}, "accepted: whole numbers such as 0x30"),
        (TYPED | {"frames": [TYPED["frames"][0]] * 2}, "type: 1 stands twice"),
        (TYPED | {"frames": [TYPED["frames"][2]]}, "at least one name in a layout"),
        (TYPED | {"frames": [{"length": 6, "layout": {}}]}, "is needed in each"),
        (TYPED | {"start": ""}, "ignore: needs start"),
        (SIZED | {"frames": [SIZED["frames"][0]] * 2}, "or type_at = ... where a byte tells"),
        (SIZED | {"checksum": "none", "start": "AA"}, "type_at: is needed"),
        (
            SIZED | {"frames": [{"length": n, "layout": {}} for n in range(3, 9)]},
            "at least one name in a layout",
        ),
        (
            SIZED
            | {"frames": [f | {"length": n} for n in range(6, 12) for f in SIZED["frames"][:1]]},
            "at most 4 kinds of plain frames",
        ),
        (FRAME | {"type_at": 2}, "goes with [[decoder.frames]]"),
        (FRAME | {"length": None}, "must be given, or several [[decoder.frames]]"),
    ],
)
def test_kinds_of_frame_that_cannot_be_told_apart_say_why(table, says):
    table = {key: value for key, value in table.items() if value is not None}
    with pytest.raises(ConfigError) as caught:
        build_decoder(table, PLACE)
    assert says in str(caught.value)


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
