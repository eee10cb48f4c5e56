"""``ebbwatt import`` of whatever: one clear line, a true status, memory within bounds."""

import contextlib
import gzip
import itertools
import json
import os
import random
import resource
import sqlite3
import subprocess
import sys
import time

import pytest

from analysis.cli import main
from analysis.history.history import load_history
from tests.conftest import unmeasured
from tests.support.bad_files import HEADER, T0, bad_files, objects, table
from tests.support.configurations import AFT_LOCKER

CONFIG = AFT_LOCKER
SEED = int(os.environ.get("EBBWATT_SEED", "0")) or random.SystemRandom().randrange(1, 10**9)
#: Share of the rows of the largest files; ``make soak`` sends all of them.
SHARE = float(os.environ.get("EBBWATT_ROWS", "0.25"))
#: Whatever comes: the aim of the project, bytes. A quarter of the rows took at most 142 MiB.
MOST_MEMORY = (300 if SHARE >= 1.0 else 180) * 1024 * 1024


@pytest.fixture
def boat(tmp_path, empty_store):
    (tmp_path / "ebbwatt.toml").write_text(CONFIG)
    (tmp_path / "ebbwatt.db").write_bytes(empty_store)
    return tmp_path


def rows_in(path):
    """Return how many intervals and how many lasting ones the database holds, read by SQLite."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        return db.execute(
            "SELECT count(*), coalesce(sum(duration_ms > 0), 0) FROM intervals"
        ).fetchone()


def test_no_file_ends_in_a_traceback_and_the_status_is_true(boat, empty_store, monkeypatch, capsys):
    monkeypatch.chdir(boat)
    count, good = 0, 0
    for name, content in bad_files(SEED):
        (boat / "ebbwatt.db").write_bytes(empty_store)
        (boat / name).write_bytes(content)
        status = main(["import", name])
        said = capsys.readouterr()
        told = f"seed {SEED}, {name}: {status}\n{said.out[:500]}\n{said.err[:500]}"
        held, lasting = rows_in(boat / "ebbwatt.db")
        # Of one or two readings nobody expects a sum; many that all stand alone are a lost season.
        assert status == (0 if lasting or held in (1, 2) else 1), told
        assert len(said.err.splitlines()) <= 1, told
        assert len(said.err) < 1_000, told
        assert status == 0 or "NOTHING USABLE" in said.out or said.err.startswith("ebbwatt: "), told
        if status and held:
            assert "stand" in said.out, told
        (boat / name).unlink()
        for left in boat.glob("ebbwatt.db-*"):
            left.unlink()
        count, good = count + 1, good + (status == 0)
    assert count >= 300
    assert 60 < good < count - 60, "the corpus has files of both sorts"


@pytest.mark.parametrize(
    ("name", "content"),
    {
        "utf-16.csv": table().encode("utf-16"),
        "utf-16-le.csv": table().encode("utf-16-le"),
        "utf-16-be.csv": table().encode("utf-16-be"),
        "utf-16.jsonl": objects().encode("utf-16"),
        "old-mac.csv": table().replace("\n", "\r").encode(),
        "mark.csv": b"\xef\xbb\xbf" + table().encode(),
        "mark.jsonl": b"\xef\xbb\xbf" + objects().encode(),
        "by-content": objects().encode(),
        "packed-by-content.csv": gzip.compress(table().encode()),
        "semicolons.csv": table(delimiter=";", decimal=",").encode(),
        "semicolons-points.csv": table(delimiter=";").encode(),
        "tabs.csv": table(delimiter="\t", decimal=",").encode(),
    }.items(),
)
def test_what_other_systems_write_is_recognised(boat, ebbwatt, name, content):
    (boat / name).write_bytes(content)
    done = ebbwatt("import", name, cwd=boat)
    assert f"{name}: 40 readings added" in done.stdout
    history = load_history(boat / "ebbwatt.db")
    assert history.start_s[0] == T0
    assert history.duration_s.sum() == 39.0
    assert history.charge_c.sum() == pytest.approx(8.0 * 39.0)
    if "jsonl" not in name and name != "by-content":
        # Trapezoids over the written volts, worked out here.
        volts = [13.0 + (k % 10) / 10 for k in range(40)]
        joules = sum(8.0 * (a + b) / 2 for a, b in itertools.pairwise(volts))
        assert history.energy_j.sum() == pytest.approx(joules)


def test_a_point_among_decimal_commas_is_no_guess(boat, ebbwatt):
    text = table(delimiter=";", decimal=",") + f"{T0 + 50};1.234;8,0;running;100\n"
    (boat / "a.csv").write_text(text)
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert "line 42: row refused: voltage_v '1.234' is not a number: the decimals" in done.stdout


@pytest.mark.parametrize(("unit", "factor"), [("milliseconds", 10**3), ("nanoseconds", 10**9)])
@pytest.mark.parametrize("quoted", [False, True], ids=["plain", "quoted"])
def test_times_in_other_units_are_recognised_and_named(boat, ebbwatt, unit, factor, quoted):
    mark = '"' if quoted else ""
    rows = "".join(f"{mark}{(T0 + k) * factor}{mark},13.5\n" for k in range(30))
    (boat / "a.csv").write_text("time,voltage_v\n" + rows + f"{T0 + 40},13.5\n")
    done = ebbwatt("import", "a.csv", cwd=boat)
    assert f"its times are numbers of {unit} and were taken as such" in done.stdout
    assert f"is in seconds, the rows before it are in {unit}" in done.stdout
    history = load_history(boat / "ebbwatt.db")
    assert (history.start_s[0], history.duration_s.sum()) == (T0, 29.0)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"PAR1\x15\x04", "a.csv: cannot be read: Parquet"),
        (b"SQLite format 3\0" + b"\0" * 100, "is not an Ebbwatt database"),
        (b"PK\x03\x04\x14\0", "is a ZIP archive or a spreadsheet; unpack it"),
        (gzip.compress(b"PAR1\x15\x04", mtime=0), "is a Parquet file"),
        (b"[" + objects().encode().replace(b"}\n{", b"},\n{") + b"]", "is one JSON list"),
        (bytes(range(256)) * 40, "is no text"),
        (b"time," + b"x" * 200_000, "longest_line_kb in [limits]"),
        (("time," + ",".join(map(str, range(5_000)))).encode(), "most_columns in [limits]"),
    ],
)
def test_what_is_no_recording_is_named(boat, ebbwatt, content, words):
    (boat / "a.csv").write_bytes(content)
    done = ebbwatt("import", "a.csv", cwd=boat, status=1)
    assert words in done.stderr
    assert len(done.stderr) < 400
    assert rows_in(boat / "ebbwatt.db") == (0, 0)


def test_limits_are_raised_by_the_keys_that_the_errors_name(boat, ebbwatt):
    wide = ["time,voltage_v," + ",".join(f"c{k}" for k in range(3_000))]
    wide += [f"{T0 + k},13.5" + ",1" * 3_000 for k in range(5)]
    (boat / "a.csv").write_text("\n".join(wide))
    (boat / "b.csv").write_text(f"time,voltage_v,note\n{T0 + 90},13.5,{'x' * 70_000}\n" * 1)
    (boat / "c.csv.gz").write_bytes(gzip.compress(table(80_000, begin=600).encode()))
    (boat / "d.csv").write_text(table(5, begin=200) + "x\n" * 30)
    assert "most_columns in [limits]" in ebbwatt("import", "a.csv", cwd=boat, status=1).stderr
    assert "longest_line_kb in [limits]" in ebbwatt("import", "b.csv", cwd=boat, status=1).stdout
    limits = "\n[limits]\nlargest_unpacked_mb = 1\nkept_refusals = 10\n"
    (boat / "ebbwatt.toml").write_text(CONFIG + limits)
    told = ebbwatt("import", "c.csv.gz", cwd=boat, status=1).stderr
    assert "largest_unpacked_mb in [limits]" in told
    told = ebbwatt("import", "--every-row", "d.csv", cwd=boat).stdout
    assert "and 20 more rows refused (kept_refusals in [limits])" in told
    limits = "\n[limits]\nlongest_line_kb = 100\nmost_columns = 4000\n"
    (boat / "ebbwatt.toml").write_text(CONFIG + limits)
    ebbwatt("import", "a.csv", "b.csv", "c.csv.gz", cwd=boat)
    assert load_history(boat / "ebbwatt.db").readings.sum() == 5 + 1 + 80_000 + 5


#: Runs a command and tells its peak, KiB. A process begins with the peak of the one that starts it,
#: getrusage(2), and that of the tests is large: so a small one stands between.
MEASURED = """
import resource, subprocess, sys
done = subprocess.run(sys.argv[1:], stderr=subprocess.STDOUT)
print("peak", resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss, flush=True)
sys.exit(done.returncode)
"""
LOT = 10_000
INTERVALS = int(1_200_000 * SHARE)
#: What grows in a large file: its lines, a lot at a time.
GROWING = {
    "refused rows": lambda: (
        "yesterday,12.5,8.0,running,100.0\n" * LOT for _ in range(int(200 * SHARE))
    ),
    "one long line": lambda: ("7" * 1_000_000 for _ in range(100)),
    # A reading a minute: each but the first closes an interval.
    "intervals": lambda: (
        "".join(f"{T0 - 10**8 + 60 * k},13,8,,\n" for k in range(begin, begin + LOT))
        for begin in range(0, INTERVALS, LOT)
    ),
    "an open quote": lambda: (
        f'{T0 + k},"13.5,8.0,running,100.0\n' * LOT for k in range(int(60 * SHARE))
    ),
    "state words": lambda: (
        "".join(f"{T0 + k},13,8,word {k},1\n" for k in range(begin, begin + LOT))
        for begin in range(0, int(400_000 * SHARE), LOT)
    ),
}


@pytest.mark.parametrize("kind", ["zeros", "keys", *GROWING])
@pytest.mark.timeout(900)
def test_memory_is_bounded_whatever_comes(boat, child_env, kind):
    path = boat / ("a.jsonl" if kind == "keys" else "a.csv.gz")
    if kind == "zeros":
        with gzip.open(path, "wb", 1) as file:
            for _ in range(400):
                file.write(b"\0" * 1_000_000)
    elif kind == "keys":
        with path.open("w") as file:
            for k in range(20_000):
                row = {"time": T0 + k, "voltage_v": 13.5} | {f"k{k}-{n}": n for n in range(20)}
                file.write(json.dumps(row) + "\n")
    else:
        with gzip.open(path, "wt", 1) as file:
            file.write(",".join(HEADER) + "\n")
            file.writelines(GROWING[kind]())
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, sys.executable, "-m", "analysis", "import", path.name],
        cwd=boat, env=unmeasured(child_env), capture_output=True, text=True, check=False,
    )  # fmt: skip
    said, _, most_kib = done.stdout.rpartition("peak ")
    assert "Traceback" not in said
    assert done.returncode in {0, 1}, said
    assert int(most_kib) * 1024 < MOST_MEMORY, (most_kib, said[:500])
    if kind == "intervals":
        assert f"{INTERVALS:,} readings added as {INTERVALS - 1:,} intervals" in said
        assert rows_in(boat / "ebbwatt.db")[0] == INTERVALS - 1
    if kind == "refused rows":
        sent = f"{int(2_000_000 * SHARE):,}"
        assert f"{sent} of {sent} rows were refused" in said
    print(f"{kind}: {int(most_kib) / 1024:.0f} MiB")


def test_a_wide_header_costs_no_more_than_its_length(boat, ebbwatt):
    header = "time," + ",".join(f"c{k}" for k in range(80_000))
    (boat / "a.csv").write_text(header + "\n" + f"{T0}" + "," * 80_000 + "\n")
    limits = "\n[limits]\nlongest_line_kb = 1000\nmost_columns = 100000\n"
    (boat / "ebbwatt.toml").write_text(CONFIG + limits)
    used = []
    for most in (1, 0):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        if not most:
            (boat / "a.csv").write_text("time,voltage_v\n")
        ebbwatt("import", "a.csv", cwd=boat, status=1, whole=True, measured=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used.append(after.ru_utime - before.ru_utime)
    # Quadratic it was 128 s; the time of the processor, so a busy machine does not matter.
    assert used[0] - used[1] < 10.0


def test_one_outlier_of_time_costs_its_own_row_only(boat, ebbwatt):
    lines = table(199).splitlines()
    for odd in ("9999-12-31T23:59:59Z", str(int(time.time()) + 10 * 86_400), "5"):
        (boat / "a.csv").write_text(
            "\n".join([*lines[:100], f"{odd},13,8,running,1", *lines[100:]])
        )
        told = json.loads(ebbwatt("import", "--json", "a.csv", cwd=boat).stdout)["files"][0]
        assert told["refused_rows"] == 1
        assert told["readings"] + told["known"] == 199
    assert load_history(boat / "ebbwatt.db").readings.sum() == 199
