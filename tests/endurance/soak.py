"""Years on a board in minutes: everything that goes wrong there, against a truth that is known.

An invented boat lives; her readings go through the logger's own recorder, writer and clock keeper
into a real database, on a board whose power is cut, whose clock is wrong, whose disk fills up and
whose cable drops out, as a seeded schedule says. At the end the log must hold the energy and the
running hours of the truth, less what the cuts took, within 0.1 %.

``make soak``, or ``python -m tests.endurance.soak --days 1100 --seed 1``.
"""

from __future__ import annotations

import argparse
import logging
import random
import shutil
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from analysis.history.history import STATE_CODE, load_history
from logger.clock import ClockKeeper
from logger.config import load_config
from logger.durations import DAY_S, YEAR_S
from logger.reading import RUN_STATES, Reading
from logger.recorder import Recorder
from logger.refusals import Refusals
from logger.sources import open_source
from logger.store.events import list_events
from logger.store.reader import Reader
from logger.store.writer import Writer
from tests.support.rigs.board import Board

CONFIG = """\
[charger]
label = "Dabchick, aft locker"
rated_w = 110
fitted = 2024-05-01

[store]
path = "ebbwatt.db"

[log]
interval_s = 20
gap_s = 150

[source]
kind = "simulated"
speed = 0
seed = {seed}
rest_spacing_s = 60
"""
SPACING_S = 20.0

#: What may happen, how often a year, in the words of the table.
CUT = "power cut"
TORN = "power cut in the middle of a write"
KILL = "process killed"
RESTART = "process started again"
DROPOUT = "source silent, minutes to days"
RUBBISH = "values that cannot be true"
FULL = "disk full, up to a day"
STEP = "clock moved by up to a year"
YEARLY = {CUT: 60, TORN: 30, KILL: 20, RESTART: 10, DROPOUT: 80, RUBBISH: 60, FULL: 8, STEP: 30}
#: Consequences that the schedule does not name by themselves.
CUT_FULL = "power cut while the disk is full"
UNSET = "boot in 1970"
SAVED = "boot at a time saved before the cut"
NEVER = "boot that never learns the time"
KINDS = (*YEARLY, CUT_FULL, UNSET, SAVED, NEVER)


@dataclass
class Row:
    """One row of the table."""

    tried: int = 0
    survived: int = 0
    lost_s: float = 0.0
    lost_j: float = 0.0


@dataclass
class Outcome:
    """What happened, and what did not hold."""

    table: dict[str, Row] = field(default_factory=lambda: {kind: Row() for kind in KINDS})
    failures: list[str] = field(default_factory=list)
    energy_j: float = 0.0
    """True energy that no cut took."""
    running_s: float = 0.0
    logged_s: float = 0.0
    booted_s: dict[int, float] = field(default_factory=dict)
    """True start of the boot of each session whose boot learnt the time."""
    days: float = 0.0
    off: dict[str, float] = field(default_factory=dict)
    """How far the log is off the truth, as a fraction of it."""

    def check(self, what: str, ok: object, kind: str | None = None) -> None:
        """Note a failure; a fault whose check holds counts as survived."""
        if not ok:
            self.failures.append(what)
        elif kind is not None:
            self.table[kind].survived += 1


class Process:
    """The logger's parts as the daemon joins them, and the truth of what they were given."""

    def __init__(self, config, board):
        self.board = board
        self.refusals = Refusals()
        self.keeper = ClockKeeper(board)
        self.writer = Writer(config.store.path, config.charger, self.keeper.session("soak"))
        self.keeper.begin(self.writer)
        self.recorder = Recorder(config, self.writer, self.refusals, board.boottime_s)
        self.gap_s = config.log.gap_s
        self.full_until_s = 0.0
        self.was_full = False
        self.last = None
        self.truth = []
        """(end on the boot's clock, energy, length, whether running) between two readings."""

    def take(self, reading):
        given = replace(reading, time_s=self.board.boottime_s())
        before = self.last
        if before is not None and given.time_s - before.time_s <= self.gap_s:
            length_s = given.time_s - before.time_s
            powers = (before.voltage_v * before.current_a, given.voltage_v * given.current_a)
            running = before.state in RUN_STATES
            self.truth.append((given.time_s, sum(powers) / 2.0 * length_s, length_s, running))
        self.last = given
        self.recorder.take(given)

    def beat(self):
        """Do what the daemon does once a second."""
        if self.full_until_s and self.board.true_s >= self.full_until_s:
            self.give_room()
        self.recorder.tick()
        self.keeper.look(self.writer)

    def fill_disk(self, until_s):
        """Let the database grow no more: SQLite's own limit gives the error of a full disk."""
        connection = self.writer._connection
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")
        self.full_until_s, self.was_full = until_s, True

    def give_room(self):
        self.writer._connection.execute("PRAGMA max_page_count = 1073741823")
        self.full_until_s = 0.0

    def end(self):
        if self.full_until_s:
            self.give_room()
        self.recorder.finish()
        self.writer.close(self.writer.start.started_s if self.last is None else self.last.time_s)


