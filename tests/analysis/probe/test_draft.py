"""A first description from what a device said: it decodes, and its values are the true ones."""

import json
import math
import random
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.probe.draft import draft, save
from analysis.probe.draft_frames import candidate_lines
from analysis.probe.heard import Heard
from analysis.probe.series import guesses
from analysis.probe.shown import Manner, hex_rows
from logger.errors import EbbwattError
from logger.sources.decoders.checksums import checksum
from tests.support.rigs.devices.said import RAN_S, TALKERS
from tests.support.rigs.devices.sources import described

#: Asked for numbers in turn, or for words; each entry is what the device answers.
NUMBERS = {
    b"MEAS?\r\n": lambda s, v, a: f"{v:.2f},{a:.2f},{int(s > 20)}",
    b"HOURS?\r\n": lambda s, v, a: f"{(RAN_S + s) / 3600:.4f}",
}
WORDS = {
    b"V\r\n": lambda s, v, a: f"OUT {v:.2f}V",
    b"A\r\n": lambda s, v, a: f"CUR {a:.2f}A",
}


def true(second):
    return 13.2 + 0.3 * math.sin(second / 30), 6.0 + 2.0 * math.sin(second / 17)


def heard_from(say, seconds=40, *, channel=""):
    heard = Heard()
    for second in range(seconds):
        heard.add(float(second), say(second, *true(second)), channel)
    return heard


def readings(text, heard):
    pipeline = described(text).pipeline()
    return [r for at_s, data, channel in heard.pieces for r in pipeline.feed(at_s, data, channel)]


@pytest.mark.parametrize("kind", TALKERS)
def test_a_talking_device_is_described_from_what_it_says(kind):
    heard = heard_from(TALKERS[kind])
    text = draft(heard, {"baud": 9600})
    assert "[line]\nbaud = 9600" in text
    got = readings(text, heard)
    assert len(got) >= 38
    for reading in got:
        volts, amps = true(round(reading.time_s))
        assert reading.voltage_v == pytest.approx(volts, abs=0.006)
        assert reading.current_a == pytest.approx(amps, abs=0.006)


def _json_lines(second, volts, amps):
    """Say in three kinds of line what another program prints between as well."""
    values = {"bat": {"mv": round(1000 * volts)}, "out": {"ma": round(1000 * amps)}}
    said = json.dumps({"ms": 1000 * second} | values) + "\n"
    said += f"[{second:08}] pump duty 42\n" if second % 2 else '{"unit":{"mode":"feed"}}\n'
    return (said + ("{tick 13}\n" if second % 5 == 0 else "")).encode()


def test_json_between_chatter_is_json_and_is_read_again():
    text = draft(heard_from(_json_lines))
    table = tomllib.loads(text)
    assert table["decoder"] == {"kind": "jsonlines"}
    assert table["fields"]["voltage_v"] == {"from": "bat.mv", "scale": 0.001}
    assert table["fields"]["state"] == "unit.mode"


@pytest.mark.parametrize("encoding", ["latin-1", "utf-8", "cp437"])
def test_lines_with_letters_beyond_ascii_are_text(encoding):
    def say(second, volts, amps):
        line = f"#{second:04} \u00bb U={volts:.2f} V \u00bf I={amps:.2f} A "
        line += "\u00bf L\u00e4mp\u00f6 31 \u00b0C \u00f1\u00f1\r\n"
        return line.replace(".", ",").encode(encoding)

    heard = heard_from(say)
    text = draft(heard)
    assert tomllib.loads(text)["decoder"].get("encoding", "utf-8") == encoding
    got = readings(text, heard)
    assert len(got) >= 38
    assert got[-1].voltage_v == pytest.approx(true(39)[0], abs=0.006)
    assert got[-1].current_a == pytest.approx(true(39)[1], abs=0.006)


