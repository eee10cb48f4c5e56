"""The benchmarks: ``make bench`` prints the table of RESULTS.md.

Ratios come from one run on one machine. Processor time (user and system, of the child process) is
what is compared, since other work on the machine stretches the clock. Each is a median of several.
"""

import argparse
import itertools
import json
import math
import os
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

from tests.bench import boats, plain
from tests.conftest import ROOT

_PYTHON = (sys.executable,)
_EBBWATT = (sys.executable, "-m", "analysis")


def run(*command, repeat=1, fresh=lambda: None):
    """Run a command in child processes; return medians: processor s, clock s, peak memory MiB."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    # An installed package has its bytecode.
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    seen = []
    for _ in range(repeat):
        fresh()
        began = time.perf_counter()
        child = subprocess.Popen(
            [str(word) for word in command], env=environment, stdout=subprocess.DEVNULL
        )
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode:
            raise SystemExit(f"{command}: ended with {child.returncode}")
        clock = time.perf_counter() - began
        seen.append((used.ru_utime + used.ru_stime, clock, used.ru_maxrss / 1024.0))
    return tuple(statistics.median(column) for column in zip(*seen, strict=True))


def row(what, ours, theirs, ratio):
    """Print one row of the table."""
    print(f"| {what} | {ours} | {theirs} | {ratio} |", flush=True)


def imports(folder, rows):
    """Import a recording of so many rows, against csv + executemany and against sqlite-utils."""
    recording, config = folder / "recording.csv", boats.configure(folder)
    days = -(-rows // boats.DAY_S)
    energy_j = 0.0
    with recording.open("w") as file:
        file.write("time,voltage_v,current_a,state,runtime_h,temperature_c\n")
        for day in range(days):
            block = boats.day_of_readings(day)
            energy_j += boats.energy_j(block)
            file.writelines(f"{t},{v},{a},{s},{h},{c}\n" for t, v, a, s, h, c in
                            boats.plain_rows(block))  # fmt: skip
    rows = days * boats.DAY_S
    table, utils = folder / "plain.db", folder / "utils.db"
    ours = run(
        *_EBBWATT, "import", recording, "--config", folder / "ebbwatt.toml",
        repeat=3, fresh=lambda: config.store.path.unlink(missing_ok=True),
    )  # fmt: skip
    theirs = run(
        *_PYTHON, "-m", "tests.bench.plain", "executemany", recording, table,
        repeat=3, fresh=lambda: table.unlink(missing_ok=True),
    )  # fmt: skip
    some = folder / "some.csv"
    with recording.open() as file, some.open("w") as part:
        part.writelines(line for line, _ in zip(file, range(rows // 10 + 1), strict=False))
    slow = run(*_PYTHON, "-m", "tests.bench.plain", "sqlite_utils", some, utils)
    what = f"import of {rows / 1e6:.1f} million readings, processor s"
    row(f"{what}, against csv + executemany", f"{ours[0]:.1f}", f"{theirs[0]:.1f}",
        f"{theirs[0] / ours[0]:.1f} times faster")  # fmt: skip
    row("the same, against sqlite-utils insert (a tenth, times ten)", f"{ours[0]:.1f}",
        f"{10 * slow[0]:.0f}", f"{10 * slow[0] / ours[0]:.0f} times faster")  # fmt: skip
    size, plain_size = config.store.path.stat().st_size, table.stat().st_size
    row("bytes on disk a reading, against the plain table", f"{size / rows:.2f}",
        f"{plain_size / rows:.1f}", f"1/{plain_size / size:.0f}")  # fmt: skip
    with closing(sqlite3.connect(config.store.path)) as db:
        stored_j = db.execute("SELECT sum(energy_mj) / 1000.0 FROM intervals").fetchone()[0]
    apart = abs(stored_j / energy_j - 1.0) * 1e6
    row("energy, kWh, against trapezoids over every reading", f"{stored_j / 3.6e6:.4f}",
        f"{energy_j / 3.6e6:.4f}", f"{apart:.1f} ppm apart")  # fmt: skip


def spacings(folder, rows=300_000):
    """Import readings 1, 60 and 300 s apart, quiet and noisy, against csv + executemany."""
    for spacing_s, noisy in itertools.product((1, 60, 300), (False, True)):
        here = folder / f"{spacing_s}-{noisy}"
        config, recording = boats.configure(here, spacing_s), here / "recording.csv"
        boats.spaced_readings(recording, spacing_s, rows, noisy=noisy)
        table = here / "plain.db"
        ours = run(
            *_EBBWATT, "import", recording, "--config", here / "ebbwatt.toml",
            repeat=3, fresh=lambda path=config.store.path: path.unlink(missing_ok=True),
        )  # fmt: skip
        theirs = run(
            *_PYTHON, "-m", "tests.bench.plain", "executemany", recording, table,
            repeat=3, fresh=lambda path=table: path.unlink(missing_ok=True),
        )  # fmt: skip
        with closing(sqlite3.connect(config.store.path)) as db:
            intervals = db.execute("SELECT count(*) FROM intervals").fetchone()[0]
        what = f"{rows:,} readings {spacing_s} s apart, {'noisy' if noisy else 'quiet'}"
        row(
            f"import of {what} ({intervals:,} intervals), processor s, against csv + executemany",
            f"{ours[0]:.2f}",
            f"{theirs[0]:.2f}",
            f"{ours[0] / theirs[0]:.2f} times as long",
        )


def wear(folder):
    """Write a day of readings as the daemon does, against one commit a row."""
    boats.configure(folder)
    ours = plain.bytes_written("log_day", folder)
    theirs = 24 * plain.bytes_written("commit_per_row", folder)
    row("MB written a day at 1 Hz, nine hours of it running, against a commit a row (an hour, "
        "times 24), counter of the process", f"{ours / 1e6:.1f}", f"{theirs / 1e6:.0f}",
        f"1/{theirs / ours:.0f}")  # fmt: skip


def raw_year(folder, days):
    """Report on the log of so many days, against pandas reading and grouping their raw rows."""
    config, table = boats.configure(folder), folder / "plain.db"
    boats.year_of_readings(config, table, days)
    arguments = ("report", "--json", folder / "a.json", "--config", folder / "ebbwatt.toml")
    ours = run(*_EBBWATT, *arguments, repeat=5)
    theirs = run(*_PYTHON, "-m", "tests.bench.plain", "pandas", table)
    floor = run(*_PYTHON, "-c", "import numpy, scipy.linalg, scipy.special", repeat=5)
    row(f"`report --json` over {days} days at 1 Hz, processor s, against pandas reading their raw "
        f"rows in pieces and grouping them by the minute ({theirs[2]:.0f} MiB)", f"{ours[0]:.2f}",
        f"{theirs[0]:.1f}", f"{theirs[0] / ours[0]:.0f} times faster")  # fmt: skip
    row("of which importing numpy and scipy alone", f"{floor[0]:.2f}", f"{theirs[0]:.1f}",
        f"{theirs[0] / floor[0]:.0f} times faster")  # fmt: skip


def years(folder, *, busy):
    """Report on 1, 2, 5 and 10 years of the simulated boat."""
    whole = boats.ten_years(folder / "whole", busy=busy)
    print(f"\n{'Busy' if busy else 'Usual'} boat:\n")
    print("| years | running h | intervals | processor s | clock s | peak MiB | µs an interval |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for count in (1, 2, 5, 10):
        here = folder / f"{count}"
        config = boats.first_years(whole, here, count)
        with closing(sqlite3.connect(config.store.path)) as db:
            rows, hours = db.execute(
                "SELECT count(*), max(runtime_s) / 3600.0 FROM intervals"
            ).fetchone()
        arguments = ("report", "--json", here / "a.json", "--config", here / "ebbwatt.toml")
        cpu, clock, memory = run(*_EBBWATT, *arguments, repeat=3)
        told_h = json.loads((here / "a.json").read_text())["observed"]["running_hours"]
        if not math.isclose(told_h, hours, rel_tol=0.01):
            raise SystemExit(f"the report is of {told_h:,.0f} h, the log holds {hours:,.0f} h")
        print(f"| {count} | {hours:,.0f} | {rows:,} | {cpu:.2f} | {clock:.2f} | {memory:.0f} | "
              f"{cpu / rows * 1e6:.2f} |", flush=True)  # fmt: skip


def main():
    """Run all, or the parts named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parts = ("start", "import", "spacing", "wear", "raw", "usual", "busy")
    parser.add_argument("parts", nargs="*", help=f"out of {', '.join(parts)}; all if left out")
    parser.add_argument("--rows", type=int, default=5_000_000, help="readings to import")
    parser.add_argument("--days", type=int, default=365, help="days of raw rows for pandas")
    parser.add_argument("--keep", type=Path, help="folder that keeps the simulated boats")
    args = parser.parse_args()
    chosen = set(args.parts or parts)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    print("| what | Ebbwatt | the plain way | ratio |\n| --- | --- | --- | --- |", flush=True)
    with tempfile.TemporaryDirectory() as name:
        folder, kept = Path(name), args.keep or Path(name)
        if "start" in chosen:
            ours = run(*_EBBWATT, "--help", repeat=9)
            bare = run(*_PYTHON, "-c", "pass", repeat=9)
            row("`ebbwatt --help`, clock s, against Python alone", f"{ours[1]:.3f}",
                f"{bare[1]:.3f}", f"{ours[1] / bare[1]:.1f} times")  # fmt: skip
        if "import" in chosen:
            imports(folder / "import", args.rows)
        if "spacing" in chosen:
            spacings(folder / "spacing")
        if "wear" in chosen:
            wear(folder / "wear")
        if "raw" in chosen:
            raw_year(folder / "raw", args.days)
        if "usual" in chosen:
            years(kept / "usual", busy=False)
        if "busy" in chosen:
            years(kept / "busy", busy=True)


if __name__ == "__main__":
    main()
