"""Files of other programs: they come in by a mapping, and to the same log as a CSV file does."""

import contextlib
import gzip
import json
import subprocess
import sys
import urllib.parse
import urllib.request

import numpy as np
import pytest

from analysis.transfer.import_intervals import is_exported
from analysis.transfer.import_readings import Importer
from analysis.transfer.series.mapping import mapping
from analysis.transfer.series.prometheus import MOST_BYTES
from analysis.transfer.series.recording import series_recording
from logger.config import load_config
from logger.errors import ConfigError, RecordingError, UsageError
from logger.store.reader import Reader
from tests.support.broker import free_port, until
from tests.support.configurations import AFT_LOCKER
from tests.support.empty import put_empty
from tests.support.missing import library

CHARGER = AFT_LOCKER + "[log]\ninterval_s = 10\n"
FIELDS = """
[import.fields]
voltage_v = 'charger.volts{boat="x"}'
current_a = { from = 'charger.milliamps{boat="x"}', unit = "mA" }
state = 'charger.mode{boat="x"}'
[import.states]
RUN = "running"
WAIT = "standby"
"""
T0 = 1_750_000_000
#: An hour of charging in two, a reading every ten seconds.
ROWS = [
    (T0 + 10 * k, 12.6 + 0.001 * (k % 700), 8.0 if k % 720 < 360 else 0.0, k % 720 < 360)
    for k in range(2000)
]


def boat(folder, text=FIELDS):
    folder.mkdir(exist_ok=True)
    (folder / "ebbwatt.toml").write_text(CHARGER + text)
    return load_config(folder / "ebbwatt.toml")


def taken(config, path):
    """Import one file and return its outcome and the stored intervals."""
    put_empty(config.store.path)
    importer = Importer(config)
    result = importer.take(path)
    result.intervals += importer.finish()
    columns = ("start_ms", "duration_ms", "state", "charge_mc", "energy_mj", "voltage_mean_mv")
    with Reader(config.store.path) as reader:
        rows = list(reader.intervals(reader.fitting().id, 1, 2**62, columns))
    return result, rows


def plain(folder):
    """Return the same readings as a recording."""
    lines = [f"{t},{v:.3f},{a:.3f},{'running' if on else 'standby'}" for t, v, a, on in ROWS]
    path = folder / "log.csv"
    path.write_text("\n".join(["time,voltage_v,current_a,state", *lines]) + "\n")
    return path


def as_lines():
    """Return them as line protocol, one measurement after the other, newest first."""
    volts = [f"charger,boat=x volts={v:.3f} {t}000000000" for t, v, _, _ in ROWS]
    rest = [
        f'charger,boat=x milliamps={1000 * a:.0f}i,mode="{"RUN" if on else "WAIT"}" {t}000000000'
        for t, _, a, on in ROWS
    ]
    return "# made for a test\n" + "\n".join([*reversed(volts), *rest]) + "\n"


def as_range_query():
    def series(name, values):
        labels = {"__name__": name, "boat": "x"}
        return {"metric": labels, "values": [[row[0], text] for row, text in values]}

    result = [
        series("charger.volts", [(row, f"{row[1]:.3f}") for row in ROWS]),
        series("charger.milliamps", [(row, f"{1000 * row[2]:.0f}") for row in ROWS]),
        series("charger.mode", [(row, "RUN" if row[3] else "WAIT") for row in ROWS]),
    ]
    return json.dumps({"status": "success", "data": {"resultType": "matrix", "result": result}})


def write_parquet(path, columns):
    pa = library("pyarrow")
    from pyarrow import parquet

    parquet.write_table(pa.table(columns), path, row_group_size=700)
    return path


@pytest.fixture(scope="module")
def wanted(tmp_path_factory):
    folder = tmp_path_factory.mktemp("csv")
    return taken(boat(folder, ""), plain(folder))


def test_the_plain_recording_is_what_the_rest_is_held_against(wanted):
    result, rows = wanted
    assert result.readings == len(ROWS)
    # By hand: 8 A for 3590 s three times, and half of 8 A x 10 s at each of five edges.
    assert sum(row[3] for row in rows) / 1000.0 == 3 * 8 * 3590 + 5 * 40


