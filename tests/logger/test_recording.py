"""Recordings: good rows go in, bad ones are told with line and reason, nothing crashes."""

import gzip
import itertools
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import RecordingError
from logger.reading import OperatingState, Reading
from logger.recordings.files import RecordedFile
from logger.recordings.limits import Limits
from logger.recordings.rows import BadRow, Recording
from logger.recordings.times import parse_time
from tests.conftest import examples

#: An instant in the summer of 2025.
T0 = 1_750_000_000


def rows(path):
    recording = Recording(path)
    return list(recording), recording


def test_csv_with_a_header_in_any_order(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "state,time,voltage_v,current_a,humidity\n"
        "running,2026-05-03T14:05:30+02:00,13.1,8.0,50\n"
        "standby,1777809940,12.6,,50\n"
    )
    result, recording = rows(path)
    assert result == [
        Reading(1777809930.0, 13.1, 8.0, OperatingState.RUNNING),
        Reading(1777809940.0, 12.6, None, OperatingState.STANDBY),
    ]
    assert recording.unknown == ["humidity"]


def test_json_lines_and_gzip(tmp_path):
    path = tmp_path / "a.jsonl.gz"
    with gzip.open(path, "wt") as file:
        file.write(json.dumps({"time": T0 + 5, "voltage_v": 12.5, "runtime_h": 100.5}) + "\n\n")
        file.write(json.dumps({"time": "2025-06-15T15:06:46Z", "current_a": None, "fuel_l": 3}))
    result, _ = rows(path)
    assert result == [Reading(T0 + 5.0, 12.5, runtime_h=100.5), Reading(T0 + 6.0, fuel_l=3.0)]


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (f"{T0 + 1},12,5", "has 3 fields where the header has 4"),
        ("yesterday,12,5,running", "neither ISO 8601 with an offset nor Unix seconds"),
        ("2026-05-03T14:05:30,12,5,running", "has no offset"),
        ("nan,12,5,running", "neither ISO 8601 with an offset nor Unix seconds"),
        ("1e300,12,5,running", "not a believable time"),
        (f"{T0 + 10},twelve,5,running", "voltage_v 'twelve' is not a number"),
        (f'{T0 + 10},"12,5",5,running', "write the decimals with a point"),
        (f"{T0 + 10},inf,5,running", "voltage_v 'inf' is not a number"),
        (f"{T0 + 10},1_3.2,5,running", "voltage_v '1_3.2' is not a number"),
        ("9999-12-31T23:59:59-14:00,12,5,running", "accepted are 2000-01-01 to "),
        ("0001-01-01T00:00:00+14:00,12,5,running", "accepted are 2000-01-01 to "),
        ("5,12,5,running", "accepted are 2000-01-01 to "),
        (f"{T0 + 10}000,12,5,running", "is in milliseconds, the rows before it are in seconds"),
        (f"{T0 + 10}," + "9" * 65_000 + ",5,running", "is longer than 64 kB (longest_line_kb in"),
        (f"{T0 + 10},1e999,5,running", "not a finite number"),
        (f"{T0 + 10},,,bulk", "holds no value"),
        (f"{T0 + 10},,,", "holds no value"),
        (f"{T0 + 0.5},12,5,running", "does not lie after the row before"),
    ],
)
def test_a_bad_csv_row_is_told_with_its_line_and_the_rest_goes_in(tmp_path, row, reason):
    path = tmp_path / "a.csv"
    path.write_text(
        f"time,voltage_v,current_a,state\n{T0 + 1},12,5,running\n{row}\n{T0 + 20},12,5,running\n"
    )
    result, _ = rows(path)
    assert [type(r) for r in result] == [Reading, BadRow, Reading]
    assert result[1].line == 3
    assert reason in result[1].reason


