"""Decoders: published vectors, what each refuses, and that no bytes can crash or stall one."""

import json
from functools import reduce
from itertools import pairwise
from operator import xor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config import LogConfig
from logger.errors import ConfigError
from logger.interval import Condenser
from logger.reading import OperatingState, Reading
from logger.settings import Document
from logger.sources.decoders.checksums import CHECKSUMS, checksum, checksum_hex, checksum_size
from logger.sources.decoding import Context, Message, Place, Refused
from logger.sources.description import build_decoder, parse_description
from logger.sources.numerals import split_numeral

PLACE = Place(Document(Path("device.toml"), {}))
TABLES = {
    "keyvalue": {"kind": "keyvalue"},
    "csv": {"kind": "csv", "columns": ["volts", "amps", "", "mode"]},
    "jsonlines": {"kind": "jsonlines"},
    "alternatives": {"kind": "pattern", "pattern": [r"V (?P<volts>\S+)", r"A (?P<amps>\S+)"]},
    "pattern": {
        "kind": "pattern",
        "pattern": r"V (?P<volts>\S+)\nA (?P<amps>\S+)",
        "lines": 2,
    },
    "xdr": {"kind": "xdr"},
    "checked": {"kind": "keyvalue", "checksum": "CRC-16/MODBUS"},
}


def decoder(name, **changes):
    return build_decoder(TABLES[name] | changes, PLACE)[1]


def decode(made, data, *, in_sync=True):
    """Feed everything at once and return values and reasons of refusal."""
    step = made.decode(data, Context(in_sync=in_sync))
    return [dict(i.values) if isinstance(i, Message) else i.reason for i in step.items]


# --- checksums -----------------------------------------------------------------------------------


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


# --- lines ---------------------------------------------------------------------------------------


def test_key_value_lines_with_any_line_end_and_separators_around():
    data = b"U=13.5 I=4.2\r\nU = 13.6, I= 4.3\n\rU=13.7;I=4.4\r"
    values = decode(decoder("keyvalue"), data)
    assert values == [
        {"U": "13.5", "I": "4.2"},
        {"U": "13.6", "I": "4.3"},
        {"U": "13.7", "I": "4.4"},
    ]


def test_half_a_line_at_the_start_is_no_line():
    assert decode(decoder("keyvalue"), b"3.5 I=4\nU=13.6 I=4\n", in_sync=False) == [
        {"U": "13.6", "I": "4"}
    ]


def test_a_key_that_stands_twice_and_a_line_without_any():
    assert decode(decoder("keyvalue"), b"U=1 U=2\nready\n") == [
        "a key stands twice",
        "no key and value",
    ]


def test_columns_by_position_with_quotes_and_a_wrong_number():
    made = decoder("csv")
    data = b'13.5,4.2,x,RUN\n"13,5",4.2,x,"RUN"\n1,2\n1,"2,3,4\n'
    assert decode(made, data) == [
        {"volts": "13.5", "amps": "4.2", "mode": "RUN"},
        {"volts": "13,5", "amps": "4.2", "mode": "RUN"},
        "wrong number of columns",
        "quotes do not match",
    ]
    assert made.names() == {"volts", "amps", "mode"}


def test_json_objects_with_inner_ones_and_everything_json_should_not_be():
    made = decoder("jsonlines")
    good = b'{"out": {"volts": 13.5, "on": true}, "n": null, "list": [1]}\n'
    assert decode(made, good) == [{"out.volts": 13.5, "out.on": "true", "n": None}]
    bad = [b'{"a": NaN}', b'{"a": 1, "a": 2}', b"[1]", b"{", b'{"a": ' + b"9" * 30 + b"}"]
    deep = b'{"a":' * 12 + b"1" + b"}" * 12
    many = json.dumps({f"k{k}": k for k in range(300)}).encode()[:500] + b"}"
    reasons = decode(made, b"\n".join([*bad, deep, many]) + b"\n")
    assert reasons == [
        "not a finite number",
        "a key stands twice",
        "not a JSON object",
        "not JSON",
        "too many digits",
        "objects nested too deep",
        "not JSON",
    ]


