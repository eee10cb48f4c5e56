"""Packed blocks are an index over the rows: whatever happens, both say the same."""

import random
import sqlite3
import zlib
from contextlib import closing

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.history.columns import load_columns, unpack_column
from analysis.history.history import load_history
from analysis.transfer.merge import merge
from logger.config import ChargerConfig
from logger.interval import Interval
from logger.reading import OperatingState
from logger.store import blocks
from logger.store.blocks import pack, pack_column
from logger.store.reader import COLUMNS, Reader
from logger.store.records import SessionStart, write_import
from logger.store.writer import Writer
from tests.conftest import examples

CHARGER = ChargerConfig("aft locker", 110.0)
OTHER = ChargerConfig("fore peak", 110.0)


@pytest.fixture
def store(store, monkeypatch):
    """Return an empty database whose blocks are of eight rows."""
    monkeypatch.setattr(blocks, "BLOCK_ROWS", 8)
    return store


def stored_row(k, rng):
    """Return a stored row without its session; some values are absent."""
    start_ms = 1_600_000_000_000 + 60_000 * k
    values = [rng.choice((None, rng.randint(-(10**6), 10**6))) for _ in range(10)]
    return (start_ms, 60_000, rng.randrange(8), 60, *values)


def write(path, rows, charger=CHARGER, seed=1):
    rng = random.Random(seed)
    start = SessionStart("test", 1.6e9)
    return write_import(path, charger, start, [stored_row(k, rng) for k in rows])


def columns(path, fitting=1, first_id=0):
    with Reader(path) as reader:
        return load_columns(reader, fitting, COLUMNS, first_id)


def by_rows(path, fitting=1, first_id=0):
    """Return the same columns without any block, read by plain SQL."""
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute(
            f"SELECT {', '.join(f'intervals.{name}' for name in COLUMNS)} FROM intervals "
            "JOIN sessions ON sessions.id = session WHERE fitting = ? AND intervals.id >= ? "
            "ORDER BY intervals.id",
            (fitting, first_id),
        ).fetchall()
    return dict(zip(COLUMNS, np.array(rows, dtype=float).reshape(-1, len(COLUMNS)).T, strict=True))


def assert_same(path, fitting=1, first_id=0):
    expected, found = by_rows(path, fitting, first_id), columns(path, fitting, first_id)
    for name in COLUMNS:
        np.testing.assert_array_equal(found[name], expected[name], err_msg=name)
    return len(found["start_ms"])


def count_blocks(path):
    with Reader(path) as reader:
        return len(reader.blocks())


wild = st.none() | st.integers(-(2**61), 2**61) | st.integers(-300, 300)


@given(st.lists(wild, min_size=1, max_size=40))
def test_a_packed_column_comes_back_exactly(values):
    blob = pack_column(values)
    if blob is None:
        assert all(value is None for value in values)
        return
    whole = unpack_column(blob, len(values))
    assert [None if np.isnan(v) else v for v in whole.tolist()] == [
        None if v is None else float(v) for v in values
    ]


@pytest.mark.parametrize(
    ("steps", "width"), [(127, 1), (128, 2), (-129, 2), (2**15, 4), (2**31, 8), (-(2**31) - 1, 8)]
)
def test_a_column_is_as_wide_as_its_largest_difference(steps, width):
    raw = zlib.decompress(pack_column([5, 5 + steps, 5]))
    assert len(raw) == 16 + 2 * width
    assert int.from_bytes(raw[16 : 16 + width], "little", signed=True) == steps


def test_blocks_hold_what_the_rows_hold_for_every_fitting(store):
    write(store, range(30))
    write(store, range(30, 50), OTHER, seed=2)
    write(store, range(50, 61), seed=3)
    assert count_blocks(store) == 7
    assert assert_same(store, 1) == 41
    assert assert_same(store, 2) == 20
    for first_id in (1, 8, 9, 20, 60, 61, 62, 2**62):
        assert_same(store, 1, first_id)
        assert_same(store, 2, first_id)


def test_what_is_packed_is_really_read_from_the_blocks(store):
    """Else every other test here would pass without any block."""
    write(store, range(16))
    with closing(sqlite3.connect(store)) as db, db:
        db.execute(
            "UPDATE blocks SET voltage_mean_mv = ? WHERE last_id = 8", (pack_column([7] * 8),)
        )
    assert columns(store)["voltage_mean_mv"][:8].tolist() == [7.0] * 8


def test_the_daemon_packs_as_it_goes(store):
    begin_s = 1_700_000_000.0
    with Writer(store, CHARGER, SessionStart("test", begin_s)) as writer:
        for k in range(20):
            writer.add(
                Interval(begin_s + 60.0 * k, 60.0, OperatingState.RUNNING, 60, 480.0, 6300.0, 13.1,
                         13.2, 13.15, 13.2, k / 60.0, None, None, None)
            )  # fmt: skip
            writer.commit()
    assert count_blocks(store) == 2
    assert assert_same(store) == 20
    history = load_history(store)
    assert history.runtime_h.tolist() == pytest.approx([k / 60.0 for k in range(20)], abs=2e-4)
    assert np.isnan(history.fuel_l).all()


