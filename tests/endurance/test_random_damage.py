"""Damage at random: no exception, no invented row, no loss untold."""

import os
import random
import sqlite3
from contextlib import closing

import pytest

from logger.errors import StoreError
from logger.store.file_format.pages import looks_like_ours, rows
from logger.store.repair.salvage import salvage
from tests.support.rigs.damage import (
    CHARGER,
    COUNT,
    everything,
)

#: Damages tried in the suite; EBBWATT_DAMAGES=10000 for a longer run by hand.
DAMAGES = int(os.environ.get("EBBWATT_DAMAGES", "20"))
#: Damages in one test, so that an endless loop is not taken for a long run.
AT_ONCE = 500
#: Rows that may come back changed: of at most 200 bits, of at most 30 pieces, of one piece.
CHANGED = {"bits": 200, "bytes": 60, "left out": 10}
#: Seeds at which an earlier version told a wrong loss, or a number that was never written.
FOUND = (144, 343, 655, 1305, 1825)


@pytest.mark.timeout(900)
@pytest.mark.usefixtures("without_coverage")
def test_random_damage_never_invents_a_row(place, whole):
    rng = random.Random(11)
    data = place.read_bytes()
    for _ in range(max(8, DAMAGES // 10)):
        at, length = rng.randrange(len(data) - 5000), rng.randrange(1, 5000)
        place.write_bytes(data[:at] + rng.randbytes(length) + data[at + length :])
        wrong = [
            row
            for table, row, values in rows(place)
            if table == "intervals" and values != whole[1].get(row)
        ]
        # A row whose bytes were hit may still look like one; no more than the one at each edge.
        assert len(wrong) <= 2


@pytest.mark.parametrize(
    "changed",
    [
        "duration_ms = 86400001", "duration_ms = -1", "start_ms = 7258118400000", "state = 99",
        "readings = 1000000001", "readings = -1", "voltage_mean_mv = voltage_max_mv + 1",
        "voltage_last_mv = voltage_min_mv - 1", "energy_mj = 10 * energy_mj", "charge_mc = 0",
    ],
)  # fmt: skip
def test_a_row_that_contradicts_itself_is_not_recovered(place, changed):
    # What a changed byte leaves behind: a row that can be read and cannot be true.
    with closing(sqlite3.connect(place)) as db, db:
        db.execute(f"UPDATE intervals SET {changed} WHERE id = 100")
    with closing(sqlite3.connect(place)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    found = {row for table, row, _ in rows(place) if table == "intervals"}
    assert found == {*range(1, COUNT + 1)} - {100}


def hurt(data, rng):  # noqa: C901 - one branch a way
    """Damage a database in one of the ways in which files are damaged; return the way."""
    way = rng.choice(("bytes", "bits", "pages", "cut", "swapped", "header", "left out"))
    page = range(0, len(data) - 4095, 4096)
    if way == "bytes":
        for _ in range(rng.randint(1, 30)):
            at, count = rng.randrange(len(data)), rng.choice((1, 2, 8, 100, 5000))
            data[at : at + count] = rng.randbytes(len(data[at : at + count]))
    elif way == "bits":
        for _ in range(rng.randint(1, 200)):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif way == "pages":
        for _ in range(rng.randint(1, 20)):
            at = rng.choice(page)
            kind = rng.choice((b"\x00", b"\x05", b"\x0d"))
            data[at : at + 4096] = rng.choice((bytes(4096), kind + rng.randbytes(4095)))
    elif way == "cut":
        del data[rng.randrange(1, len(data)) :]
    elif way == "swapped":
        for _ in range(rng.randint(1, 10)):
            a, b = rng.choice(page), rng.choice(page)
            data[a : a + 4096], data[b : b + 4096] = data[b : b + 4096], data[a : a + 4096]
    elif way == "header":
        data[:100] = rng.choice((bytes(100), rng.randbytes(100)))
    else:
        at = rng.randrange(len(data))
        del data[at : at + rng.randrange(1, 40_000)]
    return way


@pytest.mark.slow
@pytest.mark.timeout(900)
@pytest.mark.parametrize("first", range(0, DAMAGES, AT_ONCE))
@pytest.mark.usefixtures("without_coverage")
def test_no_damage_ends_in_an_exception_an_invented_row_or_a_loss_untold(
    whole, tmp_path, empty_store, monkeypatch, first
):
    # Preparing takes a child process, and synchronising a disk: neither is what is tried here.
    module = "logger.store.repair.salvage"
    monkeypatch.setattr(f"{module}.prepare", lambda path: path.write_bytes(empty_store))
    monkeypatch.setattr(f"{module}.synchronise", lambda _: None)
    with closing(sqlite3.connect(whole[0])) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    sound, truth = whole[0].read_bytes(), whole[1]
    seeds = range(first, min(first + AT_ONCE, DAMAGES))
    for seed in (*seeds, *(FOUND if first == 0 else ())):
        data = bytearray(sound)
        way = hurt(data, random.Random(seed))
        for old in tmp_path.iterdir():
            old.unlink()
        path = tmp_path / "ebbwatt.db"
        path.write_bytes(data)
        if not looks_like_ours(path):
            with pytest.raises(StoreError, match="is not an Ebbwatt database"):
                salvage(path, CHARGER)
            assert path.read_bytes() == data, "a file that is not ours is left alone"
            continue
        done = salvage(path, CHARGER)
        kept = everything(path)
        # The number of the last row on a page stands for nothing else: a bit of it that is hit
        # leaves a row in place of another. No way else gives a number that was never written.
        strange = kept.keys() - truth.keys()
        assert len(strange) <= (3 if way in {"bits", "bytes"} else 0), (seed, way, strange)
        assert done.intervals == len(kept)
        # Which rows stood on the last page only that page tells: at most some hundred.
        assert done.lost >= len(truth) - len(kept) - 200, (seed, way)
        assert done.lost <= 200 * len(sound) / 4096, (seed, way)  # what its pages can hold
        # Rows carry no checksum, so one whose own bytes were overwritten or moved may come back
        # changed: one a bit, one at each end of a piece. Where whole pages were lost, none may.
        changed = [number for number in kept.keys() & truth.keys() if kept[number] != truth[number]]
        assert len(changed) <= CHANGED.get(way, 0), (seed, way, changed)


def test_of_a_file_cut_to_a_quarter_the_loss_is_told_with_its_dates(whole, tmp_path):
    with closing(sqlite3.connect(whole[0])) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = whole[0].read_bytes()
    path = tmp_path / "ebbwatt.db"
    path.write_bytes(data[: len(data) // 4])
    done = salvage(path, CHARGER)
    kept = len(everything(path))
    assert kept + done.lost == pytest.approx(COUNT, rel=0.05)
    assert done.lost_from_s == pytest.approx(1.7e9 + 60.0 * kept, abs=120.0)
    assert done.lost_to_s is None
    assert f"about {done.lost} are lost from 2023-11-1" in str(done)