def test_a_pattern_over_two_lines_finds_its_beginning_again():
    made = decoder("pattern")
    data = b"boot\nV 13.5\nA 4.2\nA 9\nV 13.6\nA 4.3\n"
    assert decode(made, data) == [
        "the pattern does not match",
        {"volts": "13.5", "amps": "4.2"},
        "the pattern does not match",
        {"volts": "13.6", "amps": "4.3"},
    ]
    step = made.decode(b"V 13.5\nA", Context())
    assert step.items == ()
    assert step.used == 0, "an incomplete message waits whole"


def test_several_patterns_are_messages_of_their_own():
    several = [r"V (?P<v>\S+)(?: T (?P<t>\S+))?", r"H (?P<h>\S+)", "READY"]
    made = decoder("pattern", pattern=several, lines=1)
    assert decode(made, b"V 13.5\nH 812\nREADY\n") == [{"v": "13.5", "t": None}, {"h": "812"}, {}]
    made = decoder("pattern", pattern=r"V (?:(?P<v>[0-9.]+)|--) A (?P<a>\S+)", lines=1)
    assert decode(made, b"V -- A 4\n") == [{"v": None, "a": "4"}], "not known, not another message"


def test_answers_to_two_questions_in_two_forms_make_one_reading():
    pipe = pipeline(
        {"voltage_v": "v", "runtime_h": "h"},
        {"kind": "pattern", "pattern": [r"V (?P<v>\S+)", r"H (?P<h>\S+)"]},
        poll={"send": ["V?\n", "H?\n"]},
    )
    (reading,) = pipe.feed(1.0, b"\nV 13.5\nH 812\n")
    assert (reading.voltage_v, reading.runtime_h) == (13.5, 812.0)


def test_blanks_round_a_separator_and_a_blank_as_separator():
    assert decode(decoder("keyvalue"), b"U \t= 13.5  I= 4.2\n") == [{"U": "13.5", "I": "4.2"}]
    spaced = decoder("keyvalue", separator=" ", between=",")
    assert decode(spaced, b"U  13.5,I 4.2\n") == [{"U": "13.5", "I": "4.2"}]
    assert decode(decoder("keyvalue"), b"U=13,52 I=4\n") == ["has a decimal comma"]


def test_a_line_that_never_ends_is_dropped_and_the_next_one_read():
    made = decoder("keyvalue")
    step = made.decode(b"x" * 5000, Context())
    assert [item.reason for item in step.items] == ["no end of line"]
    assert (step.used, step.in_sync) == (5000, False)
    assert decode(made, b"xxx\nU=1\n", in_sync=False) == [{"U": "1"}]


def test_noise_of_a_plug_is_stripped_and_the_rest_decoded():
    assert decode(decoder("keyvalue"), b"\x00\xff\x00U=13.5\xff\n\x80=1\n") == [
        {"U": "13.5"},
        {"\\x80": "1"},
    ]


def test_a_line_with_its_checksum():
    made = decoder("checked")
    body = b"U=13.5 I=4.2"
    good = body + b"*" + checksum_hex("CRC-16/MODBUS", body).encode()
    assert decode(made, good + b"\n" + good[:-1] + b"0\n" + body + b"\n") == [
        {"U": "13.5", "I": "4.2"},
        "wrong checksum",
        "no checksum",
    ]


# --- NMEA 0183 -----------------------------------------------------------------------------------


def test_a_transducer_sentence_of_nmea_0183():
    # Types and units: NMEA, "Update to XDR Sentence" (2019); checksum: XOR between $ and *,
    # proved on a published GGA sentence ending *47 in every description of the standard.
    gga = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    xdr = b"$IIXDR,U,13.52,V,Battery#1,I,4.20,A,Battery#1*76\r\n"
    assert decode(decoder("xdr"), gga + xdr) == [
        {},
        {"U:Battery#1": "13.52", "I:Battery#1": "4.20"},
    ]