@settings(deadline=None, max_examples=examples(40))
@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                (
                    "UPDATE intervals SET charge_mc = 77 WHERE id = ?",
                    "UPDATE OR IGNORE intervals SET id = id + 1000 WHERE id = ?",
                    "UPDATE OR IGNORE intervals SET id = id - 9 WHERE id = ?",
                    "DELETE FROM intervals WHERE id = ?",
                    "DELETE FROM intervals WHERE id > ?",
                    "INSERT OR IGNORE INTO intervals (id, session, start_ms) VALUES (?, 1, 5)",
                    "INSERT OR REPLACE INTO intervals (id, session, start_ms) VALUES (?, 1, 5)",
                    "UPDATE sessions SET fitting = 2 WHERE id = 1 AND ? > 20",
                )
            ),
            st.integers(1, 45),
        ),
        max_size=6,
    )
)
def test_a_block_never_outlives_a_change_of_its_rows(tmp_path_factory, empty_store, changes):
    path = tmp_path_factory.mktemp("change") / "ebbwatt.db"
    path.write_bytes(empty_store)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "BLOCK_ROWS", 8)
        write(path, range(20))
        write(path, range(20, 40))
        for statement, number in changes:
            with closing(sqlite3.connect(path)) as db, db:
                db.execute(statement, (number,))
            assert_same(path)
            write(path, range(100, 103))
            assert_same(path)


def test_a_daemon_catches_up_by_as_many_blocks_as_it_is_told(store):
    write(store, range(44))
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("DELETE FROM blocks")
        assert [pack(db, most) for most in (0, 1, 2, None, None)] == [0, 1, 2, 2, 0]
    assert assert_same(store) == 44


def test_a_block_gives_its_rows_with_their_numbers(store):
    write(store, range(24))
    with closing(sqlite3.connect(store)) as db, db:
        rows = list(blocks.rows_of(db, 16))
        names = ", ".join(COLUMNS)
        stored = db.execute(f"SELECT id, {names} FROM intervals WHERE id BETWEEN 9 AND 16")
        assert [(number, *values) for number, values in rows] == stored.fetchall()
        # A block whose numbers have a gap, or that only marks a stretch, gives none.
        db.execute("UPDATE blocks SET first_id = 8 WHERE last_id = 16")
        db.execute("UPDATE blocks SET rows = 0 WHERE last_id = 24")
        assert list(blocks.rows_of(db, 16)) == list(blocks.rows_of(db, 24)) == []


def test_a_column_of_one_row_comes_back_and_one_of_another_length_is_refused():
    assert blocks.unpack_column(pack_column([7]), 1) == [7]
    assert blocks.unpack_column(None, 3) == [None] * 3
    for count in (1, 4):
        with pytest.raises(ValueError, match="packed column"):
            blocks.unpack_column(pack_column([1, 2, 3]), count)


def test_values_that_no_column_of_ours_can_hold_are_left_to_the_rows(store):
    write(store, range(20))
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("DELETE FROM blocks")
        db.execute("UPDATE intervals SET energy_mj = 1.5 WHERE id = 3")
        db.execute("UPDATE intervals SET energy_mj = -9223372036854775808 WHERE id = 12")
        assert pack(db) == 2
        assert db.execute("SELECT rows FROM blocks ORDER BY last_id").fetchall() == [(0,), (0,)]
    assert assert_same(store) == 20


@pytest.mark.parametrize("damage", [b"", b"no zlib", pack_column([1, 2, 3])])
def test_a_damaged_block_is_read_from_its_rows(store, damage):
    write(store, range(20))
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("UPDATE blocks SET energy_mj = ? WHERE last_id = 16", (damage,))
    assert assert_same(store) == 20


def test_a_database_without_blocks_is_read_all_the_same(store):
    write(store, range(20))
    with closing(sqlite3.connect(store)) as db, db:
        for name in ("insert", "update", "moved", "delete"):
            db.execute(f"DROP TRIGGER blocks_{name}")
        db.execute("DROP TABLE blocks")
        db.execute("PRAGMA user_version = 1")
    assert assert_same(store) == 20


def test_a_merged_log_is_packed_as_well(store, tmp_path, empty_store):
    other = tmp_path / "other.db"
    other.write_bytes(empty_store)
    write(other, range(30))
    write(store, range(10, 20), seed=5)
    merge(store, other)
    assert count_blocks(store) == 3
    assert assert_same(store) == 30


@pytest.mark.parametrize("bits", [7, 15, 31, 63])
@pytest.mark.parametrize("shuffled", [False, True])
def test_differences_of_every_width_come_back(bits, shuffled):
    # On both sides of what fits into 1, 2, 4 and 8 bytes.
    for step in (2 ** (bits - 1), 2**bits - 2):
        values = [5, 5 + step, None, 5] if bits < 63 else [-(step // 2), step // 2, 0]
        packed = pack_column(values, shuffled=shuffled)
        assert blocks.unpack_column(packed, len(values), shuffled=shuffled) == values


def test_an_import_that_fails_leaves_the_trigger_as_it_was(store):
    write(store, range(20))

    def broken():
        yield stored_row(20, random.Random(1))
        raise RuntimeError("the recording ends in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        write_import(store, CHARGER, SessionStart("test", 1.6e9), broken())
    assert count_blocks(store) == 2
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("INSERT OR REPLACE INTO intervals (id, session, start_ms) VALUES (3, 1, 5)")
    assert count_blocks(store) == 1
    assert_same(store)


def test_rows_that_fall_among_packed_ones_drop_their_blocks(store):
    # After the highest number SQLite draws numbers at random, here below the last packed one.
    write(store, range(20))
    with closing(sqlite3.connect(store)) as db, db:
        highest = (2**63 - 1,)
        db.execute("UPDATE intervals SET id = ? WHERE id = 20", highest)
        db.execute("UPDATE intervals SET id = ? - id WHERE id BETWEEN 9 AND 16", highest)
        pack(db)
    assert count_blocks(store) == 2
    write(store, range(100, 103))
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("DELETE FROM intervals WHERE id = ?", highest)
    assert assert_same(store) == 22
