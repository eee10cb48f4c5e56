"""The plain ways that the benchmarks compare with, each run in a process of its own."""

import csv
import itertools
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

from tests.bench.boats import DAY_S, PLAIN_TABLE, day_of_readings, plain_rows
from tests.conftest import ROOT

_INSERT = "INSERT INTO log VALUES (?, ?, ?, ?, ?, ?)"


def executemany(recording, database):
    """Read a CSV file with the csv module into the plain table, in one transaction."""
    with Path(recording).open(newline="") as file, closing(sqlite3.connect(database)) as db, db:
        db.execute(PLAIN_TABLE)
        rows = csv.reader(file)
        next(rows)
        db.executemany(
            _INSERT,
            ((int(t), float(v), float(a), s, float(h), float(c)) for t, v, a, s, h, c in rows),
        )


def sqlite_utils(recording, database):
    """Insert a CSV file with sqlite-utils, in its own batches."""
    from sqlite_utils import Database

    db = Database(database)
    with Path(recording).open(newline="") as file:
        db.table("log").insert_all(
            (
                row | {name: float(row[name]) for name in row if name != "state"}
                for row in csv.DictReader(file)
            ),
            pk="time",
        )
    db.close()


def pandas(database):
    """Read every raw row in pieces, and group power by the minute."""
    import pandas as pd

    minutes = []
    with closing(sqlite3.connect(database)) as db:
        for piece in pd.read_sql("SELECT * FROM log", db, chunksize=500_000):
            piece["power_w"] = piece.volts * piece.amps
            running = piece[piece.state == "running"]
            minutes.append(running.groupby(running.t // 60)[["power_w", "volts"]].mean())
    whole = pd.concat(minutes)
    print(len(whole.groupby(level=0).mean()))


def commit_per_row(folder):
    """Write an hour of readings, each with a commit of its own, with SQLite as it comes."""
    with closing(sqlite3.connect(Path(folder) / "each.db")) as db:
        db.execute(PLAIN_TABLE)
        block = day_of_readings(0).select(slice(10 * 3600, 11 * 3600))
        for row in plain_rows(block):
            db.execute(_INSERT, row)
            db.commit()


def log_day(folder):
    """Record a day of readings as the daemon does; the recorder's clock goes with the readings."""
    from logger.config import load_config
    from logger.reading import OperatingState, Reading
    from logger.recorder import Recorder
    from logger.refusals import Refusals
    from logger.store.records import SessionStart
    from logger.store.writer import Writer

    config = load_config(Path(folder) / "ebbwatt.toml")
    block = day_of_readings(0)
    start = SessionStart("bench", float(block.time_s[0]), boot_id="bench")
    writer = Writer(config.store.path, config.charger, start)
    now_s = start.started_s
    recorder = Recorder(config, writer, Refusals(), lambda: now_s)
    for time_s, volts, amps, state, hours, heat in plain_rows(block):
        now_s = float(time_s)
        recorder.take(
            Reading(
                now_s,
                voltage_v=volts,
                current_a=amps,
                state=OperatingState(state),
                runtime_h=hours,
                temperature_c=heat,
            )
        )
        recorder.tick()
    recorder.finish()
    writer.close(float(block.time_s[0] + DAY_S))


def bytes_written(way, folder):
    """Return the bytes that a child process hands to files (``wchar`` of /proc/PID/io)."""
    code = (
        f"from tests.bench import plain; plain.{way}({str(folder)!r}); "
        "print(open('/proc/self/io').read())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    counters = dict(line.split(": ") for line in done.stdout.split("\n") if ": " in line)
    return int(counters["wchar"])


if __name__ == "__main__":
    ways = {f.__name__: f for f in (executemany, sqlite_utils, pandas)}
    ways[sys.argv[1]](*itertools.islice(sys.argv, 2, None))