def sentence(body):
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"$IIXDR,U,13.52,V,B*00\r\n", "wrong checksum"),
        (b"$IIXDR,U,13.52,V,B\r\n", "no checksum"),
        (sentence("IIXDR,U,13.52,V"), "wrong number of fields"),
        (sentence("IIXDR,U,13.52,A,B"), "wrong unit"),
        (sentence("IIXDR,U,1,V,B,U,2,V,B"), "a key stands twice"),
        (b"IIXDR,U,1,V,B\r\n", "not a sentence"),
        (sentence("IIXDR,U,,V,B"), {"U:B": ""}),
    ],
)
def test_sentences_that_are_wrong_or_empty(data, expected):
    assert decode(decoder("xdr"), data) == [expected]


def test_the_policy_and_the_talker_of_sentences():
    bare = b"$IIXDR,U,13.52,V,B\r\n"
    assert decode(decoder("xdr", checksum="optional"), bare) == [{"U:B": "13.52"}]
    assert decode(decoder("xdr", checksum="none"), b"$IIXDR,U,1,V,B*00\r\n") == [{"U:B": "1"}]
    assert decode(decoder("xdr", checksum="none", talker="WI"), bare) == [{}]


# --- any bytes -----------------------------------------------------------------------------------

wild = st.one_of(
    st.binary(max_size=300),
    st.lists(
        st.sampled_from(
            [
                b"U=13.5",
                b"I=",
                b"\n",
                b"\r",
                b"\x00",
                b"\xff",
                b"{",
                b'"',
                b"$IIXDR,U,1,V,B",
                b"*",
                b",",
                b"V 1",
                b"A 2",
                b'{"a":1}',
                b"\xc3",
                b"x" * 600,
            ]
        ),
        max_size=30,
    ).map(b"".join),
)


@settings(max_examples=150)
@given(st.sampled_from(sorted(TABLES)), wild, st.booleans())
def test_no_bytes_can_crash_or_stall_a_decoder(name, data, in_sync):
    made = decoder(name)
    step = made.decode(data, Context(in_sync=in_sync))
    assert 0 <= step.used <= len(data)
    assert len(data) - step.used <= made.longest
    for item in step.items:
        assert isinstance(item, Message | Refused)


@settings(max_examples=60)
@given(st.sampled_from(["keyvalue", "csv", "jsonlines", "xdr"]), wild, st.integers(1, 7))
def test_pieces_decode_like_the_whole(name, data, size):
    made = decoder(name)
    whole = made.decode(data, Context(in_sync=True))
    waiting, items, in_sync = b"", [], True
    for at in range(0, len(data), size):
        waiting += data[at : at + size]
        step = made.decode(waiting, Context(in_sync=in_sync))
        items += step.items
        waiting, in_sync = waiting[step.used :], step.in_sync
    good = [item.values for item in items if isinstance(item, Message)]
    assert good == [item.values for item in whole.items if isinstance(item, Message)]


numbers = st.floats(-1e6, 1e6, allow_nan=False)


@given(numbers, numbers)
def test_what_is_encoded_is_decoded(volts, amps):
    made = decoder("keyvalue")
    (values,) = decode(made, f"U={volts!r} I={amps!r}\n".encode())
    assert split_numeral(values["U"]) == (volts, "")
    assert split_numeral(values["I"]) == (amps, "")


@pytest.mark.parametrize(
    ("text", "comma", "expected"),
    [
        ("13.52 V", False, (13.52, "V")),
        ("13,52V", True, (13.52, "V")),
        ("-.5", False, (-0.5, "")),
        ("1e3A", False, (1000.0, "A")),
    ],
)
def test_numerals(text, comma, expected):
    assert split_numeral(text, decimal_comma=comma) == expected


@pytest.mark.parametrize(
    ("text", "comma", "reason"),
    [
        ("13,52", False, "decimal comma"),
        ("13.52", True, "decimal point"),
        ("nan", False, "not a number"),
        ("inf", False, "not a number"),
        ("1e999", False, "not a finite number"),
        ("1.2.3", False, "not a number"),
        ("1_000", False, "not a number"),
        ("9" * 40, False, "too many digits"),
        ("", False, "not a number"),
    ],
)
def test_what_is_no_number(text, comma, reason):
    with pytest.raises(ValueError, match=reason):
        split_numeral(text, decimal_comma=comma)


# --- from bytes to readings ----------------------------------------------------------------------


