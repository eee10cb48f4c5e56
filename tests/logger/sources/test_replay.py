"""Replay: recordings, captures and plain bytes as sources, through the real daemon too."""

import asyncio
import io
import itertools
import json
import time

import pytest

from analysis.history.history import load_history
from logger.config import load_config
from logger.errors import ConfigError, RecordingError
from logger.reading import OperatingState, Reading
from logger.sources import open_source
from logger.sources.capture import CaptureWriter, Chunk, read_capture

DECODER = """
[source.decoder]
kind = "keyvalue"
[source.fields]
voltage_v = "U"
current_a = "I"
state = "MODE"
[source.states]
RUN = "running"
"""


def source_of(folder, name, extra="", speed=0):
    path = folder / "ebbwatt.toml"
    path.write_text(
        f'[charger]\nrated_w = 110\n[source]\nkind = "replay"\npath = "{name}"\nspeed = {speed}\n'
        + extra
    )
    return open_source(load_config(path))


def readings_of(source):
    async def collect():
        return [reading async for reading in source.readings()]

    return asyncio.run(collect())


def record(folder, rows):
    (folder / "r.csv").write_text("time,voltage_v,current_a,state\n" + "\n".join(rows) + "\n")


def test_a_recording_gives_its_readings_and_counts_its_bad_rows(tmp_path):
    record(tmp_path, ["1700000000,13.1,8,running", "nonsense", "1700000001,13.2,8,running"])
    source = source_of(tmp_path, "r.csv")
    assert [r.time_s for r in readings_of(source)] == [1.7e9, 1.7e9 + 1]
    assert source.refusals.by_reason == {"bad row": 1}
    assert "line 3" in source.refusals.samples["bad row"]
    assert not source.live


def test_it_keeps_the_recorded_rhythm_at_a_factor(tmp_path):
    record(tmp_path, [f"{1_700_000_000 + k},13.1,8,running" for k in range(11)])
    began_s = time.monotonic()
    assert len(readings_of(source_of(tmp_path, "r.csv", speed=50))) == 11
    assert time.monotonic() - began_s >= 10 / 50


def test_a_capture_is_decoded_with_its_times(tmp_path):
    with (tmp_path / "c.jsonl").open("w") as file:
        writer = CaptureWriter(file, 1.7e9, "a port")
        for at_s, data in ((0.0, b"lf of a line\nU=13.5 I=4"), (0.5, b".2 MODE=RUN\n")):
            writer.write(Chunk(1.7e9 + at_s, data))
    source = source_of(tmp_path, "c.jsonl", DECODER)
    assert readings_of(source) == [Reading(1.7e9 + 0.5, 13.5, 4.2, OperatingState.RUNNING)]


def test_plain_bytes_are_decoded_at_the_expected_spacing(tmp_path):
    (tmp_path / "b.bin").write_bytes(b"U=13.5 I=4.2 MODE=RUN\n" * 3)
    readings = readings_of(source_of(tmp_path, "b.bin", DECODER))
    assert [r.voltage_v for r in readings] == [13.5] * 3
    spacings = [b.time_s - a.time_s for a, b in itertools.pairwise(readings)]
    assert spacings == pytest.approx([1.0, 1.0])


def test_a_capture_reads_back_what_was_written(tmp_path):
    chunks = [Chunk(1.7e9 + 0.25, b"\x00\xff", "00002b18"), Chunk(1.7e9 + 1.0, b"V?", sent=True)]
    text = io.StringIO()
    writer = CaptureWriter(text, 1.7e9, "x")
    for chunk in chunks:
        writer.write(chunk)
    path = tmp_path / "c.jsonl"
    path.write_text(text.getvalue())
    assert list(read_capture(path)) == chunks


@pytest.mark.parametrize("link", ["line", "ble", "hwmon"])
def test_the_table_of_the_link_may_stay_when_a_source_becomes_a_recording(tmp_path, link):
    (tmp_path / "talk").write_bytes(b"U=13.20 I=8.00\n" * 3)
    fields = '[source.decoder]\nkind = "keyvalue"\n[source.fields]\nvoltage_v = "U"\n'
    source = source_of(tmp_path, "talk", f"{fields}[source.{link}]\nwhatever = 1\n")
    assert [r.voltage_v for r in readings_of(source)] == [13.2] * 3


def test_a_capture_without_a_description_says_what_is_needed(tmp_path):
    with (tmp_path / "c.jsonl").open("w") as file:
        CaptureWriter(file, 1.7e9, "a port")
    with pytest.raises(ConfigError, match="description = FILE"):
        source_of(tmp_path, "c.jsonl")


@pytest.mark.parametrize("line", ["{", "[]", '{"at_s": 1}', '{"at_s": 1, "bytes": "xyz"}', "7"])
def test_a_broken_capture_names_the_line(tmp_path, line):
    path = tmp_path / "c.jsonl"
    path.write_text(f'{{"capture": 1, "began": "2026-05-03T14:05:30Z"}}\n{line}\n')
    with pytest.raises(RecordingError, match="line 2"):
        list(read_capture(path))


def test_a_capture_of_a_later_version_is_refused(tmp_path):
    path = tmp_path / "c.jsonl"
    path.write_text(json.dumps({"capture": 2, "began": "2026-05-03T14:05:30Z"}) + "\n")
    with pytest.raises(RecordingError, match="version 2"):
        list(read_capture(path))


def test_the_daemon_logs_a_recording_to_its_end(tmp_path, ebbwatt):
    record(tmp_path, [f"{1700000000 + k},13.0,8.0,running" for k in range(301)])
    source_of(tmp_path, "r.csv")
    done = ebbwatt("log", cwd=tmp_path)
    assert "301 readings, 0 refused" in done.stderr
    history = load_history(tmp_path / "ebbwatt.db")
    assert history.charge_c.sum() == pytest.approx(8.0 * 300)
    assert history.start_s[0] == 1700000000.0


def test_a_missing_recording_is_one_line_and_status_1(tmp_path, ebbwatt):
    source_of(tmp_path, "none.csv")
    done = ebbwatt("log", cwd=tmp_path, status=1)
    assert "none.csv: there is no such file" in done.stderr
    # Beside that at most the line that says what is logged where.
    others = [x for x in done.stderr.splitlines() if "there is no such file" not in x]
    assert [x for x in others if "logging" not in x] == []
