"""An import writes the rows and blocks that the daemon's own code makes of them, to the byte."""

import random
import sqlite3
from contextlib import closing

import pytest

from analysis.transfer.packing import packing_of
from analysis.transfer.spool import Spool, rows_of, table_of
from logger.config import ChargerConfig
from logger.store import blocks
from logger.store.records import ROW_WIDTH, ROWS_TOGETHER, SessionStart, write_import

CHARGER = ChargerConfig("aft locker", 110.0)
START = SessionStart("test", 1.6e9)


def rows(count, seed, largest=10**6):
    """Rows with absent values in some columns, and columns that are absent for a while."""
    rng = random.Random(seed)
    made = []
    for k in range(count):
        row = [rng.randint(-largest, largest) for _ in range(ROW_WIDTH)]
        row[0] = 1_600_000_000_000 + 60_000 * k
        row[5] = rng.choice((None, row[5]))
        row[12] = None
        row[13] = row[13] if k > count // 2 else None
        made.append(tuple(row))
    return made


def stored(path):
    with closing(sqlite3.connect(path)) as db:
        return [
            db.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()
            for table in ("intervals", "blocks", "sessions")
        ]


@pytest.mark.parametrize("largest", [10**6, 2**60])
@pytest.mark.parametrize("before", [0, 5, 13])
def test_rows_from_a_spool_are_stored_and_packed_as_those_one_by_one(
    tmp_path, empty_store, monkeypatch, before, largest
):
    monkeypatch.setattr(blocks, "BLOCK_ROWS", 8)
    one, other = tmp_path / "one.db", tmp_path / "other.db"
    for path in (one, other):
        path.write_bytes(empty_store)
        write_import(path, CHARGER, START, rows(before, 1))
    new = rows(2 * ROWS_TOGETHER + 7, 2, largest)
    with Spool(tmp_path) as spool:
        for begins in (0, 3, 60):
            ends = {0: 3, 3: 60}.get(begins)
            spool.add(table_of(new[begins:ends]))
        assert list(spool) == new
        write_import(one, CHARGER, START, spool, packing=packing_of(spool))
    write_import(other, CHARGER, START, new)
    ours, theirs = stored(one), stored(other)
    assert ours == theirs
    assert len(ours[0]) == before + len(new)
    assert len(ours[1]) == (before + len(new)) // 8


def test_where_no_number_is_left_rows_are_packed_from_what_is_stored(store, monkeypatch):
    # After the highest number SQLite draws numbers at random.
    monkeypatch.setattr(blocks, "BLOCK_ROWS", 8)
    write_import(store, CHARGER, START, rows(1, 1))
    with closing(sqlite3.connect(store)) as db, db:
        db.execute("UPDATE intervals SET id = ?", (2**63 - 1,))
    with Spool(store.parent) as spool:
        spool.add(table_of(rows(40, 2)))
        write_import(store, CHARGER, START, spool, packing=packing_of(spool))
    with closing(sqlite3.connect(store)) as db:
        packed = dict(db.execute("SELECT last_id, rows FROM blocks WHERE rows > 0").fetchall())
        assert packed, "there is a block to look at"
        for last_id, count in packed.items():
            start, first_id = db.execute(
                "SELECT start_ms, first_id FROM blocks WHERE last_id = ?", (last_id,)
            ).fetchone()
            stored_ms = [
                value
                for (value,) in db.execute(
                    "SELECT start_ms FROM intervals WHERE id BETWEEN ? AND ? ORDER BY id",
                    (first_id, last_id),
                )
            ]
            assert blocks.unpack_column(start, count) == stored_ms


def test_a_table_gives_its_rows_back():
    made = rows(30, 3)
    assert list(rows_of(table_of(made))) == made
    assert list(rows_of(table_of(made)[:0])) == []