class Soak:
    """One run; see the module."""

    def __init__(self, folder, days, seed):
        (folder / "ebbwatt.toml").write_text(CONFIG.format(seed=seed))
        self.config = load_config(folder / "ebbwatt.toml")
        self.path = self.config.store.path
        self.rng = random.Random(seed)
        self.days = days
        self.outcome = Outcome(days=days)
        voyage = open_source(self.config).voyage
        self.readings = voyage.readings(days=days)
        self.board = Board(true_s=voyage.time_s)
        self.due = {kind: voyage.time_s + self._wait_s(kind) for kind in YEARLY}
        self.off_until_s = 0.0
        self.silent_until_s = 0.0
        self.learns_s = 0.0
        self.process = None

    def _wait_s(self, kind):
        return self.rng.expovariate(YEARLY[kind] / YEAR_S)

    def run(self):
        for reading in self.readings:
            if reading.time_s < self.off_until_s:
                continue
            self.board.true_s = reading.time_s
            if self.process is None:
                self._start()
            self._learn()
            for kind in YEARLY:
                if self.process is not None and self.board.true_s >= self.due[kind]:
                    self.due[kind] = self.board.true_s + self._wait_s(kind)
                    self._happen(kind)
            if self.process is None:
                continue
            if reading.time_s >= self.silent_until_s:
                self.process.take(reading)
            self.process.beat()
        if self.process is not None:
            self.process.end()
            self._settle(None)
        judge(self.path, self.outcome)
        return self.outcome

    def _start(self):
        """Switch the board on, and start the logger."""
        table = self.outcome.table
        if self.off_until_s or not self.board.boots:
            if self.rng.random() < 0.5:
                self.board.boot(0.0)
                table[UNSET].tried += 1
            else:
                self.board.boot(0.0, self.board.wall_s() - self.rng.uniform(0.0, 3600.0))
                table[SAVED].tried += 1
            never = self.rng.random() < 0.3
            table[NEVER].tried += never
            wait_s = self.rng.expovariate(1.0 / 7200.0)
            self.learns_s = float("inf") if never else self.board.true_s + wait_s
            self.off_until_s = 0.0
        self.process = Process(self.config, self.board)
        if self.learnt:
            self.outcome.booted_s[self.process.writer.session] = self.board.booted_s

    @property
    def learnt(self):
        return self.board.true_s >= self.learns_s

    def _learn(self):
        if self.learnt and not self.board.sync and self.board.ahead_s:
            self.board.learn()
        if self.learnt:
            self.outcome.booted_s[self.process.writer.session] = self.board.booted_s

    def _happen(self, kind):
        row = self.outcome.table[kind]
        if kind in {CUT, TORN, KILL}:
            crash = CUT_FULL if kind != KILL and self.process.full_until_s else kind
            self.outcome.table[crash].tried += 1
            self._crash(crash)
            pause_s = 15.0 if kind == KILL else self.rng.expovariate(1.0 / (0.5 * DAY_S))
            if kind != KILL:
                self.off_until_s = self.board.true_s + 60.0 + pause_s
            return
        row.tried += 1
        if kind == RESTART:
            self.process.end()
            self._settle(kind)
        elif kind == DROPOUT:
            self.silent_until_s = self.board.true_s + 10.0 ** self.rng.uniform(1.5, 5.0)
        elif kind == RUBBISH:
            before = self.process.refusals.total
            for k in range(count := self.rng.randrange(1, 50)):
                late_s = self.board.boottime_s() - 1e-3 * (count - k)
                self.process.recorder.take(Reading(late_s, voltage_v=1350.0, current_a=-4e4))
            refused = self.process.refusals.total - before
            self.outcome.check(f"{refused} refused of {2 * count}", refused == 2 * count, kind)
        elif kind == FULL:
            self.process.fill_disk(self.board.true_s + self.rng.uniform(0.04, 1.0) * DAY_S)
        elif kind == STEP:
            self.board.sync = False
            self.board.ahead_s += self.rng.choice((-1.0, 1.0)) * 10.0 ** self.rng.uniform(0.1, 7.5)

    def _crash(self, kind):
        """Leave the files as they are at this instant, and go on with a copy of them."""
        there = Path(tempfile.mkdtemp(dir=self.path.parent))
        wal = self.path.with_name(self.path.name + "-wal")
        for file in (self.path, wal):
            if file.exists():
                shutil.copy(file, there)
        self.process.writer._mending.close()
        self.process.writer._connection.close()
        for file in self.path.parent.glob(self.path.name + "*"):
            file.unlink()
        for file in there.iterdir():
            file.rename(self.path.parent / file.name)
        there.rmdir()
        if kind == TORN and wal.exists():
            # Part of a transaction that never ended lies behind the last whole one.
            with wal.open("ab") as file:
                file.write(self.rng.randbytes(self.rng.randrange(1, 9000)))
        self._settle(kind)

    def _settle(self, kind):
        """After the end of a process: what of its truth must be in the file, and what is lost."""
        process, outcome = self.process, self.outcome
        self.process = None
        connection = sqlite3.connect(self.path)
        sound = connection.execute("PRAGMA quick_check").fetchone()[0] == "ok"
        end_ms = connection.execute(
            "SELECT max(start_ms + duration_ms) FROM intervals WHERE session = ?",
            (process.writer.session,),
        ).fetchone()[0]
        connection.close()
        committed_s = (end_ms or 0) / 1000.0
        lost = [pair for pair in process.truth if pair[0] > committed_s + 0.01]
        for _, energy_j, length_s, running in process.truth[: len(process.truth) - len(lost)]:
            outcome.energy_j += energy_j
            outcome.logged_s += length_s
            outcome.running_s += length_s * running
        if kind is None:
            outcome.check("the last process lost data at its end", not lost)
            return
        lost_s, running_s = sum(p[2] for p in lost), sum(p[2] for p in lost if p[3])
        row = outcome.table[kind]
        row.lost_s += lost_s
        row.lost_j += sum(p[1] for p in lost)
        if kind == RESTART:
            bearable = not lost
        elif (process.was_full and process.writer.must_commit) or kind == CUT_FULL:
            bearable = True  # it was told, and nowhere could it be kept
        else:
            store = self.config.store
            bearable = running_s <= store.commit_s + SPACING_S
            bearable &= lost_s <= store.commit_rest_s + 60.0 + SPACING_S
        where = f"{kind} on day {self.board.true_s / DAY_S:.1f}"
        outcome.check(f"{where}: the file is damaged", sound)
        outcome.check(f"{where}: {lost_s:.0f} s lost ({running_s:.0f} s running)", bearable, kind)