def test_lines_that_differ_in_a_word_are_one_pattern_with_the_word_as_state():
    def say(second, volts, amps):
        word = ("lataa", "lepo", "lataa")[second // 10 % 3]
        return f"#{second:04} U {volts:.2f} V I {amps:.2f} A Tila {word} end\r\n".encode()

    heard = heard_from(say)
    text = draft(heard)
    table = tomllib.loads(text)
    assert len(table["decoder"]["pattern"]) == 1
    assert set(table["states"]) == {"lataa", "lepo"}
    got = readings(text.replace('"lepo" = "unknown"', '"lepo" = "standby"'), heard)
    assert [r.state for r in got].count("standby") == 10


_PIECES = st.sampled_from(
    [
        "U=13.2",
        '"',
        "'",
        "\\",
        '"unit":',
        "{",
        "}",
        " ",
        ",",
        ";",
        ":",
        "~",
        "=",
        "\u00e4",
        "\x7f",
        "7",
        "\t",
    ]
)


SPREAD = {
    "at once": (0.0, 0.01, 0.02),
    "evenly": (0.0, 0.33, 0.66),
}


@pytest.mark.parametrize("apart", SPREAD)
@pytest.mark.parametrize("hours_every", [1, 7])
def test_values_that_come_in_several_lines_make_one_reading(apart, hours_every):
    heard = Heard()
    for second in range(60):
        volts, amps = true(second)
        hours = f"RT {(RAN_S + second) / 3600:.4f}" if second % hours_every == 0 else "-- ok --"
        for after_s, line in zip(
            SPREAD[apart], (f"VOUT {volts:.2f}", f"IOUT {amps:.2f}", hours), strict=True
        ):
            heard.add(second + after_s, line.encode() + b"\r\n", "")
    text = draft(heard)
    assert tomllib.loads(text)["timing"]["gather_s"] == pytest.approx(0.8, abs=0.02)
    got = readings(text, heard)
    assert len(got) >= 57
    for reading in got:
        volts, amps = true(int(reading.time_s))
        # Where they come evenly, the voltage may be that of the next second.
        assert reading.voltage_v == pytest.approx(volts, abs=0.02)
        assert reading.current_a == pytest.approx(amps, abs=0.13)
    assert sum(reading.runtime_h is not None for reading in got) >= 50


def test_lines_that_hold_all_values_need_no_gathering():
    heard = heard_from(lambda s, v, a: b"V=%.2f I=%.2f\r\n" % (v, a))
    assert "gather_s" not in draft(heard)
    heard = heard_from(
        lambda s, v, a: (
            b"V=%.2f I=%.2f\r\n" % (v, a) + b"RT=%.4f\r\n" % (602.5 + s / 3600) * (s % 9 == 0)
        )
    )
    text = draft(heard)
    assert "gather_s" not in text
    assert "hold_s" in tomllib.loads(text)["fields"]["runtime_h"]
    assert len(readings(text, heard)) >= 38


@given(st.lists(st.lists(_PIECES, max_size=9).map("".join), min_size=3, max_size=9))
def test_whatever_lines_come_the_draft_is_toml(lines):
    for encoding in ("latin-1", "utf-8"):
        said = ("\r\n".join(lines) + "\r\n").encode(encoding)
        heard = heard_from(lambda *_, said=said: said, 4)
        assert tomllib.loads(draft(heard))["device"] == {"label": "my charger"}


def test_what_is_no_toml_is_not_written(tmp_path):
    with pytest.raises(EbbwattError, match="not written: the description"):
        save(tmp_path / "device.toml", 'state = ""unit""\n')
    assert not (tmp_path / "device.toml").exists()


def test_hours_that_rise_with_the_clock_are_found():
    heard = heard_from(TALKERS["mixed-frames"])
    assert readings(draft(heard), heard)[-1].runtime_h == pytest.approx(RAN_S / 3600, abs=0.02)


def test_decimal_commas_keep_unit_and_scale():
    """Hours in seconds, a current in milliampere; only the voltage has a comma."""

    def say(second, volts, amps):
        ran_s = RAN_S + second
        return f"U={volts:.2f} I={1000 * amps:.0f} T={ran_s:.0f}\r\n".replace(".", ",").encode()

    heard = heard_from(say)
    text = draft(heard)
    assert text.count("decimal_comma = true") == 1
    last = readings(text, heard)[-1]
    volts, amps = true(round(last.time_s))
    assert last.voltage_v == pytest.approx(volts, abs=0.006)
    assert last.current_a == pytest.approx(amps, abs=0.006)
    assert last.runtime_h == pytest.approx(RAN_S / 3600, abs=0.02)


@pytest.mark.parametrize("noise_every", [4, 9])
def test_a_disturbed_line_is_described_all_the_same(noise_every):
    rng = random.Random(20261130)

    def say(second, volts, amps):
        said = TALKERS["binary-frame"](second, volts, amps)
        return rng.randbytes(3) + said if second % noise_every == 0 else said

    heard = heard_from(say, 60)
    got = readings(draft(heard), heard)
    assert len(got) >= 58
    assert got[-1].voltage_v == pytest.approx(true(59)[0], abs=0.01)


def test_a_packed_structure_by_radio_is_a_packet():
    def say(_second, volts, amps):
        return round(volts * 100).to_bytes(2, "big") + round(amps * 1000).to_bytes(2, "big") + b"\1"

    heard = heard_from(say, channel="0000fff1-0000-1000-8000-00805f9b34fb")
    text = draft(heard)
    assert 'framing = "packet"' in text
    got = readings(text, heard)
    assert got[-1].voltage_v == pytest.approx(true(39)[0], abs=0.006)
    assert got[-1].current_a == pytest.approx(true(39)[1], abs=0.006)


@pytest.mark.parametrize("answers", [NUMBERS, WORDS])
def test_a_device_that_is_asked_is_described_with_its_questions(answers):
    asked = described(
        '[poll]\nsend = ["' + '", "'.join(q.decode().strip() + r"\r\n" for q in answers) + '"]\n'
        '[decoder]\nkind = "keyvalue"\n[fields]\nvoltage_v = "U"\n'
    )
    heard = Heard()
    pipeline_input = []
    for second in range(40):
        for question, answer in answers.items():
            data = (answer(second, *true(second)) + "\r\n").encode()
            heard.asked(question)
            heard.add(second + 0.1, data, "")
            pipeline_input.append((question, second + 0.1, data))
    description = described(draft(heard, poll=asked.poll))
    pipeline, got = description.pipeline(), []
    by_payload = {r.payload: r for r in description.poll.requests}
    for question, at_s, data in pipeline_input:
        if question == next(iter(answers)):
            got += pipeline.end_round()
            pipeline.begin_round()
        pipeline.asked(by_payload[question])
        got += pipeline.feed(at_s, data)
    assert len(got) >= 38
    for reading in got:
        volts, amps = true(round(reading.time_s))
        assert (reading.voltage_v, reading.current_a) == pytest.approx((volts, amps), abs=0.006)


def test_what_cannot_be_described_says_so_and_shows_the_beginning():
    heard = Heard()
    heard.add(0.0, random.Random(5).randbytes(400), "")
    data = random.Random(5).randbytes(400)
    text = draft(heard)
    assert "# No frames were found" in text
    assert data[:8].hex(" ").upper() in text.upper(), "its beginning is shown"
    assert "no value moved like the voltage" in draft(heard_from(lambda *_: b"OK=1 N=2\r\n"))


@given(st.binary(max_size=300), st.booleans())
def test_no_bytes_crash_a_draft(data, by_radio):
    heard = Heard()
    for at in range(0, len(data), 30):
        heard.add(float(at), data[at : at + 30], "fff1" if by_radio else "")
    # Whatever came, it is a file that can be read, of one device, without a control character.
    text = draft(heard)
    assert tomllib.loads(text)["device"] == {"label": "my charger"}
    for line in (*text.splitlines(), *candidate_lines(heard)):
        assert line.isprintable(), line


def test_the_table_of_candidates_has_the_lines_to_paste():
    told = "\n".join(candidate_lines(heard_from(TALKERS["binary-frame"])))
    assert 'volts = { at = 2, type = "u16" }, byte_order little: moves between 13.2 and' in told
    assert 'voltage_v = { from = "volts", scale = 0.001 }' in told
    assert 'amps = { at = 4, type = "u16" }' in told
    assert "AA55" not in told


@pytest.mark.parametrize(
    ("values", "whole", "expected"),
    [
        ([1320, 1325, 1331], True, ("voltage_v", 0.01)),
        ([13200, 13250, 13310], True, ("voltage_v", 0.001)),
        ([26.4, 26.6, 26.7], False, ("voltage_v", 1.0)),
        ([720, 731, 726], True, ("current_a", 0.01)),
        ([7200, 7230, 7260], True, ("runtime_h", 1.0)),
    ],
)
def test_rows_of_numbers(values, whole, expected):
    best = guesses(values, 60.0, whole=whole)[0]
    assert (best.channel, best.scale) == expected


def test_a_number_that_counts_the_messages_is_no_measured_value():
    assert guesses([*range(200, 225)], 24.0, whole=True) == []
    assert guesses([*range(1300, 1310), *range(1311, 1325)], 24.0, whole=True) == []
    (hours,) = guesses([*range(7200, 7225)], 24.0, whole=True)
    assert hours.channel == "runtime_h", "seconds of running count as well"
    assert guesses([200, 201, 202, 202, 201, 203, 204, 203, 204, 205, 206], 10.0, whole=True)


def test_rows_that_are_nothing():
    assert guesses([7, 7, 7, 7], 60.0, whole=True) == []
    assert guesses([1320, 1325], 60.0, whole=True) == []
    assert guesses([65535, 1, 40000, 12], 60.0, whole=True) == []


def test_bytes_have_their_places_below():
    assert hex_rows(bytes.fromhex("A55A0105")) == "A5  5A  01  05\n 0   1   2   3"
    long = hex_rows(checksum("CRC-16/MODBUS", b"x").to_bytes(2, "big") * 60).splitlines()
    assert long[1].split()[-1] == "15"
    assert long[3].split()[0] == "16"
    assert long[-1] == "... 120 bytes"


def test_times_and_questions_are_told_where_they_are_wanted():
    assert Manner().traffic(1.0, b"V\r", True, 0.0) == ""
    assert Manner(verbose=True).traffic(1.25, b"V\r", True, 0.0) == "    1.250 s  asked  V\\r"
    raw = Manner(raw=True, verbose=True).traffic(1.3, b"13.5\r", False, 0.05)
    assert raw == "    1.300 s  came   13.5\\r  (0.050 s after the question)"
