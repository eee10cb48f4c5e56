"""``python -m tests.bench.fleet``: what a fleet costs; the figures stand in RESULTS.md.

Each part runs in a process of its own, so that its peak memory is its own.
"""

import argparse
import contextlib
import ctypes
import hashlib
import json
import multiprocessing
import os
import resource
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import numpy as np

from analysis.fleet import demo, folder
from analysis.fleet.boat import assess_boat
from analysis.fleet.folder import Fleet
from analysis.fleet.intake import take
from tests.bench import boats
from tests.support.boats.fleets import assess_fleet

#: prctl(2): children of children that have ended are this process's own.
PR_SET_CHILD_SUBREAPER = 36
UNTIL = "2025-09-08"
NOW_S = 1_757_376_000.0


def spent():
    """Return processor seconds of this process and its ended children."""
    used = [resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def peak_mib(who=resource.RUSAGE_SELF):
    return resource.getrusage(who).ru_maxrss / 1024.0


def _apart(part, sent, *arguments):
    began, clock = spent(), time.perf_counter()
    told = part(*arguments)
    sent.send((told, spent() - began, time.perf_counter() - clock, peak_mib()))


def apart(part, *arguments):
    """Run a part in a process of its own; print what it cost and return what it returned."""
    context = multiprocessing.get_context("spawn")
    mine, sent = context.Pipe(duplex=False)
    child = context.Process(target=_apart, args=(part, sent, *arguments))
    child.start()
    told, processor_s, clock_s, mib = mine.recv()
    child.join()
    print(
        f"| {part.__doc__.strip()} {told} | {processor_s:.1f} | {clock_s:.1f} | {mib:.0f} |",
        flush=True,
    )


def new_fleet(home, boats):
    """Let some boats of the demonstration live, and take them in."""
    from datetime import date

    demo.make_folder(home)
    for task in demo.tasks(home, date.fromisoformat(UNTIL))[:boats]:
        demo.live(task)
    fleet = Fleet(home / "fleet", make=True)
    assert all(t.outcome == "taken" for t in take(fleet, sorted((home / "incoming").glob("*.db"))))
    return fleet


def long_log(home):
    """Let one boat live for 26 months, logged each minute, and take her in."""
    database = boats.ten_years(home / "lives", busy=False, days=791.0)
    fleet = Fleet(home / "fleet", make=True)
    assert all(t.outcome == "taken" for t in take(fleet, [database], home / "lives/ebbwatt.toml"))
    return fleet


def again(fleet):
    """Forget what was made of the boats."""
    for boat in fleet.boats():
        (boat / folder.RESULT).unlink(missing_ok=True)


def long_ones(path):
    """A log of 26 months assessed five times:"""
    (name,) = Fleet(path).boats()
    for _ in range(5):
        again(Fleet(path))
        assess_boat(str(name))
    with closing(sqlite3.connect(name / folder.LOG)) as db:
        return f"{db.execute('SELECT count(*) FROM intervals').fetchone()[0]:,} intervals"


def serial(path):
    """Boats assessed one after the other:"""
    fleet = Fleet(path)
    again(fleet)
    names = [str(boat) for boat in fleet.boats()]
    for name in names:
        assess_boat(name)
    return len(names)


def pool(path):
    """The same by the command with two workers (peak of the largest process behind the bar):"""
    fleet = Fleet(path)
    again(fleet)
    command_cost(path, 2)
    return f"{len(fleet.boats())}, {peak_mib(resource.RUSAGE_CHILDREN):.0f} MiB"


def command_cost(fleet, workers):
    """Run the whole command; return seconds by the clock and of the processor, of all processes."""
    ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    before, clock = spent(), time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "analysis", "fleet", "report", fleet, "--workers", str(workers)],
        stdout=subprocess.DEVNULL, check=True,
    )  # fmt: skip
    took = time.perf_counter() - clock
    with contextlib.suppress(ChildProcessError):
        while True:  # those that the command started, and that end after it
            os.wait()
    return took, spent() - before


def pairs(source, home, sizes, rounds):
    """Print what the command takes without workers and with two, in turn, for fleets of sizes."""
    boats = Fleet(source).boats()
    print("| boats | workers | clock s, each round | processor s, each round |")
    print("| --- | --- | --- | --- |")
    for size in sizes:
        for k in range(size):
            name = hashlib.sha256(str(k).encode()).hexdigest()[:16]
            boat = home / str(size) / "boats" / name[:2] / f"{name}-1"
            boat.mkdir(parents=True)
            shutil.copy2(boats[k % len(boats)] / folder.LOG, boat)
        found = {0: [], 2: []}
        for _ in range(rounds):
            for workers, costs in found.items():
                again(Fleet(home / str(size)))
                costs.append(command_cost(home / str(size), workers))
        for workers, costs in found.items():
            clocks, processors = (
                ", ".join(f"{c:.2f}" for c in part) for part in zip(*costs, strict=True)
            )
            print(f"| {size} | {workers} | {clocks} | {processors} |", flush=True)


def many(source, home, count, *, sketches):
    """Make a fleet of so many boats out of the results of a few."""
    kept = [json.loads((b / folder.RESULT).read_text()) for b in Fleet(source).boats()]
    (home / "boats").mkdir(parents=True)
    for k in range(count):
        name = hashlib.sha256(str(k).encode()).hexdigest()[:16]
        boat = home / "boats" / name[:2] / f"{name}-1"
        boat.mkdir(parents=True)
        result = kept[k % len(kept)]
        if not sketches:
            (boat / folder.DOCUMENT).write_text(json.dumps(result["document"]))
            continue
        moved = result["sketch"]
        if moved is not None:
            scale = float(np.random.default_rng(k).lognormal(0.0, 0.1))
            moved = moved | {"loss": [v * scale for v in moved["loss"]]}
        (boat / folder.RESULT).write_text(json.dumps(result | {"sketch": moved}))


def unchanged(path):
    """An unchanged fleet, documents alone:"""
    listed = assess_fleet(Fleet(path), NOW_S, 0, 90)
    assert listed.assessed == 0
    return len(listed.boats)


def reduced(path):
    """Sketches of a fleet reduced to priors, outlooks and demand:"""
    listed = assess_fleet(Fleet(path), NOW_S, 0, 90)
    assert listed.assessed == 0
    return len(listed.boats)


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boats", type=int, default=24, help="that live and are assessed")
    parser.add_argument("--many", type=int, default=10_000, help="documents")
    parser.add_argument("--sketches", type=int, default=10_000, help="sketches")
    parser.add_argument("--pairs", type=int, nargs="*", default=[1, 3, 12, 24, 100], help="boats")
    parser.add_argument("--rounds", type=int, default=3, help="of each pair")
    args = parser.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    with tempfile.TemporaryDirectory() as folder_name:
        home = Path(folder_name)
        fleet = new_fleet(home / "demo", args.boats).path
        print("| what | processor s | clock s | peak MiB |\n| --- | --- | --- | --- |")
        apart(long_ones, long_log(home / "long").path)
        apart(serial, fleet)
        apart(pool, fleet)
        pairs(fleet, home / "pairs", args.pairs, args.rounds)
        many(fleet, home / "documents", args.many, sketches=False)
        apart(unchanged, home / "documents")
        many(fleet, home / "sketches", args.sketches, sketches=True)
        apart(reduced, home / "sketches")


if __name__ == "__main__":
    main()
