"""Reads a write-ahead log without SQLite: its commits, and those that SQLite would ignore.

It follows the published file format (https://sqlite.org/fileformat2.html), section 4.1.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PAGE_SIZE = 4096
"""Page size of each of our databases: SQLite's default."""
#: Bytes of the headers of the log and of a frame (section 4.1).
_WAL_HEADER = 32
_FRAME_HEADER = 24


def log_pages(path: Path) -> dict[int, bytes]:
    """Return the newest committed version of each page in the write-ahead log."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return {}
    committed: dict[int, bytes] = {}
    since: dict[int, bytes] = {}
    for number, size_after, page in _log_frames(data):
        since[number] = page
        if size_after:
            committed |= since
            since.clear()
    return committed


def commits_behind_a_broken_frame(path: Path) -> int:
    """Return how many commits of a write-ahead log SQLite ignores, because of a broken frame.

    SQLite stops at the first frame with a wrong checksum. One commit behind it is a write that a
    power cut interrupted before it was acknowledged. More than one were committed, and damaged
    later.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return 0
    sound = sum(1 for _ in _log_frames(data))
    heads = (data[at : at + _FRAME_HEADER] for at in _frame_places(data)[sound:])
    # Frames of an older round of the log have other salts.
    return sum(1 for head in heads if head[8:16] == data[16:24] and any(head[4:8]))


def _log_frames(data: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Yield page number, size after a commit (else 0) and page of each frame up to a broken one."""
    order = _log_order(data)
    if not order or struct.unpack(">I", data[8:12]) != (PAGE_SIZE,):
        return
    sums = struct.unpack(">II", data[24:32])
    for at in _frame_places(data):
        page_at = at + _FRAME_HEADER
        head, page = data[at:page_at], data[page_at : page_at + PAGE_SIZE]
        if head[8:16] != data[16:24]:
            return
        sums = _checksum(page, _checksum(head[:8], sums, order), order)
        if sums != struct.unpack(">II", head[16:24]):
            return
        number, size_after = struct.unpack(">II", head[:8])
        yield number, size_after, page


def _frame_places(data: bytes) -> range:
    step = _FRAME_HEADER + PAGE_SIZE
    return range(_WAL_HEADER, len(data) - step + 1, step)


def log_header_is_sound(path: Path) -> bool:
    """Tell whether SQLite will read a write-ahead log; True if there is none.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            header = file.read(_WAL_HEADER)
    except FileNotFoundError:
        return True
    # A log shorter than its header holds no commit.
    return len(header) < _WAL_HEADER or bool(_log_order(header))


def _log_order(data: bytes) -> str:
    """Return the byte order of a log's checksums (section 4.1), empty if its header is broken."""
    if len(data) < _WAL_HEADER:
        return ""
    (magic,) = struct.unpack(">I", data[:4])
    if magic not in {0x377F0682, 0x377F0683}:
        return ""
    order = ">" if magic & 1 else "<"
    return order if _checksum(data[:24], (0, 0), order) == struct.unpack(">II", data[24:32]) else ""


def _checksum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    a, b = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for x, y in zip(words[::2], words[1::2], strict=True):
        a = (a + x + b) & 0xFFFFFFFF
        b = (b + y + a) & 0xFFFFFFFF
    return a, b
