"""The clock of a board that may start in 1970: every date is mended, no duration ever moves."""

import ctypes
import platform
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from analysis.history.history import load_history
from logger import clock as clocks
from logger.clock import ASK_AGAIN_S, SystemClock
from logger.config import ChargerConfig
from logger.durations import DAY_S, YEAR_S
from logger.reading import Reading
from logger.store.events import list_events
from logger.store.placement import TRUE
from logger.store.reader import Reader
from tests.support.missing import unable
from tests.support.rigs.board import (
    START_S,
    Board,
    Logged,
    assert_dated,
    assert_in_order,
    kinds,
)

CHARGER = ChargerConfig("aft locker", 110.0)


def test_a_boot_that_starts_in_1970_is_dated_when_the_board_learns_the_time(store):
    board = Board()
    board.boot()
    logged = Logged(store, CHARGER, board)
    logged.log(5)
    logged.writer.commit()
    history = load_history(store)
    assert not history.clock_known.any()
    board.learn()
    logged.log(5)
    assert logged.keeper.corrections == 1
    truth = logged.end()
    history = load_history(store)
    assert history.clock_known.all()
    assert_dated(history, truth)
    assert kinds(store) == ["clock_unknown", "clock_correction"]
    correction = list_events(store)[-1]
    assert correction.amount == pytest.approx(board.booted_s + 20.0, abs=1.0)
    assert correction.text.startswith("56.4 years late")
    with Reader(store) as reader:
        assert reader.sessions(1)[0].offset_quality == TRUE


def test_a_jump_of_years_forward_is_followed_although_nobody_says_synchronised(store):
    board = Board()
    board.boot(wall_s=START_S - 3.0 * YEAR_S)  # a time restored from a file
    logged = Logged(store, CHARGER, board)
    logged.log(3)
    board.ahead_s = 0.0
    logged.log(3)
    truth = logged.end()
    assert_dated(load_history(store), truth)
    assert kinds(store) == ["clock_correction"]
    assert "3.0 years late; it was set" in list_events(store)[0].text


def test_small_steps_back_add_up_to_one_correction_and_time_never_runs_backwards(store):
    board = Board()
    board.boot()
    board.learn()
    board.ahead_s = 3.0
    logged = Logged(store, CHARGER, board)
    for _ in range(6):
        logged.log(1)
        board.ahead_s -= 0.4
    logged.log(2)
    truth = logged.end()
    history = load_history(store)
    assert_in_order(history)
    assert history.duration_s.tolist() == [60.0] * 8
    assert 1 <= kinds(store).count("clock_correction") <= 2
    assert np.abs(history.start_s - [start for start, _ in truth]).max() <= 1.0 + 0.6


def test_once_the_truth_is_known_a_leap_of_a_day_that_nobody_vouches_for_changes_nothing(store):
    board = Board()
    board.boot()
    board.learn()
    logged = Logged(store, CHARGER, board)
    logged.log(2)
    board.sync, board.ahead_s = False, DAY_S
    logged.log(2)
    board.ahead_s = -START_S
    logged.log(2)
    truth = logged.end()
    assert_dated(load_history(store), truth)
    assert kinds(store) == []


def test_a_leap_of_a_day_on_a_board_that_knows_no_better_is_followed_and_back_again(store):
    board = Board()
    board.boot(wall_s=START_S + 3600.0)
    logged = Logged(store, CHARGER, board)
    logged.log(2)
    for ahead_s in (DAY_S, 0.0):
        board.ahead_s = ahead_s
        logged.log(4)
    truth = logged.end()
    assert_dated(load_history(store), truth)
    assert kinds(store) == ["clock_correction", "clock_correction"]


def test_two_programs_that_fight_over_the_clock_do_not_wear_out_the_card(store):
    board = Board()
    board.boot()
    board.learn()
    logged = Logged(store, CHARGER, board)
    for minute in range(24 * 60):
        board.ahead_s = 30.0 * (minute % 2)
        logged.log(1)
    logged.end()
    assert kinds(store).count("clock_correction") <= 30, "a day of it"
    assert_in_order(load_history(store))


