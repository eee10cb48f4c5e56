"""From bytes to readings: rounds, bursts, refusals; descriptions that cannot work."""

from itertools import pairwise

import pytest

from logger.config import LogConfig
from logger.errors import ConfigError
from logger.interval import Condenser
from logger.reading import OperatingState, Reading
from logger.sources.decoding import Request
from logger.sources.description import parse_description
from tests.support.decoders import PLACE


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


def test_a_session_may_begin_in_the_middle_of_a_reading():
    pipe = pipeline({"voltage_v": "U", "current_a": "I"}, timing={"gather_s": 0.5})
    for _ in range(2):
        pipe.feed(1.0, b"\nI=4.2\n")
        pipe.feed(2.0, b"U=13.5\n")
        assert len(pipe.feed(2.1, b"I=4.3\n")) == 1
        assert pipe.refusals.by_reason == {}
        pipe.reset()
    pipe.feed(4.0, b"\nI=4.2\n")
    pipe.feed(5.0, b"I=4.2\n")
    pipe.feed(6.0, b"I=4.2\n")
    assert pipe.refusals.by_reason == {"incomplete message": 2}, "what never comes whole is refused"
    pipe.feed(6.1, b"U=13.5\n")
    pipe.feed(7.0, b"I=4.2\n")
    pipe.feed(8.0, b"I=4.2\n")
    assert pipe.refusals.by_reason == {"incomplete message": 3}, "later none is let pass"


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


def test_answers_to_two_questions_in_two_forms_make_one_reading():
    pipe = pipeline(
        {"voltage_v": "v", "runtime_h": "h"},
        {"kind": "pattern", "pattern": [r"V (?P<v>\S+)", r"H (?P<h>\S+)"]},
        poll={"send": ["V?\n", "H?\n"]},
    )
    (reading,) = pipe.feed(1.0, b"\nV 13.5\nH 812\n")
    assert (reading.voltage_v, reading.runtime_h) == (13.5, 812.0)


def test_a_request_drops_what_waits_and_its_echo():
    pipe = pipeline({"voltage_v": "U"})
    pipe.feed(1.0, b"\nU=13.5\nU=1")
    pipe.asked(Request(b"V\n", "volts"), echo=True)
    assert pipe.refusals.by_reason == {"incomplete message": 1}
    assert not pipe.answered
    assert pipe.feed(1.1, b"V") == [], "the echo is under way"
    (reading,) = pipe.feed(1.2, b"\nU=13.6\n")
    assert (reading.time_s, reading.voltage_v) == (1.2, 13.6)
    assert pipe.answered
    pipe.unanswered(Request(b"V\n", "volts"))
    assert pipe.refusals.by_reason["no answer"] == 1
    pipe.feed(2.0, b"U=1")
    pipe.unanswered(Request(b"V\n", "volts"))
    assert pipe.refusals.by_reason["incomplete answer"] == 1


def test_unknown_state_words_are_counted_and_the_reading_kept():
    pipe = pipeline({"voltage_v": "U", "state": "M"}, states={"RUN": "running"})
    readings = pipe.feed(1.0, b"\nU=13.5 M=RUN\nU=13.5 M=BOOST\nU=13.5 M=BOOST\n")
    assert [str(r.state) for r in readings] == ["running", "unknown", "unknown"]
    assert pipe.counts.unknown_words == {"BOOST": 2}
    assert pipe.counts.good == 3
    assert [r.time_s for r in readings] == pytest.approx([1.0, 1.0, 1.0], abs=1e-5)
    assert readings[0].time_s < readings[1].time_s < readings[2].time_s