@pytest.mark.parametrize("name", ["log.lp", "log.lp.gz", "answer.json", "answer.json.gz"])
def test_text_of_other_programs_comes_to_the_same_log(tmp_path, wanted, name):
    config = boat(tmp_path)
    text = (as_lines() if ".lp" in name else as_range_query()).encode()
    path = tmp_path / name
    path.write_bytes(gzip.compress(text) if name.endswith(".gz") else text)
    result, rows = taken(config, path)
    assert rows == wanted[1]
    assert (result.readings, result.bad.kept) == (len(ROWS), [])
    again, _ = taken(config, path)
    assert (again.readings, again.intervals, again.known) == (0, 0, len(ROWS))


@pytest.mark.parametrize("times", ["timestamp", "whole", "text"])
def test_parquet_comes_to_the_same_log(tmp_path, wanted, times):
    pa = library("pyarrow")
    config = boat(
        tmp_path,
        '[import]\ntime = "when"\ntime_unit = "ms"\n[import.fields]\nvoltage_v = "U"\n'
        'current_a = { from = "mA", unit = "mA" }\nstate = "mode"\n[import.states]\n'
        'RUN = "running"\nWAIT = "standby"\n',
    )
    when = pa.array([1000 * row[0] for row in ROWS], pa.int64())
    if times == "timestamp":
        when = when.cast(pa.timestamp("ms", "UTC")).cast(pa.timestamp("us", "UTC"))
    if times == "text":
        when = [np.datetime_as_string(np.datetime64(row[0], "s")) + "Z" for row in ROWS]
    path = write_parquet(
        tmp_path / "log.parquet",
        {
            "when": when,
            "U": [round(row[1], 3) for row in ROWS],
            "mA": [round(1000 * row[2]) for row in ROWS],
            "mode": ["RUN" if row[3] else "WAIT" for row in ROWS],
            "weather": ["fair" for _ in ROWS],
        },
    )
    result, rows = taken(config, path)
    assert rows == wanted[1]
    assert result.unknown == ["weather"]


def test_parquet_with_the_columns_of_a_recording_needs_no_mapping(tmp_path, wanted):
    path = write_parquet(
        tmp_path / "log.parquet",
        {
            "time": [float(row[0]) for row in ROWS],
            "voltage_v": [round(row[1], 3) for row in ROWS],
            "current_a": [row[2] for row in ROWS],
            "state": ["running" if row[3] else "standby" for row in ROWS],
        },
    )
    assert taken(boat(tmp_path, ""), path)[1] == wanted[1]


def test_intervals_exported_as_parquet_come_back_exactly(tmp_path, ebbwatt):
    library("pyarrow")
    config = boat(tmp_path / "one", "")
    _, rows = taken(config, plain(tmp_path / "one"))
    ebbwatt("export", "out.parquet", cwd=tmp_path / "one")
    other = boat(tmp_path / "two", "")
    ebbwatt("import", tmp_path / "one" / "out.parquet", cwd=tmp_path / "two")
    with Reader(other.store.path) as reader:
        columns = ("start_ms", "duration_ms", "state", "charge_mc", "energy_mj", "voltage_mean_mv")
        assert list(reader.intervals(reader.fitting().id, 1, 2**62, columns)) == rows
    done = ebbwatt("import", tmp_path / "one" / "out.parquet", cwd=tmp_path / "two")
    assert "0 readings added as 0 intervals" in done.stdout


#: The worked answer of the Prometheus documentation (HTTP API, range queries).
PUBLISHED = """{"status":"success","data":{"resultType":"matrix","result":[
{"metric":{"__name__":"up","job":"prometheus","instance":"localhost:9090"},
 "values":[[1435781430.781,"1"],[1435781445.781,"1"],[1435781460.781,"1"]]},
{"metric":{"__name__":"up","job":"node","instance":"localhost:9091"},
 "values":[[1435781430.781,"0"],[1435781445.781,"0"],[1435781460.781,"1"]]}]}}"""


def test_the_published_answer_of_a_range_query_is_read(tmp_path):
    (tmp_path / "up.json").write_text(PUBLISHED)
    config = boat(tmp_path, "[import.fields]\ncurrent_a = 'up{job=\"node\"}'\n")
    recording = series_recording(tmp_path / "up.json", config)
    (block,) = recording
    assert block.time_s.tolist() == [1435781430.781, 1435781445.781, 1435781460.781]
    assert block.current_a.tolist() == [0, 0, 1]
    assert recording.unknown == ['up{instance="localhost:9090",job="prometheus"}']


