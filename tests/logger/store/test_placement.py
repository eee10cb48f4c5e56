"""Boots without a date find their place among those that have one, whatever the clocks said."""

import itertools
import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history.history import load_history
from logger.clock import ClockKeeper
from logger.config import ChargerConfig
from logger.durations import DAY_S, YEAR_S
from logger.store.boots import Extent, find_extents
from logger.store.events import list_events
from logger.store.placement import BELIEVED, TRUE, UNKNOWN, Boot, place
from logger.store.reader import Reader
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.conftest import examples
from tests.support.rigs.board import (
    START_S,
    Board,
    Logged,
    assert_dated,
    assert_in_order,
    interval,
    kinds,
)

CHARGER = ChargerConfig("aft locker", 110.0)


def test_a_boot_that_never_learns_lies_between_two_that_do(store):
    board, truth = Board(), []
    for learns, off_s in ((True, 0.0), (False, 7200.0), (False, 7200.0), (True, 7200.0)):
        board.boot(off_s)
        if learns:
            board.learn()
        logged = Logged(store, CHARGER, board)
        logged.log(10)
        truth += logged.end()
    history = load_history(store)
    assert history.session.tolist() == [1] * 10 + [2] * 10 + [3] * 10 + [4] * 10
    assert history.clock_known.tolist() == [True] * 10 + [False] * 20 + [True] * 10
    assert_in_order(history)
    # Switched off for equally long each time, so evenly spread is even right.
    assert_dated(history, truth, within_s=2.0)


def test_a_boot_that_never_learns_at_the_end_follows_the_one_before(store):
    board = Board()
    board.boot()
    board.learn()
    first = Logged(store, CHARGER, board)
    first.log(10)
    first.end()
    board.boot(off_s=5.0 * DAY_S)
    second = Logged(store, CHARGER, board)
    second.log(10)
    second.end()
    history = load_history(store)
    assert_in_order(history)
    assert history.start_s[10] == pytest.approx(history.end_s[9], abs=30.0)
    assert history.clock_known.tolist() == [True] * 10 + [False] * 10
    unknown = next(event for event in list_events(store) if event.kind == "clock_unknown")
    assert history.end_s[9] - 30.0 <= unknown.time_s <= history.start_s[10] + 30.0


def test_a_boot_that_starts_before_the_end_of_the_last_is_moved_behind_it(store):
    board = Board()
    board.boot()
    board.learn()
    first = Logged(store, CHARGER, board)
    first.log(100)
    first.end()
    # The saved time is an hour old when the power is cut.
    board.boot(off_s=60.0, wall_s=board.true_s - 3600.0)
    second = Logged(store, CHARGER, board)
    second.log(10)
    second.end()
    history = load_history(store)
    assert_in_order(history)
    assert history.session.tolist() == [1] * 100 + [2] * 10
    assert not history.clock_known[100:].any()


def test_a_boot_far_in_the_future_does_not_drag_the_others_along(store):
    board, truth = Board(), []
    for error_s in (0.0, 12.0 * YEAR_S, 0.0, 0.0):
        board.boot(wall_s=board.true_s + 3600.0 + error_s)
        logged = Logged(store, CHARGER, board)
        logged.log(10)
        truth += logged.end()
    history = load_history(store)
    assert history.clock_known.tolist() == [True] * 10 + [False] * 10 + [True] * 20
    assert_in_order(history)
    assert_dated(history, truth, within_s=3600.0)


def test_a_process_started_again_before_the_board_learns_is_dated_with_the_rest(store):
    board = Board()
    board.boot()
    first = Logged(store, CHARGER, board)
    first.log(5)
    truth = first.end()
    board.true_s += 300.0
    second = Logged(store, CHARGER, board)
    second.log(5)
    board.learn()
    second.log(1)
    truth += second.end()
    assert_dated(load_history(store), truth)
    assert kinds(store).count("clock_correction") == 1