def pipeline(fields, decoder_table=None, **tables):
    made = parse_description(
        {"decoder": decoder_table or {"kind": "keyvalue"}, "fields": fields, **tables}, PLACE, 1.0
    )
    return made.pipeline()


def test_units_scale_offset_mask_and_missing_words():
    pipe = pipeline(
        {
            "voltage_v": {"from": "U", "unit": "mV"},
            "current_a": {"from": "I", "scale": 0.1, "offset": -0.5},
            "temperature_c": {"from": "T", "unit": "degF", "missing": ["--"], "optional": True},
            "runtime_h": {"from": "S", "unit": "s"},
            "state": {"from": "F", "mask": 0b110},
            "utc_s": {"from": "C", "unit": "iso8601", "optional": True},
        },
        states={"2": "running", "*": "unknown"},
    )
    line = b"U=13520mV I=47 T=77 S=7200 F=5 C=2026-05-03T14:05:30Z\n"
    (reading,) = pipe.feed(10.0, b"\n" + line)
    assert reading == Reading(
        10.0,
        pytest.approx(13.52),
        pytest.approx(4.2),
        OperatingState.RUNNING,
        2.0,
        pytest.approx(25.0),
        utc_s=1777817130.0,
    )
    (second,) = pipe.feed(11.0, b"U=13520 I=47 T=-- S=7200 F=1\n")
    assert second.temperature_c is None
    assert second.state is OperatingState.UNKNOWN


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"U=13.5A I=4\n", "voltage_v: wrong unit"),
        (b"U=high I=4\n", "voltage_v: not a number"),
        (b"U=13,5 I=4\n", "has a decimal comma"),
        (b"U=1e999 I=4\n", "voltage_v: not a finite number"),
        (b"U=13.5\n", "incomplete message"),
    ],
)
def test_values_that_cannot_be_taken_are_counted(line, reason):
    pipe = pipeline({"voltage_v": "U", "current_a": "I"})
    assert pipe.feed(1.0, b"\n" + line) == []
    assert pipe.refusals.by_reason == {reason: 1}


def test_values_spread_over_messages_make_one_reading_and_rare_ones_are_held():
    pipe = pipeline(
        {"voltage_v": "U", "current_a": "I", "runtime_h": {"from": "H", "hold_s": 10}},
        timing={"gather_s": 0.5},
    )
    assert pipe.feed(1.0, b"\nH=812\n") == []
    assert pipe.feed(1.1, b"U=13.5\n") == []
    (reading,) = pipe.feed(1.2, b"I=4.2\n")
    assert reading == Reading(1.1, 13.5, 4.2, runtime_h=812.0)
    pipe.feed(20.0, b"U=13.5\n")
    (later,) = pipe.feed(20.1, b"I=4.2\n")
    assert later.runtime_h is None, "held no longer than it may be"


def test_messages_of_one_burst_keep_their_order_and_are_all_taken():
    pipe = pipeline({"voltage_v": "U"})
    burst = [reading for _ in range(2) for reading in pipe.feed(1.0, b"\nU=13.5\nU=13.6\nU=13.7\n")]
    assert [r.voltage_v for r in burst] == [13.5, 13.6, 13.7] * 2
    assert burst[0].time_s == 1.0
    assert all(0.0 < b.time_s - a.time_s < 1e-5 for a, b in pairwise(burst))
    condenser = Condenser(LogConfig())
    for reading in burst:
        condenser.add(reading)
    assert condenser.out_of_order == 0
    assert pipe.feed(2.0, b"U=13.8\n")[0].time_s == 2.0
    assert pipe.feed(0.5, b"U=13.8\n")[0].time_s == 0.5, "a real step back is for others to judge"


def test_a_message_that_is_cut_off_by_a_pause_does_not_join_the_next():
    pipe = pipeline({"voltage_v": "U"})
    pipe.feed(1.0, b"\nU=1")
    assert pipe.feed(9.0, b"3.5\nU=13.6\n")[-1].voltage_v == 13.6
    assert pipe.refusals.by_reason["cut off by a pause"] == 1


