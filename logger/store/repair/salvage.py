"""Sets a damaged database aside and copies its readable part into a new one of the same name.

It runs in a child process (``python -m logger.store.repair.salvage``). Meanwhile the logger goes on
and keeps its readings in memory. The new file is complete and synchronised before it takes the
name, so a power cut at any instant leaves the damaged file or the mended one.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import sys
from contextlib import closing, suppress
from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import EbbwattError, StoreDamagedError, StoreError
from logger.store.blocks import pack, rows_of
from logger.store.file_format import pages
from logger.store.file_format.carried import ABSENT, is_configuration
from logger.store.file_format.wal import PAGE_SIZE
from logger.store.files import (
    damaged_name,
    interruptible,
    open_reader,
    prepare,
    synchronise,
    translated,
)
from logger.store.reader import COLUMNS
from logger.store.repair.mending import DAMAGED, Salvaged
from logger.system.signals import ENDING, nothing_happens

if TYPE_CHECKING:
    from logger.config import ChargerConfig

#: A start later than this is Unix time, not time since a boot: 1990, Unix ms.
_UNIX_MS = 631_152_000_000
#: Rows written at a time: a few megabytes of Python objects.
_LOT = 10_000
#: Part of the pages that must be none any more for few intervals to mean that the others are lost:
#: a young log has few as well (our choice).
_STRANGE = 0.25
#: Fewest recovered intervals that show how many are on a page; and the usual number on a page
#: (measured: 69 in a log without hours and temperature, 79 in the demonstration, blocks included).
_ENOUGH, _USUAL_ROWS = 200, 79.0
#: Pages of a database without any interval (measured).
_EMPTY_PAGES = 13
#: Errors that SQLite and our own unpacking raise on damaged bytes: invalid text, a number in the
#: place of a column, a missing table.
_UNREADABLE = (
    sqlite3.DatabaseError,
    ValueError,
    TypeError,
    IndexError,
    OverflowError,
    MemoryError,
)
_INSERT = {
    name: f"INSERT OR IGNORE INTO {name} VALUES ({', '.join('?' * columns)})"  # noqa: S608 - our own names
    for columns, (name, _) in pages.TABLES.items()
}


def whole_check(path: Path) -> None:
    """Read the whole database and check its structure.

    Raises
    ------
    StoreDamagedError
        If it is damaged.
    StoreError
        As for opening.
    """
    with closing(open_reader(path)) as connection, translated(path):
        interruptible(connection)
        (result,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if result != "ok":
        raise StoreDamagedError(f"{path}: is damaged: {' '.join(str(result).split())}")


def salvage(path: Path, charger: ChargerConfig) -> Salvaged:
    """Set the damaged database aside and put a new one with its readable part in its place.

    ``charger`` replaces a fitting that cannot be read. No process may write the file meanwhile.

    Raises
    ------
    StoreError
        If the disk is full, or the file holds nothing of ours.
    """
    if not pages.looks_like_ours(path):
        raise StoreError(f"{path}: is not an Ebbwatt database; name another file")
    mended = path.with_name(path.name + ".mending")
    for old in (mended, *_beside(mended)):
        old.unlink(missing_ok=True)
    prepare(mended)
    with closing(sqlite3.connect(mended, isolation_level=None)) as db, translated(mended):
        # One plain file, so that only one file must be renamed.
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("BEGIN IMMEDIATE")
        _copy(path, db)
        _copy_from_blocks(path, db)
        _complete(db, charger)
        pack(db)
        count, highest = db.execute(
            "SELECT count(*), coalesce(max(id), 0) FROM intervals"
        ).fetchone()
        lost = max(0, _missing(path, count, highest) - _absent(db))
        between = _between(db, lost - (highest - count)) if lost else (None, None)
        db.execute("COMMIT")
        db.execute("PRAGMA journal_mode = WAL")
    synchronise(mended)
    return Salvaged(_swap(path, mended).name, count, lost, *between)


def _missing(path: Path, count: int, highest: int) -> int:
    """Return how many intervals are missing, as far as the file shows what it should hold.

    Three things show it: row numbers have no gaps, interior pages name the last row of each page,
    and in a file that was cut short the rest shows how many rows are on a page.
    """
    there = path.stat().st_size // PAGE_SIZE
    a_page = count / max(there, 1) if count > _ENOUGH else _USUAL_ROWS
    named = pages.pages_in_header(path)
    # That one bit of the header flipped is far likelier than a cut just there.
    unread = 0 if (named ^ there).bit_count() == 1 else named - there
    # Where hardly anything can be read of pages that are there, what they held is lost as well.
    if count == 0 or (count <= _ENOUGH and pages.strange_pages(path) > _STRANGE * there):
        unread = max(named, there) - _EMPTY_PAGES
    by_pages = count + round(a_page * max(unread, 0))
    return max(highest, pages.highest_number(path), by_pages) - count


def _absent(db: sqlite3.Connection) -> int:
    """Return how many numbers are free on purpose: an import was taken back, for instance."""
    row = db.execute("SELECT value FROM about WHERE key = ?", (ABSENT,)).fetchone()
    try:
        return max(0, int(row[0])) if row else 0
    except (ValueError, TypeError):
        return 0


def _between(db: sqlite3.Connection, behind: int) -> tuple[float | None, float | None]:
    """Return the Unix times between which intervals are missing; None for an end not known.

    ``behind`` is how many of the missing ones came after the last recovered one.
    """
    first, last = db.execute(
        "SELECT min(begins), max(ends) FROM (SELECT "
        "lag(start_ms + duration_ms + offset_ms) OVER w AS begins, start_ms + offset_ms AS ends, "
        "intervals.id - lag(intervals.id, 1, 0) OVER w AS step "
        "FROM intervals JOIN sessions ON sessions.id = session "
        "WINDOW w AS (ORDER BY intervals.id)) WHERE step > 1"
    ).fetchone()
    if behind > 0:
        newest = db.execute(
            "SELECT start_ms + duration_ms + offset_ms FROM intervals "
            "JOIN sessions ON sessions.id = session ORDER BY intervals.id DESC LIMIT 1"
        ).fetchone()
        first, last = first if first is not None else newest and newest[0], None
    begin_s, end_s = (None if at_ms is None else at_ms / 1000.0 for at_ms in (first, last))
    return begin_s, end_s


def _copy(path: Path, db: sqlite3.Connection) -> None:
    lots: dict[str, list[tuple[object, ...]]] = {name: [] for name in _INSERT}

    def store(name: str) -> None:
        db.executemany(_INSERT[name], lots[name])
        lots[name].clear()

    for name, row, values in pages.rows(path):
        if name == "about":
            if values[0] in ("store", ABSENT) or is_configuration(values[0]):
                db.execute(
                    "INSERT INTO about (key, value) VALUES (?, ?) "
                    "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
                    values[:2],
                )
        elif name in lots:
            lots[name].append((row, *values))
            if len(lots[name]) >= _LOT:
                store(name)
    for name in lots:
        store(name)


def _copy_from_blocks(path: Path, db: sqlite3.Connection) -> None:
    """Add the rows of blocks, as far as SQLite can still read blocks."""
    names = ", ".join(("id", *COLUMNS))
    places = ", ".join("?" * (1 + len(COLUMNS)))
    # Packed columns have a checksum and rows do not, so a block replaces rows read one by one.
    insert = f"INSERT OR REPLACE INTO intervals ({names}) VALUES ({places})"  # noqa: S608 - ours
    numbers: list[int] = []
    with (
        suppress(*_UNREADABLE),
        closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as damaged,
    ):
        with suppress(*_UNREADABLE):
            for (last_id,) in damaged.execute("SELECT last_id FROM blocks ORDER BY last_id"):
                numbers.append(last_id)
        for last_id in numbers:
            with suppress(*_UNREADABLE):
                found = list(rows_of(damaged, last_id))
                db.executemany(insert, ((number, *row) for number, row in found))


def _complete(db: sqlite3.Connection, charger: ChargerConfig) -> None:
    """Add the sessions and fittings that rows name but that could not be read."""
    lost = db.execute(
        "SELECT session, min(start_ms), max(start_ms + duration_ms) FROM intervals "
        "WHERE session NOT IN (SELECT id FROM sessions) GROUP BY session"
    ).fetchall()
    known = db.execute("SELECT max(id) FROM fittings").fetchone()[0]
    for session, start_ms, end_ms in lost:
        unix = start_ms > _UNIX_MS
        db.execute(
            "INSERT INTO sessions (id, fitting, boot_id, source, started_ms, ended_ms, offset_ms, "
            "offset_quality) VALUES (?, ?, ?, 'recovered', ?, ?, 0, ?)",
            (
                session,
                known or 1,
                None if unix else f"recovered-{session}",
                start_ms,
                end_ms,
                2 if unix else 0,
            ),
        )
    db.execute(
        "INSERT INTO fittings SELECT DISTINCT fitting, ?, ?, ?, 0 FROM sessions "
        "WHERE fitting NOT IN (SELECT id FROM fittings)",
        (
            charger.label,
            charger.rated_w,
            None if charger.fitted is None else charger.fitted.isoformat(),
        ),
    )


def _beside(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in ("-wal", "-shm", "-journal")]


def _swap(path: Path, mended: Path) -> Path:
    """Give the damaged file another name and the mended one its own; return the other name."""
    aside = damaged_name(path)
    _also_as(path, aside)
    log, index, _ = _beside(path)
    if log.exists():
        _also_as(log, _beside(aside)[0])
    synchronise(path.parent)
    # SQLite would apply a write-ahead log beside the new file to it.
    log.unlink(missing_ok=True)
    index.unlink(missing_ok=True)
    synchronise(path.parent)
    mended.replace(path)
    synchronise(path.parent)
    for left in _beside(mended):
        left.unlink(missing_ok=True)
    return aside


def _also_as(path: Path, other: Path) -> None:
    try:
        os.link(path, other)
    except OSError:
        # The file system has no links.
        shutil.copy2(path, other)
        synchronise(other)


def main() -> int:
    """Check (``check PATH``) or mend (``mend PATH CHARGER``); print one line of JSON.

    Ends with status 0 when the file is whole or mended, 3 when it is damaged, 1 on other errors.
    """
    from logger.config import ChargerConfig

    with suppress(OSError):
        os.nice(10)
    # A signal to the whole process group is for the logger, which waits for a mending to end.
    for number in ENDING:
        signal.signal(number, signal.SIG_IGN)
    nothing_happens()
    path = Path(sys.argv[2])
    try:
        if sys.argv[1] == "check":
            whole_check(path)
        else:
            label, rated_w, fitted = json.loads(sys.argv[3])
            day = None if fitted is None else date.fromisoformat(fitted)
            print(json.dumps(asdict(salvage(path, ChargerConfig(label, rated_w, day)))))
    except StoreDamagedError as error:
        print(error, file=sys.stderr)
        return DAMAGED
    except EbbwattError as error:
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
