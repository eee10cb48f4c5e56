"""Reads a database file page by page, without SQLite, to recover rows of a damaged file.

It follows the published file format (https://sqlite.org/fileformat2.html): section 1.6 for b-tree
pages, 2.1 for records. It takes rows from every leaf page, even if the pages that led there are
damaged, and only if their columns are those of one of our tables.
"""

from __future__ import annotations

import struct
from bisect import bisect_left
from typing import TYPE_CHECKING

from logger.reading import OperatingState
from logger.store.file_format.wal import PAGE_SIZE, log_pages

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    Value = int | float | str | bytes | None
    Record = tuple[Value, ...]

#: Types of b-tree pages of a table, and of an index (section 1.6).
_LEAF, _INTERIOR = 0x0D, 0x05
_INDEX = (0x0A, 0x02)
#: Our pages hold fewer rows than this, so a row number cannot exceed this times the pages.
_MOST_ROWS_A_PAGE = 200
#: Longest interval, a day, and latest time, the year 2200, ms.
_LONGEST_MS, _FURTHEST_MS = 86_400_000, 7_258_118_400_000
#: Most readings of an interval: ten thousand a second for a day.
_MOST_READINGS = 1_000_000_000
#: Noise of a current at rest, A: several times that of common sensors (common practice, no source).
_NOISE_A = 0.5
_STATES = {str(state) for state in OperatingState}
#: Bytes of the serial types 0 to 9 of a record.
_SIZES = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0)


def _whole(*values: Value) -> bool:
    return all(isinstance(value, int) for value in values)


def _text(*values: Value) -> bool:
    return all(value is None or isinstance(value, str) for value in values)


def _whole_or_absent(*values: Value) -> bool:
    return all(value is None or isinstance(value, int) for value in values)


def _is_interval(r: Record) -> bool:
    session, start, duration, state, readings = r[1:6]
    return (
        _whole(session, start, duration, state, readings)
        and isinstance(duration, int)
        and duration >= 0
        and isinstance(state, int)
        and 0 <= state < len(_STATES)
        and _whole_or_absent(*r[6:])
        and _agrees(r)
    )


def _agrees(r: Record) -> bool:
    """Tell whether the columns of an interval agree; after a changed byte they seldom do."""
    _, _, start, duration, _, readings, charge, energy, low, high, mean, last = r[:12]
    assert isinstance(start, int)  # noqa: S101 - the caller has looked
    assert isinstance(duration, int)  # noqa: S101
    assert isinstance(readings, int)  # noqa: S101
    if not (0 <= readings <= _MOST_READINGS and duration <= _LONGEST_MS):
        return False
    if abs(start) >= _FURTHEST_MS:
        return False
    if not (isinstance(low, int) and isinstance(high, int)):
        return True
    if not all(low <= v <= high for v in (mean, last) if isinstance(v, int)):
        return False
    if not (isinstance(charge, int) and isinstance(energy, int)):
        return True
    # Energy is charge times a voltage, or less if the voltage was missing at times. At rest the
    # current is noise, so the charge may be nearly zero.
    noise = duration * _NOISE_A * (high / 1000.0 + 1.0)
    return abs(energy) <= abs(charge) * max(high, 0) / 1000.0 + noise + 1000.0


def _is_session(r: Record) -> bool:
    return _whole(r[1]) and _text(*r[2:5], *r[9:]) and _whole_or_absent(*r[5:9])


def _is_fitting(r: Record) -> bool:
    return (
        isinstance(r[1], str)
        and isinstance(r[2], int | float)
        and _text(r[3])
        and _whole_or_absent(r[4])
    )


def _is_event(r: Record) -> bool:
    return (
        _whole_or_absent(r[1], r[6])
        and _whole(r[2])
        and isinstance(r[3], str)
        and (r[4] is None or isinstance(r[4], int | float))
        and _text(r[5])
    )


#: Tables whose id is the row's number, by number of columns: name, and the test of a row.
TABLES: dict[int, tuple[str, Callable[[Record], bool]]] = {
    16: ("intervals", _is_interval),
    11: ("sessions", _is_session),
    7: ("events", _is_event),
    5: ("fittings", _is_fitting),
}