@pytest.mark.slow
def test_a_real_server_gives_back_what_was_published(program, tmp_path):
    """What the text file told comes back from Prometheus by its own query, without a mapping."""
    promtool, server = program("promtool", "prometheus"), program("prometheus", "prometheus")
    metrics = tmp_path / "metrics.txt"
    lines = []
    for name, text in (
        ("ebbwatt_charger_voltage_volts", lambda row: f"{row[1]:.3f}"),
        ("ebbwatt_charger_current_amperes", lambda row: f"{row[2]:.3f}"),
        ('ebbwatt_charger_state{state="running"}', lambda row: f"{int(row[3])}"),
        ('ebbwatt_charger_state{state="standby"}', lambda row: f"{int(not row[3])}"),
    ):
        if "standby" not in name:
            lines.append(f"# TYPE {name.partition('{')[0]} gauge")
        lines += [f"{name} {text(row)} {row[0]}" for row in ROWS]
    metrics.write_text("\n".join([*lines, "# EOF\n"]))
    subprocess.run(
        [promtool, "tsdb", "create-blocks-from", "openmetrics", metrics, tmp_path / "data"],
        check=True,
        capture_output=True,
    )
    (tmp_path / "server.yml").write_text("global: {}\n")
    port = free_port()
    child = subprocess.Popen(
        [server, f"--config.file={tmp_path}/server.yml", f"--storage.tsdb.path={tmp_path}/data",
         "--storage.tsdb.retention.time=100y", f"--web.listen-address=127.0.0.1:{port}"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    query = urllib.parse.urlencode(
        {"query": '{__name__=~"ebbwatt_.*"}', "start": T0, "end": ROWS[-1][0], "step": 10}
    )
    answer = []

    def answers():
        with contextlib.suppress(OSError):
            url = f"http://127.0.0.1:{port}/api/v1/query_range?{query}"
            with urllib.request.urlopen(url, timeout=30) as reply:
                answer.append(reply.read())
        return bool(answer)

    try:
        until(answers, "the server does not answer")
    finally:
        child.kill()
        child.wait()
    (tmp_path / "answer.json").write_bytes(answer[0])
    result, rows = taken(boat(tmp_path, ""), tmp_path / "answer.json")
    assert result.readings == len(ROWS)
    assert rows == taken(boat(tmp_path / "csv", ""), plain(tmp_path / "csv"))[1]


def test_bad_lines_are_refused_with_their_number_and_the_rest_goes_in(tmp_path):
    config = boat(tmp_path)
    good = [f"charger,boat=x volts=12.5,milliamps={k}i {T0 + 10 * k}000000000" for k in range(9)]
    lines = [
        *good[:3],
        "nonsense",
        "charger,boat=x volts=12.5",
        "m" * 64_010 + " f=1 1",
        "charger,boat=x volts=\x1b[2Jx 1",
        f"charger,boat=x volts=1e999 {T0}000000000",
        f'charger,boat=x volts="twelve" {T0}000000000',
        "charger,boat=x volts=12.5 99999999999999999999",
        *good[3:],
    ]
    (tmp_path / "log.lp").write_text("\n".join(lines))
    result, _ = taken(config, tmp_path / "log.lp")
    assert result.readings == 9
    reasons = {bad.line: bad.reason for bad in result.bad.kept}
    assert "not line protocol" in reasons[4]
    assert reasons[5] == "has no time"
    assert reasons[6] == "is longer than 64 kB (longest_line_kb in [limits])"
    assert {7, 8, 9, 10} == set(reasons) - {4, 5, 6}


LIMIT = "[limits]\nlargest_unpacked_mb = 1\nlongest_line_kb = 1\nmost_columns = 2\n"


def test_the_limits_of_the_configuration_hold_for_line_protocol(tmp_path):
    long = f'charger,boat=x volts=12.5,note="{"x" * 1500}" {T0}000000000\n'
    good = f"charger,boat=x volts=12.5 {T0}000000000\n"
    (tmp_path / "log.lp").write_text(long + good)
    result, _ = taken(boat(tmp_path / "usual"), tmp_path / "log.lp")
    assert result.bad.kept == []
    result, _ = taken(boat(tmp_path / "tight", FIELDS + LIMIT), tmp_path / "log.lp")
    assert [bad.reason for bad in result.bad.kept] == [
        "is longer than 1 kB (longest_line_kb in [limits])"
    ]
    assert result.readings == 1


@pytest.mark.parametrize("name", ["log.lp.gz", "log.json.gz"])
def test_what_unpacks_to_more_than_the_limit_is_told_by_its_key(tmp_path, name):
    begins = as_range_query()[:-1] if "json" in name else as_lines()
    (tmp_path / name).write_bytes(gzip.compress(begins.encode() + b" \n" * 600_000))
    with pytest.raises(RecordingError, match=r"unpacks to more than 1 MB.*largest_unpacked_mb"):
        taken(boat(tmp_path / "boat", FIELDS + LIMIT), tmp_path / name)


def test_the_limits_of_the_configuration_hold_for_parquet(tmp_path):
    columns = {"time": [T0 + float(k) for k in range(200_000)], "voltage_v": [12.5] * 200_000}
    path = write_parquet(tmp_path / "log.parquet", columns)
    config = boat(tmp_path / "boat", LIMIT)
    with pytest.raises(RecordingError, match=r"unpacks to more than 1 MB.*largest_unpacked_mb"):
        taken(config, path)
    write_parquet(path, {"time": [T0], "voltage_v": [12.5], "current_a": [1.0]})
    with pytest.raises(RecordingError, match=r"more than 2 columns \(most_columns in \[limits\]\)"):
        taken(config, path)
    with pytest.raises(RecordingError, match=r"more than 2 columns"):
        is_exported(path, config.limits)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
@pytest.mark.parametrize("make", [as_lines, as_range_query])
def test_a_byte_order_mark_is_no_part_of_the_file(tmp_path, wanted, make, encoding):
    text = make().removeprefix("# made for a test\n")
    (tmp_path / "log.txt").write_bytes(text.encode(encoding))
    result, rows = taken(boat(tmp_path / "boat"), tmp_path / "log.txt")
    assert result.bad.kept == []
    assert rows == wanted[1]


def test_a_packed_parquet_file_is_told_to_be_unpacked(tmp_path):
    path = write_parquet(tmp_path / "log.parquet", {"time": [T0], "voltage_v": [12.5]})
    (tmp_path / "log.parquet.gz").write_bytes(gzip.compress(path.read_bytes()))
    with pytest.raises(RecordingError, match="unpack it first"):
        taken(boat(tmp_path / "boat", ""), tmp_path / "log.parquet.gz")


def test_two_series_for_one_channel_are_an_error_that_names_both(tmp_path):
    (tmp_path / "up.json").write_text(PUBLISHED)
    config = boat(tmp_path, "[import.fields]\ncurrent_a = 'up'\n")
    with pytest.raises(RecordingError, match=r"two series fit current_a.*9090.*9091.*name a label"):
        list(series_recording(tmp_path / "up.json", config))


def test_without_a_mapping_the_error_says_what_the_file_holds(tmp_path):
    (tmp_path / "up.json").write_text(PUBLISHED)
    with pytest.raises(RecordingError, match=r"say in \[import.fields\].*it holds: up\{"):
        list(series_recording(tmp_path / "up.json", boat(tmp_path, "")))


def test_values_of_a_moment_are_joined_where_it_is_asked_for(tmp_path):
    lines = []
    for k in range(100):
        lines += [
            f"charger,boat=x volts=12.5 {T0 + 10 * k}000000000",
            f"charger,boat=x milliamps=4000i {T0 + 10 * k}400000000",
        ]
    (tmp_path / "log.lp").write_text("\n".join(lines))
    apart, _ = taken(boat(tmp_path / "apart"), tmp_path / "log.lp")
    config = boat(tmp_path / "joined", "[import]\njoin_s = 1\n" + FIELDS)
    joined, rows = taken(config, tmp_path / "log.lp")
    assert (apart.readings, joined.readings) == (200, 100)
    # By hand: 12.5 V x 4 A x 990 s.
    assert sum(row[4] for row in rows) / 1000.0 == pytest.approx(49_500.0, rel=1e-6)


def test_of_two_values_at_one_time_the_first_stands_and_the_other_is_told(tmp_path):
    lines = [f"charger,boat=x volts={v} {T0}000000000" for v in (12.5, 12.5, 13.5)]
    (tmp_path / "log.lp").write_text("\n".join(lines))
    recording = series_recording(tmp_path / "log.lp", boat(tmp_path))
    (block,) = recording
    assert block.voltage_v.tolist() == [12.5]
    assert [bad.reason for bad in recording.bad.kept] == [
        "another value of voltage_v at 1750000000.000 (Unix seconds)"
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"status":"error","errorType":"bad_data","error":"no such thing"}', "no such thing"),
        ('{"status":"success","data":{"resultType":"vector","result":[]}}', "query_range"),
        ('{"data":{"resultType":"matrix","result":' + "[" * 100_000, "nested too deeply"),
        ('{"data":{"resultType":"matrix","result":[', "not the JSON"),
        ('{"data":{"resultType":"matrix","result":[1,{"metric":1},null]}}', "it holds: no values"),
    ],
)
def test_an_answer_from_a_bad_dream_is_one_line(tmp_path, text, told):
    (tmp_path / "answer.json").write_text(text)
    config = boat(tmp_path)
    with pytest.raises(RecordingError) as error:
        list(series_recording(tmp_path / "answer.json", config))
    assert told in str(error.value)
    assert "\n" not in str(error.value)


