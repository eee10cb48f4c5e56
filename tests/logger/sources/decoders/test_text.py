"""Decoders of lines, and that no bytes can crash or stall one."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import ConfigError
from logger.sources.decoders.checksums import checksum_hex
from logger.sources.decoding import Context, Message, Refused
from logger.sources.numerals import split_numeral
from tests.conftest import examples
from tests.support.decoders import TABLES, decode, decoder


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


@settings(max_examples=examples(150))
@given(st.sampled_from(sorted(TABLES)), wild, st.booleans())
def test_no_bytes_can_crash_or_stall_a_decoder(name, data, in_sync):
    made = decoder(name)
    step = made.decode(data, Context(in_sync=in_sync))
    assert 0 <= step.used <= len(data)
    assert len(data) - step.used <= made.longest
    for item in step.items:
        assert isinstance(item, Message | Refused)


@settings(max_examples=examples(60))
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


#: One word in four encodings; its bytes by the tables of ISO 8859-1, RFC 3629 and code page 437.
LETTERS = {
    "latin-1": b"l\xe4mp\xf6",
    "ISO-8859-1": b"l\xe4mp\xf6",
    "utf-8": b"l\xc3\xa4mp\xc3\xb6",
    "cp437": b"l\x84mp\x94",
}


@pytest.mark.parametrize("encoding", LETTERS)
@pytest.mark.parametrize("name", ["keyvalue", "csv", "jsonlines", "alternatives", "xdr"])
def test_words_and_names_in_the_encoding_of_the_device(name, encoding):
    word = LETTERS[encoding]
    lines = {
        "keyvalue": b"%s=%s\n" % (word, word),
        "csv": b"1,2,3,%s\n" % word,
        "jsonlines": b'{"%s": "%s"}\n' % (word, word),
        "alternatives": b"V %s\n" % word,
        "xdr": b"$IIXDR,U,13.5,V,%s\n" % word,
    }
    policy = {"checksum": "optional"} if name == "xdr" else {}
    (values,) = decode(decoder(name, encoding=encoding, **policy), lines[name])
    assert "l\u00e4mp\u00f6" in str(values)
    (values,) = decode(decoder(name, **policy), lines[name])
    assert ("l\u00e4mp\u00f6" in str(values)) == (encoding == "utf-8"), "as before by default"


def test_a_checksum_covers_the_bytes_whatever_the_encoding():
    # NMEA 0183: exclusive or of the bytes between $ and *, worked out by the loop below.
    body = b"IIXDR,U,13.5,V,l\xe4mp\xf6"
    total = 0
    for byte in body:
        total ^= byte
    (values,) = decode(decoder("xdr", encoding="latin-1"), b"$%s*%02X\r\n" % (body, total))
    assert values == {"U:l\u00e4mp\u00f6": "13.5"}


@pytest.mark.parametrize("wrong", ["utf-16", "klingon", "rot13", ""])
def test_an_encoding_that_is_not_accepted_is_refused_with_those_that_are(wrong):
    for name in ("keyvalue", "xdr"):
        with pytest.raises(ConfigError, match=r"encoding.*one of utf-8, latin-1, cp1252"):
            decoder(name, encoding=wrong)


def test_a_mark_that_the_encoding_does_not_hold_is_refused():
    with pytest.raises(ConfigError, match="terminator: no text in latin-1 holds"):
        decoder("csv", encoding="latin-1", terminator="\u2028")