@pytest.mark.parametrize("before", [0, 1, 7])
@pytest.mark.parametrize("length", [999, 1000, 1001, 2000])
def test_a_line_is_as_long_as_the_limit_at_most_wherever_it_stands(tmp_path, before, length):
    path = tmp_path / "a.csv"
    short, long = "s" * 150, "l" * length
    path.write_text("\n".join([*[short] * before, long, *[short] * 20]))
    with RecordedFile(path, Limits(longest_line_kb=1)) as file:
        lines = list(file.lines())
    assert len(lines) == before + 21
    assert lines[before] == (f"{long}\n" if length <= 1000 else None)
    assert {*lines[:before], *lines[before + 1 :]} == {f"{short}\n"}


def test_a_state_word_of_the_devices_own_is_kept_beside_its_reading(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        f"time,voltage_v,state\n{T0},12,bulk\n{T0 + 1},12,running\n{T0 + 2},12,{'x' * 90}\n"
    )
    (first, second, third), _ = rows(path)
    assert (first.state, first.word) == (OperatingState.UNKNOWN, "bulk")
    assert (second.state, second.word) == (OperatingState.RUNNING, "")
    assert third.word == "x" * 40


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("{", "not JSON"),
        ("[1]", "not a JSON object"),
        ('{"voltage_v": 12}', "has no time"),
        ('{"time": true, "voltage_v": 12}', "neither ISO 8601 nor Unix seconds"),
        (f'{{"time": {T0 + 10}, "voltage_v": [1]}}', "is not a number"),
        (f'{{"time": {T0 + 10}, "voltage_v": NaN}}', "not a finite number"),
        (f'{{"time": {T0 + 10}, "voltage_v": 1' + "0" * 400 + "}", "too large"),
        ("[" * 60_000, "JSON"),
    ],
)
def test_a_bad_json_row_is_told_with_its_line(tmp_path, row, reason):
    path = tmp_path / "a.jsonl"
    path.write_text(
        f'{{"time": {T0}, "voltage_v": 12}}\n{row}\n{{"time": {T0 + 20}, "voltage_v": 12}}\n'
    )
    result, _ = rows(path)
    assert [type(r) for r in result] == [Reading, BadRow, Reading]
    assert result[1].line == 2
    assert reason in result[1].reason
    assert len(result[1].reason) < 200


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "is empty"),
        (b"a,b\n1,2\n", "line 1: the header has no column 'time'"),
        (b"time,voltage_v,voltage_v\n", "stands there twice"),
    ],
)
def test_a_file_that_is_no_recording_is_one_error(tmp_path, content, message):
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=message):
        rows(path)


def test_a_missing_and_a_broken_file(tmp_path):
    with pytest.raises(RecordingError, match="no such file"):
        rows(tmp_path / "none.csv")
    path = tmp_path / "a.csv.gz"
    whole = gzip.compress(b"time,voltage_v\n" + b"1,12\n" * 1000)
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(RecordingError, match="cannot be read"):
        rows(path)


@settings(max_examples=examples(150))
@given(st.binary(max_size=400), st.sampled_from(["a.csv", "a.jsonl"]))
def test_no_content_can_crash_the_reader(tmp_path_factory, content, name):
    path = tmp_path_factory.mktemp("wild") / name
    first = (
        f"time,voltage_v,state\n{T0},12.5,running\n"
        if name == "a.csv"
        else f'{{"time": {T0}, "voltage_v": 12.5, "state": "running"}}\n'
    )
    path.write_bytes(first.encode() + content)
    begun, *got = Recording(path)
    # The sound row before it is read; what follows is told by its line or lies after it in time.
    assert begun == Reading(float(T0), 12.5, state=OperatingState.RUNNING)
    lines = [row.line for row in got if isinstance(row, BadRow)]
    assert lines == sorted(lines)
    assert all(row.reason.isprintable() for row in got if isinstance(row, BadRow))
    times = [T0, *(row.time_s for row in got if isinstance(row, Reading))]
    assert all(b > a for a, b in itertools.pairwise(times))
    assert len(got) == len(lines) + len(times) - 1


def test_times_of_the_standard_are_understood():
    # ISO 8601-1:2019 forms; the two moments are the same by definition of the offset.
    assert parse_time("2026-05-03T14:05:30Z") == parse_time("2026-05-03T16:05:30+02:00")
    assert parse_time("1777817130") == parse_time(1777817130)