def judge(path, outcome):
    """Hold the whole log against the truth."""
    history = load_history(path)
    running = np.isin(history.state, [STATE_CODE[state] for state in RUN_STATES])
    for what, logged, true in (
        ("energy", history.energy_j.sum(), outcome.energy_j),
        ("running time", history.duration_s[running].sum(), outcome.running_s),
        ("logged time", history.duration_s.sum(), outcome.logged_s),
    ):
        off = outcome.off[what] = float(logged / true - 1.0)
        outcome.check(f"{what} is off by {off:+.3%}", abs(off) <= 1e-3)
    table = outcome.table
    in_order = bool((history.start_s[1:] >= history.end_s[:-1] - 2e-3).all())
    outcome.check("time runs backwards", in_order)
    outcome.check("boots are out of order", bool((np.diff(history.session) >= 0).all()))
    with Reader(path) as reader:
        clocks = reader.clocks()
    wrong = [
        (session, clocks[session].offset_ms / 1000.0 - booted_s)
        for session, booted_s in outcome.booted_s.items()
        if abs(clocks[session].offset_ms / 1000.0 - booted_s) > 2.0
    ]
    outcome.check(f"boots that learnt the time are dated wrongly: {wrong[:3]}", not wrong)
    counted = Counter(event.kind for event in list_events(path))
    cuts = sum(table[kind].tried for kind in (CUT, TORN, CUT_FULL))
    outcome.check(f"{counted['power_cut']} cuts counted of {cuts}", counted["power_cut"] == cuts)
    kills = table[KILL].tried
    outcome.check(f"{counted['logger_killed']} kills of {kills}", counted["logger_killed"] == kills)
    outcome.check("no report of refused data", bool(counted["refused"]) or not table[RUBBISH].tried)
    outcome.check("more full disks counted than tried", counted["store_full"] <= table[FULL].tried)
    dated = in_order and not wrong
    for kind in (UNSET, SAVED, NEVER, STEP, DROPOUT, FULL):
        table[kind].survived = table[kind].tried if dated and not outcome.failures else 0


def shown(outcome):
    """Return the table and the sums as text."""
    lines = [
        "| fault | tried | survived | lost, min | lost, Wh |",
        "| --- | --- | --- | --- | --- |",
    ]
    for kind, row in outcome.table.items():
        lost = (f"{row.lost_s / 60.0:.0f}", f"{row.lost_j / 3600.0:.1f}")
        lines.append(f"| {kind} | {row.tried} | {row.survived} | {lost[0]} | {lost[1]} |")
    hours, kwh = outcome.running_s / 3600.0, outcome.energy_j / 3.6e6
    lines.append(f"\n{outcome.days:.0f} days, {hours:.0f} running hours and {kwh:.2f} kWh not lost")
    lines += [f"{what} off by {1e6 * off:+.1f} ppm" for what, off in outcome.off.items()]
    lines += [f"FAILED: {failure}" for failure in outcome.failures]
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=1100.0)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    logging.disable(logging.WARNING)
    # On a memory file system where there is one: thousands of commits, no card to wear out.
    memory = Path("/dev/shm")
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        outcome = Soak(Path(folder), args.days, args.seed).run()
    print(shown(outcome))
    print(f"{time.monotonic() - began_s:.0f} s")
    return 1 if outcome.failures else 0


if __name__ == "__main__":
    sys.exit(main())
