"""Plain CSV is read by numpy as pandas reads it, and to the very float that Python reads."""

import math
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.transfer.pieces.plain import plain_columns
from logger.recordings.files import Dialect
from tests.conftest import examples

HEADER = ["time", "voltage_v", "state", "current_a"]
DOT, COMMA = Dialect(), Dialect(delimiter=";", decimal=",")


def piece(*rows, mark=","):
    return "".join(mark.join(row) + "\n" for row in rows).encode("ascii")


numerals = st.one_of(
    st.just(""),
    st.decimals(-1_000_000, 1_000_000, places=2).map(str),
    st.integers(-(10**12), 10**12).map(str),
    st.from_regex(r"-?[0-9]{1,9}\.[0-9]{0,6}", fullmatch=True),
    st.from_regex(r"-?\.[0-9]{1,8}", fullmatch=True),
    st.sampled_from(["-0.0", "0", "00012.50", "-0"]),
)
states = st.sampled_from(["running", "standby", "", "BULK", "a b"])
table = st.lists(st.tuples(numerals, states, numerals), min_size=1, max_size=40)


def as_python_reads(text):
    return float(text) if text else math.nan


def table_columns(*given):
    # It loads pandas, which takes long, and every process of a run reads this file.
    from analysis.transfer.pieces import tables

    return tables.table_columns(*given)


def same(ours, theirs):
    assert np.array_equal(ours.time, theirs.time)
    assert ours.counted == theirs.counted
    assert ours.channels.keys() == theirs.channels.keys()
    for name, values in ours.channels.items():
        assert values.tobytes() == theirs.channels[name].tobytes(), name
    assert [ours.words[k] for k in ours.places] == [theirs.words[k] for k in theirs.places]


@settings(max_examples=examples(300), deadline=None)
@given(table, st.booleans(), st.booleans())
def test_numbers_and_words_are_those_of_python_and_of_pandas(rows, comma, ended):
    dialect = COMMA if comma else DOT
    told = [
        tuple(text.replace(".", dialect.decimal) for text in (f"{1.7e9 + k:.3f}", v, s, a))
        for k, (v, s, a) in enumerate(rows)
    ]
    data = piece(*told, mark=dialect.delimiter)
    data = data if ended or not told[-1][-1] else data.rstrip(b"\n")
    ours = plain_columns(data, HEADER, dialect)
    assert ours is not None
    for name, place in (("voltage_v", 0), ("current_a", 2)):
        expected = np.array([as_python_reads(row[place]) for row in rows])
        assert np.array_equal(ours.channels[name], expected, equal_nan=True)
        signs = np.signbit(expected) == np.signbit(ours.channels[name])
        assert signs[np.isfinite(expected)].all(), "minus zero too"
    assert [ours.words[k] for k in ours.places] == [row[1] for row in rows]
    theirs = table_columns(data, HEADER, dialect)
    if theirs is not None:
        same(ours, theirs)


@settings(max_examples=examples(200), deadline=None)
@given(
    st.lists(
        st.floats(1e5, 6.9e9).map(lambda s: datetime.fromtimestamp(s, UTC)), min_size=1, max_size=30
    ),
    st.sampled_from(["seconds", "milliseconds", "microseconds", "auto"]),
    st.integers(-14 * 60, 14 * 60),
)
def test_moments_are_those_of_python_and_of_pandas(moments, digits, minutes):
    zone = timezone(timedelta(minutes=minutes))
    texts = [m.replace(tzinfo=zone).isoformat(timespec=digits) for m in moments]
    data = piece(*[(text, "12.5", "running", "") for text in texts])
    ours = plain_columns(data, HEADER, DOT)
    assert ours is not None
    assert not ours.counted
    # Python's own timestamp may differ in the last bit: it adds up in another order.
    expected = [datetime.fromisoformat(text).timestamp() for text in texts]
    assert np.abs(ours.time - expected).max() <= 1e-6
    same(ours, table_columns(data, HEADER, DOT))


def test_universal_time_is_written_with_a_z():
    data = piece(("2026-05-03T14:05:30Z", "12.5", "", ""), ("2026-05-03T14:05:31Z", "", "", "1"))
    first = datetime(2026, 5, 3, 14, 5, 30, tzinfo=UTC).timestamp()
    assert plain_columns(data, HEADER, DOT).time.tolist() == [first, first + 1.0]


SOUND = ("1700000000", "12.5", "running", "7.0")


@pytest.mark.parametrize(
    "text",
    ["1e3", "+5", " 5", "5 ", "1.2.3", "1-2", "--5", "-", ".", "nan", "inf", "1_0", "0x1",
     "12,5", "True", "9007199254740993", "1234567890123456789", "9" * 60],
)  # fmt: skip
def test_what_is_not_plain_is_left_to_others(text):
    # One in the middle of sound ones, so that the shape of the others does not hide it.
    for place in (1, 3):
        odd = [*SOUND]
        odd[place] = text
        assert plain_columns(piece(SOUND, tuple(odd), SOUND), HEADER, DOT) is None


@pytest.mark.parametrize(
    "text",
    ["2026-05-03T14:05:30", "2026-05-03 14:05:30Z", "2026-05-03T14:05Z", "2026-05-03T14:05:30.Z",
     "2026-02-30T14:05:30Z", "2026-05-03T24:05:30Z", "2026-05-03T14:05:60Z", "20260503T140530Z",
     "2026-05-03T14:05:30+2:00", "2026-05-03T14:05:30+25:00", "2026-05-03T14:05:30+02:60",
     "2326-05-03T14:05:30Z", "2026-05-03T14:05:30.1234567890Z", "x", ""],
)  # fmt: skip
def test_times_that_are_not_plain_are_left_to_others(text):
    rest = SOUND[1:]
    assert plain_columns(piece((text, *rest)), HEADER, DOT) is None
    sound = "2026-05-03T14:05:29Z"
    assert plain_columns(piece((sound, *rest), (text, *rest), (sound, *rest)), HEADER, DOT) is None


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"1700000000,12.5,running\n",
        b"1700000000,12.5,running,7.0,1\n",
        b"1700000000,12.5,running,7.0,1\n1700000001,12.5,running\n",
        b"1700000000,12.5,running,7.0\n\n",
        "1700000000,12.5,läuft,7.0\n".encode(),
        b"1700000000,12.5,run\0,7.0\n",
    ],
)
def test_rows_that_are_uneven_or_foreign_are_left_to_others(data):
    assert plain_columns(data, HEADER, DOT) is None


def test_columns_that_are_none_of_ours_may_hold_anything():
    header = ["note", "time", "voltage_v"]
    found = plain_columns(b"1e9 (?),1700000000,12.5\n,1700000001,12.6\n", header, DOT)
    assert found.channels["voltage_v"].tolist() == [12.5, 12.6]
    assert found.places is None
