"""A line of the line protocol is a point as its reference says, or refused."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.transfer.series.line_protocol import looks_like_line_protocol, point


@pytest.mark.parametrize(
    ("line", "told"),
    [
        # Line protocol reference, first example.
        (
            'myMeasurement,tag1=value1,tag2=value2 fieldKey="fieldValue" 1556813561098000000',
            (
                "myMeasurement",
                {"tag1": "value1", "tag2": "value2"},
                [("fieldKey", "fieldValue")],
                1556813561098000000,
            ),
        ),
        # README of the engine (tsdb), points with escapes and text.
        (
            r'cpu,host=server\ 01,region=uswest value=1.0,msg="all systems nominal"',
            (
                "cpu",
                {"host": "server 01", "region": "uswest"},
                [("value", 1.0), ("msg", "all systems nominal")],
                None,
            ),
        ),
        # The rest from memory of the same reference: escapes, kinds of number, truth values.
        (
            r"weather,location=us\,midwest temperature=82i,wet=t,hours=7u 1465839830100400200",
            (
                "weather",
                {"location": "us,midwest"},
                [("temperature", 82.0), ("wet", 1.0), ("hours", 7.0)],
                1465839830100400200,
            ),
        ),
        (
            r'wea\ ther,t\=k=a\=b say="a \"b\" \\ , = c" -1',
            ("wea ther", {"t=k": "a=b"}, [("say", 'a "b" \\ , = c')], -1),
        ),
        (r"m f=-1.5e+3", ("m", {}, [("f", -1500.0)], None)),
    ],
)
def test_line_protocol_is_read_as_its_reference_says(line, told):
    assert point(line) == told
    assert looks_like_line_protocol(line)


@pytest.mark.parametrize(
    "line",
    ["", "m", "m ", "m,t=1", "m,t= f=1", "m f=", "m f=1x", "m f=1,", 'm f="a', "m f=1 now",
     "time,voltage_v,current_a", '{"time": 1}', "m f=1 2 3", " m f=1", "m f=1i5"],
)  # fmt: skip
def test_what_is_no_point_is_none(line):
    with pytest.raises(ValueError, match=r"."):
        point(line)


@given(st.text() | st.text('m, =\\"1ie.t\x00'))
def test_any_line_is_a_point_or_refused(line):
    with contextlib.suppress(ValueError):
        measurement, _, fields, _ = point(line)
        assert measurement
        assert fields