def test_a_process_started_again_after_the_board_learnt_keeps_what_is_known(store):
    board = Board()
    board.boot()
    first = Logged(store, CHARGER, board)
    board.learn()
    first.log(5)
    truth = first.end()
    # The network is gone, and somebody has set the clock wrongly meanwhile.
    board.true_s, board.sync, board.ahead_s = board.true_s + 300.0, False, -DAY_S
    second = Logged(store, CHARGER, board)
    second.log(5)
    truth += second.end()
    assert second.keeper.corrections == 0
    history = load_history(store)
    assert_dated(history, truth)
    assert history.clock_known.all()


def test_a_replacement_in_a_boot_without_a_date_is_still_the_newest_fitting(store):
    board = Board()
    board.boot()
    board.learn()
    old = Logged(store, CHARGER, board)
    old.log(2)
    old.end()
    board.boot()
    new = Logged(store, ChargerConfig("new", 130.0), board)
    new.log(2)
    new.writer.commit()
    assert load_history(store).fitting.label == "new"
    board.learn()
    new.log(1)
    truth = new.end()
    assert load_history(store).fitting.label == "new"
    assert_dated(load_history(store), truth)
    with closing(sqlite3.connect(store)) as db:
        began_ms = db.execute("SELECT started_ms FROM fittings WHERE label = 'new'").fetchone()[0]
    assert began_ms / 1000.0 == pytest.approx(truth[0][0], abs=1.0), "dated with its boot"


boots = st.lists(
    st.builds(
        lambda length, offset, quality: Boot(1000, 1000 + length, offset, quality),
        st.integers(0, 10**8),
        # Few values near each other make contradictions; the rest is anything, 1970 included.
        st.sampled_from([1_700_000_000_000 + k * 10**8 for k in range(6)])
        | st.integers(-(10**12), 3 * 10**12),
        st.sampled_from([UNKNOWN, BELIEVED, TRUE]),
    ),
    max_size=12,
)


@given(boots)
def test_whatever_the_clocks_say_boots_are_in_order_and_do_not_overlap(many):
    placed = place(many)
    spans = [
        (b.start_ms + p.offset_ms, b.end_ms + p.offset_ms)
        for b, p in zip(many, placed, strict=True)
    ]
    for (_, end_ms), (start_ms, _) in itertools.pairwise(spans):
        assert start_ms >= end_ms
    for boot, where in zip(many, placed, strict=True):
        if where.known:
            assert where.offset_ms == boot.offset_ms, "what is believed is left where it is"
            assert boot.quality > UNKNOWN


@given(boots)
def test_no_choice_of_clocks_that_agree_holds_more_true_ones(many):
    # Against trying every subset, which is the definition.
    many = many[:8]
    busy = np.concatenate([[0], np.cumsum([b.end_ms - b.start_ms for b in many])]).astype(int)
    u = [b.start_ms + b.offset_ms - int(busy[k]) for k, b in enumerate(many)]
    true = [k for k, b in enumerate(many) if b.quality == TRUE]
    most = 0
    for mask in range(1 << len(true)):
        chosen = [u[k] for bit, k in enumerate(true) if mask >> bit & 1]
        if chosen == sorted(chosen):
            most = max(most, len(chosen))
    kept = sum(p.known and b.quality == TRUE for p, b in zip(place(many), many, strict=True))
    assert kept == most


actions = st.one_of(
    st.tuples(st.just("log"), st.integers(1, 5)),
    st.tuples(st.just("boot"), st.floats(30.0, 1e7), st.sampled_from([0.0, -3600.0, 60.0, 3e8])),
    st.tuples(st.just("restart"), st.floats(1.0, 1e4)),
    st.tuples(st.just("step"), st.floats(-2e8, 2e8)),
    st.tuples(st.just("small step"), st.floats(-0.9, 0.9)),
    st.tuples(st.just("learn")),
    st.tuples(st.just("forget")),
)