def test_an_answer_that_unpacks_without_end_is_not_read_to_its_end(tmp_path):
    path = tmp_path / "answer.json.gz"
    with gzip.open(path, "wb") as file:
        file.write(b'{"data":{"resultType":"matrix","result":[')
        for _ in range(MOST_BYTES // 1_000_000 + 1):
            file.write(b" " * 1_000_000)
    with pytest.raises(RecordingError, match="ask for a shorter range"):
        list(series_recording(path, boat(tmp_path)))


def test_values_from_a_bad_dream_are_refused_one_by_one(tmp_path):
    values = [[T0, "12.5"], [10**400, "1"], [True, "1"], [T0, 12], "x", [T0 + 10, "1e999"],
              [T0 + 20, "NaN"], [1e300, "1"], [T0 + 30, "\x1b[31m"], [T0 + 40, "12.6"]]  # fmt: skip
    labels = {"__name__": "charger.volts", "boat": "x"}
    text = json.dumps({"data": {"resultType": "matrix", "result": [
        {"metric": labels, "values": values}]}})  # fmt: skip
    (tmp_path / "answer.json").write_text(text)
    recording = series_recording(tmp_path / "answer.json", boat(tmp_path))
    (block,) = recording
    assert block.voltage_v.tolist() == [12.5, 12.6]
    assert recording.bad.total == 7  # NaN is how a gap is written


def test_a_damaged_parquet_file_is_one_line(tmp_path):
    path = write_parquet(tmp_path / "log.parquet", {"time": [1.0], "voltage_v": [12.0]})
    whole = path.read_bytes()
    config = boat(tmp_path, "")
    for cut in (whole[:20], whole[:-9] + b"\xff" * 9, b"PAR1" + b"\0" * 50 + b"PAR1"):
        path.write_bytes(cut)
        with pytest.raises(RecordingError, match="cannot be read") as error:
            list(series_recording(path, config))
        assert "\n" not in str(error.value)


def test_parquet_without_its_column_of_times_says_how_to_name_it(tmp_path):
    path = write_parquet(tmp_path / "log.parquet", {"when": [1.0], "voltage_v": [12.0]})
    with pytest.raises(
        RecordingError, match=r"write the name of the column of times as time into \[import\]"
    ):
        list(series_recording(path, boat(tmp_path, "")))


def test_without_pyarrow_one_line_says_what_to_install(tmp_path, monkeypatch):
    path = write_parquet(tmp_path / "log.parquet", {"time": [1.0], "voltage_v": [12.0]})
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"pip install 'ebbwatt\[parquet\]'"):
        list(series_recording(path, boat(tmp_path, "")))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[import]\njoin = 1\n", "join_s"),
        ("[import.fields]\nvoltage_v = 'a{b'\n", "accepted: a name"),
        ("[import.fields]\nvoltage_v = 'a{b=\"*\"}'\n", "in one label of state"),
        ("[import.fields]\nvolts = 'a'\n", "voltage_v"),
        ("[import.fields]\nutc_s = 'a'\n", "time_unit"),
        ("[import.fields]\nvoltage_v = { from = 'a', hold_s = 3 }\n", "live sources"),
        ("[import.states]\nRUN = 'runing'\n", "running"),
        ("import = 3\n" + CHARGER, "must be a section"),
    ],
)
def test_a_wrong_mapping_is_an_error_with_its_key(tmp_path, text, told):
    path = tmp_path / "ebbwatt.toml"
    path.write_text(text if CHARGER in text else CHARGER + text)
    with pytest.raises(ConfigError) as error:
        mapping(load_config(path))
    assert told in str(error.value)
