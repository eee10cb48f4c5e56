"""A board without a battery-backed clock: its clocks follow a truth that the test knows."""

from dataclasses import dataclass, field

import numpy as np

from logger.clock import ClockKeeper
from logger.interval import Interval
from logger.reading import OperatingState
from logger.store.events import list_events
from logger.store.writer import Writer

START_S = 1_780_000_000.0  # in 2026


@dataclass
class Board:
    """Stands in for :class:`logger.clock.SystemClock`; ``true_s`` is what no board ever knows."""

    true_s: float = START_S
    booted_s: float = START_S
    ahead_s: float = 0.0
    """What the wall clock is ahead of the truth."""
    sync: bool = False
    boots: int = field(default=0)

    def boottime_s(self):
        return self.true_s - self.booted_s

    def wall_s(self):
        return self.true_s + self.ahead_s

    def boot_id(self):
        return f"boot-{self.boots}"

    def synchronised(self):
        return self.sync

    def boot(self, off_s=3600.0, wall_s=0.0):
        """Be switched off for a while, and start at ``wall_s`` (1970 if left out)."""
        self.true_s += off_s
        self.booted_s, self.sync = self.true_s - 20.0, False
        self.boots += 1
        self.ahead_s = wall_s - self.true_s

    def learn(self):
        """Synchronise."""
        self.ahead_s, self.sync = 0.0, True


class Logged:
    """One process that logs on a board: the daemon's own parts, a minute to an interval."""

    def __init__(self, path, charger, board):
        self.board = board
        self.keeper = ClockKeeper(board)
        self.writer = Writer(path, charger, self.keeper.session("test"))
        self.keeper.begin(self.writer)
        self.truth = []
        """(true start, duration) of each interval."""

    def log(self, minutes, step_s=60.0):
        for _ in range(minutes):
            self.truth.append((self.board.true_s, step_s))
            self.writer.add(interval(self.board.boottime_s(), step_s))
            self.board.true_s += step_s
            self.keeper.look(self.writer)

    def end(self):
        self.writer.close()
        return self.truth


def interval(start_s, duration_s):
    """Return a minute of running at 8 A and 13 V."""
    return Interval(
        start_s=start_s,
        duration_s=duration_s,
        state=OperatingState.RUNNING,
        readings=60,
        charge_c=8.0 * duration_s,
        energy_j=104.0 * duration_s,
        voltage_min_v=13.0,
        voltage_max_v=13.0,
        voltage_mean_v=13.0,
        voltage_last_v=13.0,
        runtime_h=None,
        temperature_c=None,
        battery_charge_c=None,
        fuel_l=None,
    )


def kinds(store):
    return [event.kind for event in list_events(store) if event.kind.startswith("clock")]


def assert_dated(history, truth, within_s=1.0):
    """Hold the log against what really happened."""
    assert history.duration_s.tolist() == [duration for _, duration in truth]
    assert np.abs(history.start_s - [start for start, _ in truth]).max() <= within_s


def assert_in_order(history):
    assert (history.start_s[1:] >= history.end_s[:-1] - 1e-6).all(), "time runs backwards"