@settings(max_examples=examples(80), deadline=None)
@given(st.lists(actions, min_size=1, max_size=25))
def test_any_sequence_of_boots_and_steps_keeps_order_and_durations(
    tmp_path_factory, empty_store, sequence
):
    path = tmp_path_factory.mktemp("any") / "ebbwatt.db"
    path.write_bytes(empty_store)
    board, truth = Board(), []
    board.boot()
    logged = Logged(path, CHARGER, board)
    logged.log(1)
    learnt = {}
    for name, *values in sequence:
        if name == "log":
            logged.log(values[0], 60.0)
        elif name in {"boot", "restart"}:
            truth += logged.end()
            if name == "restart":
                board.true_s += values[0]
            else:
                # In 1970, or at the time that was (nearly) saved, or in some future.
                saved_s = board.wall_s() + values[1] if values[1] else 0.0
                board.boot(values[0], max(saved_s, 0.0))
            logged = Logged(path, CHARGER, board)
        elif name.endswith("step"):
            board.ahead_s += values[0]
            board.sync = board.sync and name == "small step"
        elif name == "learn":
            board.learn()
            logged.log(1)
        else:
            board.sync = False
        learnt[board.boot_id()] = learnt.get(board.boot_id(), False) or name == "learn"
    truth += logged.end()
    history = load_history(path)
    assert_in_order(history)
    assert history.duration_s.tolist() == [duration for _, duration in truth]
    assert (np.diff(history.session) >= 0).all(), "order of writing"
    with Reader(path) as reader:
        boot_of = {s.id: s.boot_id for s in reader.sessions(1)}
    for session, start_s, (true_s, _) in zip(
        history.session.tolist(), history.start_s, truth, strict=True
    ):
        if learnt.get(boot_of[session]):
            assert abs(start_s - true_s) < 25.0 * 0.9 + 1.0


def test_old_logs_with_a_wrong_date_are_mended_as_well(store):
    # Written before corrections were made: 1970, called believed.
    for boot, offset_s in (("a", 1.7e9), ("b", 5.0), ("c", 1.7001e9)):
        with Writer(
            store, CHARGER, SessionStart("port", 100.0, boot, offset_s, BELIEVED)
        ) as writer:
            writer.add(interval(100.0, 60.0))
    history = load_history(store)
    assert history.session.tolist() == [1, 2, 3]
    assert history.clock_known.tolist() == [True, False, True]
    assert history.start_s[0] < history.start_s[1] < history.start_s[2]


def test_nothing_is_corrected_where_nothing_is_wrong(store):
    board = Board()
    board.boot(wall_s=START_S + 3600.0)
    logged = Logged(store, CHARGER, replace(board))
    logged.log(60)
    logged.end()
    assert kinds(store) == []
    assert ClockKeeper(board).belief.quality == BELIEVED


rows = st.lists(st.tuples(st.integers(1, 5), st.integers(1, 3), st.integers(1, 4)), max_size=30)


@settings(deadline=None)
@given(rows)
def test_what_sessions_cover_is_found_as_if_every_row_were_read(stretches):
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute(
            "CREATE TABLE intervals (id INTEGER PRIMARY KEY, session, start_ms, duration_ms)"
        )
        row = 0
        for session, count, step in stretches:
            for _ in range(count):
                row += step
                db.execute("INSERT INTO intervals VALUES (?, ?, ?, 7)", (row, session, row * 10))
        wanted = {
            number: Extent(*rest)
            for number, *rest in db.execute(
                "SELECT session, min(start_ms), max(start_ms) + 7, min(id) "
                "FROM intervals GROUP BY session"
            )
        }
        # Any order at all may come from merging, where every session is named as merged; else the
        # sessions follow one another.
        assert find_extents(db, set(wanted)).keys() == wanted.keys()
        if [s for s, _, _ in stretches] == sorted(s for s, _, _ in stretches):
            assert find_extents(db, set()) == wanted