def rows(path: Path) -> Iterator[tuple[str, int, Record]]:
    """Yield (table, row id, columns after the id) of every row of ours that can be read.

    A row of ``about`` has its key in the columns; ``states`` only shows that the file is ours.
    Pages in the write-ahead log replace those in the file. A row may come twice.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    newer = log_pages(path.with_name(path.name + "-wal"))
    number = 0
    with path.open("rb") as file:
        while page := file.read(PAGE_SIZE):
            number += 1
            yield from _rows_of(newer.pop(number, page), first=number == 1)
    for number in sorted(newer):
        yield from _rows_of(newer[number], first=number == 1)


def looks_like_ours(path: Path) -> bool:
    """Tell whether a file that SQLite cannot read holds rows of ours, or only zeros.

    A power cut may leave a file of zeros; replacing it loses nothing.
    """
    if any(table in {"states", "intervals", "sessions"} for table, _, _ in rows(path)):
        return True
    with path.open("rb") as file:
        return not any(any(page) for page in iter(lambda: file.read(PAGE_SIZE), b""))


def _rows_of(page: bytes, *, first: bool) -> Iterator[tuple[str, int, Record]]:
    """Yield the rows of ours on one page, if it is a leaf of a table."""
    top = 100 if first else 0
    if len(page) < PAGE_SIZE or page[top] != _LEAF:
        return
    count = int.from_bytes(page[top + 3 : top + 5], "big")
    if top + 8 + 2 * count > PAGE_SIZE:
        return
    found: list[tuple[str, int, Record]] = []
    for place in struct.unpack(f">{count}H", page[top + 8 : top + 8 + 2 * count]):
        try:
            length, at = _varint(page, place)
            row, at = _varint(page, at)
            if at + length > PAGE_SIZE:
                continue  # the row reaches beyond the page; none of ours is so long
            record = _record(page, at, at + length)
        except (IndexError, ValueError, UnicodeDecodeError, struct.error):
            continue
        if len(record) == 2:
            if record[0] is None and record[1] in _STATES:
                found.append(("states", row, record))
            elif isinstance(record[0], str) and isinstance(record[1], str):
                found.append(("about", row, record))
            continue
        table, fits = TABLES.get(len(record), ("", lambda _: False))
        if record and record[0] is None and row > 0 and fits(record):
            found.append((table, row, record[1:]))
    kept = _rising([row for _, row, _ in found])
    yield from (found[place] for place in kept)


def _rising(numbers: list[int]) -> list[int]:
    """Return the places of the longest rising subsequence: rows are in order on a page.

    A row with a damaged number breaks the order and is left out.
    """
    tails: list[int] = []  # places; the numbers there rise
    before: list[int] = []
    for place, number in enumerate(numbers):
        at = bisect_left(tails, number, key=lambda k: numbers[k])
        before.append(tails[at - 1] if at else -1)
        tails[at : at + 1] = [place]
    run: list[int] = []
    place = tails[-1] if tails else -1
    while place >= 0:
        run.append(place)
        place = before[place]
    return run[::-1]


def highest_number(path: Path) -> int:
    """Return the highest row number named on any page, even if its row is lost; 0 if none is.

    Interior pages name the last row of each page below them (section 1.6).

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    newer = log_pages(path.with_name(path.name + "-wal"))
    count = max(path.stat().st_size // PAGE_SIZE, pages_in_header(path), *newer, 1)
    highest = 0
    with path.open("rb") as file:
        for number in range(1, path.stat().st_size // PAGE_SIZE + 1):
            page = newer.get(number) or file.read(PAGE_SIZE)
            if number in newer:
                file.seek(PAGE_SIZE, 1)
            highest = max(highest, _last_key(page, 100 if number == 1 else 0, count))
    return highest


def _last_key(page: bytes, top: int, pages: int) -> int:
    """Return the last row number on an interior page; 0 for another or a damaged page."""
    if len(page) < PAGE_SIZE or page[top] != _INTERIOR:
        return 0
    count = int.from_bytes(page[top + 3 : top + 5], "big")
    if top + 12 + 2 * count > PAGE_SIZE:
        return 0
    last = 0
    for place in struct.unpack(f">{count}H", page[top + 12 : top + 12 + 2 * count]):
        try:
            key, _ = _varint(page, place + 4)
        except IndexError:
            return 0
        child = int.from_bytes(page[place : place + 4], "big")
        if not (last < key <= _MOST_ROWS_A_PAGE * pages and 1 < child <= pages):
            return 0
        last = key
    return last


def pages_in_header(path: Path) -> int:
    """Return how many pages the file should have by its own header (section 1.3); 0 if unknown."""
    with path.open("rb") as file:
        header = file.read(100)
    if len(header) < 100 or header[:16] != b"SQLite format 3\0" or header[24:28] != header[92:96]:
        return 0
    return int.from_bytes(header[28:32], "big")


def strange_pages(path: Path) -> int:
    """Return how many whole pages of the file are no page of SQLite's, such as shifted ones.

    A page begins with its type (section 1.6), or with the number of the page that it goes on with
    (sections 1.5 and 1.7), which is 0 on the last one and on a page of zeros.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    strange = 0
    count = max(path.stat().st_size // PAGE_SIZE, pages_in_header(path))
    with path.open("rb") as file:
        file.seek(PAGE_SIZE)  # the first has the header; without it every other can be whole
        while len(page := file.read(PAGE_SIZE)) == PAGE_SIZE:
            known = page[0] in (_LEAF, _INTERIOR, *_INDEX)
            strange += not known and int.from_bytes(page[:4], "big") > count
    return strange


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Return a variable-length integer (section 1.6) and where it ends."""
    value = 0
    for place in range(at, at + 8):
        byte = data[place]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, place + 1
    return value << 8 | data[at + 8], at + 9


def _record(page: bytes, at: int, end: int) -> Record:
    """Return the columns of a record (section 2.1).

    Raises
    ------
    ValueError
        If it is longer or shorter than its place.
    """
    header_end, place = _varint(page, at)
    header_end += at
    if header_end > end:
        raise ValueError("header beyond the record")
    values: list[Value] = []
    body = header_end
    while place < header_end:
        kind, place = _varint(page, place)
        if kind <= 9:
            size = _SIZES[kind]
        elif kind >= 12:
            size = (kind - 12) // 2
        else:
            raise ValueError("reserved type")
        content = page[body : body + size]
        body += size
        values.append(_value(kind, content))
    if place != header_end or body != end:
        raise ValueError("does not fill its place")
    return tuple(values)


def _value(kind: int, content: bytes) -> Value:
    if kind == 0:
        return None
    if kind <= 6:
        return int.from_bytes(content, "big", signed=True)
    if kind == 7:
        number: float = struct.unpack(">d", content)[0]
        return number
    if kind <= 9:
        return kind - 8
    return content.decode() if kind & 1 else content