def test_a_correction_that_cannot_be_written_at_once_is_written_later_and_counted_once(
    store, monkeypatch
):
    monkeypatch.setattr("logger.store.files.BUSY_TIMEOUT_S", 0.05)
    board = Board()
    board.boot()
    logged = Logged(store, CHARGER, board)
    logged.log(1)
    logged.writer.commit()
    other = sqlite3.connect(store, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    board.learn()
    assert "corrected" in logged.keeper.look(logged.writer)
    assert logged.keeper.look(logged.writer) == "", "told once"
    assert not load_history(store).clock_known.any(), "the other program held it up"
    other.execute("COMMIT")
    other.close()
    logged.end()
    assert load_history(store).clock_known.all()
    assert kinds(store).count("clock_correction") == 1


def device_says(board, keeper, seconds, utc):
    for _ in range(seconds):
        board.true_s += 1.0
        keeper.hear(Reading(board.boottime_s(), voltage_v=13.0, utc_s=utc(board.true_s)))


def test_the_clock_of_the_device_serves_where_the_board_has_none(store):
    board = Board()
    board.boot()
    logged = Logged(store, CHARGER, board)
    logged.log(2)
    device_says(board, logged.keeper, 30, float)
    assert logged.keeper.look(logged.writer) == "", "not believed at once"
    device_says(board, logged.keeper, 40, lambda s: s // 1.0 - 0.5)
    assert "the device's clock says so" in logged.keeper.look(logged.writer)
    logged.log(2)
    assert logged.keeper.corrections == 1, "whole seconds are no steps"
    truth = logged.end()
    assert_dated(load_history(store), truth, within_s=3.0)


def test_a_device_clock_that_stands_still_or_was_never_set_is_not_believed(store):
    board = Board()
    board.boot()
    logged = Logged(store, CHARGER, board)
    device_says(board, logged.keeper, 600, lambda _: START_S)
    assert logged.keeper.look(logged.writer) == ""
    device_says(board, logged.keeper, 600, lambda s: None)
    assert logged.keeper.look(logged.writer) == ""
    logged.end()


def test_this_machine_can_be_asked():
    clock = SystemClock()
    assert clock.wall_s() == pytest.approx(time.time(), abs=2.0)
    # The return value of adjtimex(2): TIME_ERROR, 5, where the clock is not synchronised.
    state = ctypes.CDLL(None).adjtimex(ctypes.create_string_buffer(512))
    assert clock._kernel_says() is (0 <= state < 5)
    assert len(clock.boot_id()) == 36


def test_the_kernel_is_asked_again_after_a_minute_or_when_the_clock_was_set(monkeypatch, tmp_path):
    """To ask it at each renewal costs as much as a reading; the flag is looked at each time."""
    now = {"boot": 100.0, "wall": 1.7e9, "says": False}
    asked = []

    class Fake(SystemClock):
        def boottime_s(self):
            return now["boot"]

        def wall_s(self):
            return now["wall"]

        def _kernel_says(self):
            asked.append(now["boot"])
            return now["says"]

    def passes(seconds, step_s=0.0):
        now["boot"] += seconds
        now["wall"] += seconds + step_s
        return clock.synchronised()

    monkeypatch.setattr(clocks, "TIMESYNC_FLAG", tmp_path / "synchronized")
    clock = Fake()
    assert not passes(0.0)
    now["says"] = True
    assert not passes(ASK_AGAIN_S - 1.0)
    assert passes(1.0)
    assert asked == [100.0, 100.0 + ASK_AGAIN_S]
    now["says"] = False
    assert passes(1.0, step_s=0.01)  # the two clocks are not read at one instant
    assert not passes(1.0, step_s=-0.5)
    assert len(asked) == 3
    (tmp_path / "synchronized").touch()
    assert passes(1.0)
    assert len(asked) == 3


# What @system-service without @clock does (systemd.exec(5)): a filter in the kernel's own words,
# seccomp(2), that answers EPERM to adjtimex and clock_adjtime. Numbers: asm/unistd_64.h, and
# asm-generic/unistd.h for arm64.
FORBIDDEN = """\
import ctypes, platform, struct
numbers = {"x86_64": (159, 305), "aarch64": (171, 266)}[platform.machine()]
code = [(0x20, 0, 0, 0)]                                    # load the number of the call
for n in numbers:
    code += [(0x15, 0, 1, n), (0x06, 0, 0, 0x00050001)]     # if it is this one: EPERM
code += [(0x06, 0, 0, 0x7FFF0000)]                          # everything else is allowed
program = b"".join(struct.pack("HBBI", *c) for c in code)
buffer = ctypes.create_string_buffer(program)
class Filter(ctypes.Structure):
    _fields_ = [("n", ctypes.c_ushort), ("code", ctypes.c_void_p)]
f = Filter(len(code), ctypes.addressof(buffer))
libc = ctypes.CDLL(None, use_errno=True)
assert libc.prctl(38, 1, 0, 0, 0) == 0
assert libc.prctl(22, 2, ctypes.byref(f)) == 0
assert libc.adjtimex(ctypes.create_string_buffer(512)) == -1, "the filter does not work"
from pathlib import Path
import logger.clock as c
clock = c.SystemClock()
assert clock.synchronised() is c.TIMESYNC_FLAG.exists()
c.TIMESYNC_FLAG = Path("/proc/self/status")
print(clock.synchronised())
"""


def test_a_locked_down_service_learns_from_the_flag_file_what_it_may_not_ask(child_env):
    if platform.machine() not in {"x86_64", "aarch64"}:
        unable("the numbers of its system calls are not known here")
    done = subprocess.run(
        [sys.executable, "-c", FORBIDDEN],
        env=child_env,
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "True\n", "")