@pytest.mark.parametrize(
    ("tables", "says"),
    [
        ({"decoder": {"kind": "csv", "columns": []}}, "at least one not empty"),
        ({"decoder": {"kind": "csv", "columns": ["a", "a"]}}, "names one column twice"),
        ({"decoder": {"kind": "csv", "columns": ["a"], "delimiter": ""}}, "one character"),
        ({"decoder": {"kind": "pattern", "pattern": "("}}, "no valid pattern"),
        ({"decoder": {"kind": "pattern", "pattern": "x"}}, "needs a named group"),
        (
            {"decoder": {"kind": "pattern", "pattern": r"(?P<U>a)\nb\nc"}},
            "pattern: got 1; the pattern holds 2 line ends: lines = 3",
        ),
        ({"decoder": {"kind": "keyvalue", "separator": ""}}, "must not be empty"),
        ({"decoder": {"kind": "keyvalue", "between": "="}}, "and not the separator"),
        ({"decoder": {"kind": "xdr", "talker": "ABC"}}, "two letters"),
        (
            {"decoder": {"kind": "keyvalue", "checksum": "sum8", "checksum_mark": ""}},
            "not be empty",
        ),
        ({"decoder": None}, "is needed, with kind"),
        ({"fields": None}, "is needed, with a line such as"),
        ({"decoder": {"kind": "csv", "columns": ["a", "b"]}, "fields": None}, "gives: a, b"),
        ({"fields": {"voltage_v": 3}}, "takes a name in quotes"),
        ({"fields": {"state": {"from": "M", "unit": "V"}}}, "a state has no unit"),
        ({"fields": {"voltage_v": {"from": "U", "hold_s": 5}}}, "neither optional nor held"),
        (
            {"fields": {"voltage_v": {"from": "U", "missing": [True]}}},
            "words in quotes and finite numbers",
        ),
        ({"poll": {"send": []}}, "is needed in [poll]"),
        ({"poll": {"send": [3]}}, "takes texts in quotes"),
        ({"poll": {"send": [{"text": "a", "hex": "00"}]}}, "either text or hex"),
        ({"poll": {"send": [r"V?\r\n"]}}, r'write "V?\r\n" between double quotes'),
        ({"poll": {"send": [{"hex": "0g"}]}}, "pairs of hexadecimal digits"),
        ({"poll": {"send": [{"text": "a", "columns": [1]}]}}, "a list of names"),
        ({"poll": {"send": [{"text": "a", "columns": ["b"]}]}}, 'kind = "csv" in [decoder] alone'),
        (
            {
                "decoder": {"kind": "csv", "columns": ["U"]},
                "poll": {"send": [{"text": "a", "columns": ["b", "b"]}]},
            },
            "names 'b' twice",
        ),
        ({"fields": {"voltage_v": " "}}, "voltage_v.from: needs the name of a value"),
        ({"fields": {"voltage_v": {"from": "U", "scale": 0}}}, "accepted: any other number"),
        ({"fields": {"voltage_v": {"from": "U", "missing": [float("nan")]}}}, "finite numbers"),
        ({"fields": {"state": {"from": "M", "scale": 2.0}}}, "a state has no scale"),
        ({"fields": {"state": {"from": "M", "decimal_comma": True}}}, "has no decimal_comma"),
        ({"states": {"RUN": "running"}}, "fields: needs a line state = ..."),
        ({"states": {"RUN ": "running"}}, "with blanks around it"),
        (
            {"timing": {"first_wait_s": 90}},
            "first_wait_s: got 90; accepted: at most longest_wait_s, 60",
        ),
        (
            {"decoder": {"kind": "characteristics"}, "fields": {"voltage_v": "2B99"}},
            " more",
        ),
        (
            {"decoder": {"kind": "characteristics", "formats": {"2B18": ["uint16"]}}},
            "accepted: uint8",
        ),
        ({"states": 3}, "must be a section"),
    ],
)
def test_descriptions_that_cannot_work_say_why(tables, says):
    usual = {"decoder": {"kind": "keyvalue"}, "fields": {"voltage_v": "U"}}
    with pytest.raises(ConfigError) as caught:
        parse_description(usual | tables, PLACE, 1.0)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)
