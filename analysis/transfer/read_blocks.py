"""Reads recordings of millions of rows as blocks of columns.

Well-formed data is read a megabyte at a time: plain numbers by numpy, others by pandas. If such a
piece holds anything else (a bad number, a quote, a foreign character), the reader of
:mod:`logger.recordings.rows` reads it row by row and gives each reason. All ways accept the same
files.
"""

from __future__ import annotations

import itertools
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.transfer.condense import Block
from analysis.transfer.pieces.plain import plain_columns
from analysis.transfer.refused_rows import RefusedRows
from logger.reading import CHANNELS, LONGEST_WORD, MOST_WORDS, OperatingState
from logger.recordings.files import Dialect, RecordedFile, text_lines
from logger.recordings.limits import Limits
from logger.recordings.rows import FIELDS as KNOWN
from logger.recordings.rows import BadRow, RowReader, checked_header, csv_rows, json_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.transfer.pieces.columns import Columns
    from logger.reading import Reading
    from logger.recordings.times import Times

_STATE_PLACE = {str(state): place for place, state in enumerate(OperatingState)}
#: Place of the state that says nothing.
UNKNOWN = _STATE_PLACE[OperatingState.UNKNOWN]
#: Rows handled at a time where each is read singly.
_BATCH = 20_000


class BulkRecording:
    """One recording as blocks; bad rows are collected in ``bad`` as they are met.

    Parameters
    ----------
    path
        CSV or JSON Lines; see :mod:`logger.recordings`.
    piece
        Bytes that are parsed at a time.
    limits
        How much of the file is taken.

    Raises
    ------
    RecordingError
        On iteration, if the file is missing, unreadable, has no ``time`` column, or is beyond the
        limits.
    """

    def __init__(self, path: Path, piece: int = 1 << 20, limits: Limits | None = None) -> None:
        self.path = path
        self.piece = piece
        self.limits = limits or Limits()
        self.bad = RefusedRows(self.limits.kept_refusals)
        self.unknown: list[str] = []
        self.words: Counter[str] = Counter()
        """State words that are none of ours: untrusted text, cut, not more than a few."""
        self._reader = RowReader(Dialect())

    @property
    def time_unit(self) -> str:
        """Unit of the times that are numbers; empty where there was none."""
        return self._reader.times.unit

    def __iter__(self) -> Iterator[Block]:
        """Yield blocks of readings that rise in time from the first to the last."""
        with RecordedFile(self.path, self.limits) as file:
            self._reader = RowReader(file.dialect)
            if file.dialect.json:
                yield from self._blocks(self._read(json_rows(file, self.unknown)))
            else:
                yield from self._csv(file)

    def _csv(self, file: RecordedFile) -> Iterator[Block]:
        pieces = file.pieces(self.piece)
        first = next(pieces, b"")
        line, end, first = first.partition(b"\n")
        header = checked_header(
            self.path, next(text_lines(line + end), ""), file.dialect, self.limits
        )
        self.unknown = [name for name in header if name not in KNOWN]
        lines = 1
        for piece in itertools.chain([first] if first else [], pieces):
            if b'"' in piece:
                # A quoted field may hold a line end: from here on only a real CSV reader will do.
                rest = itertools.chain([piece], pieces)
                quoted = itertools.chain.from_iterable(map(text_lines, rest))
                yield from self._blocks(self._read(csv_rows(quoted, header, file, lines)))
                return
            block, words = _parse(piece, header, file.dialect, self._reader.times)
            if block is not None and block.time_s[0] > self._reader.last_s:
                self._reader.last_s = float(block.time_s[-1])
                lines += len(block)
                for word, count in words.items():
                    self._word(word, count)
                yield block
            else:
                text = text_lines(piece)
                yield from self._blocks(self._read(csv_rows(text, header, file, lines)))
                lines += piece.count(b"\n")

    def _read(
        self, rows: Iterable[tuple[int, Mapping[str, Any] | str]]
    ) -> Iterator[Reading | BadRow]:
        for line, row in rows:
            result = row if isinstance(row, str) else self._reader.read(row)
            yield BadRow(line, result) if isinstance(result, str) else result

    def _blocks(self, results: Iterable[Reading | BadRow]) -> Iterator[Block]:
        iterator = iter(results)
        while batch := list(itertools.islice(iterator, _BATCH)):
            readings: list[Reading] = []
            for result in batch:
                if isinstance(result, BadRow):
                    self.bad.add(result)
                    continue
                readings.append(result)
                if result.word:
                    self._word(result.word)
            if readings:
                yield block_of(readings)

    def _word(self, word: str, count: int = 1) -> None:
        if word in self.words or len(self.words) < MOST_WORDS:
            self.words[word] += count


def block_of(readings: list[Reading]) -> Block:
    """Return readings as columns."""
    columns: dict[str, Any] = {
        name: np.array([getattr(r, name) for r in readings], dtype=float)
        for name in ("time_s", *CHANNELS)
    }
    state = np.array([_STATE_PLACE[r.state] for r in readings], dtype=np.int8)
    return Block(**columns, state=state)


def _parse(
    piece: bytes, header: list[str], dialect: Dialect, times: Times
) -> tuple[Block | None, dict[str, int]]:
    """Read a piece of CSV at once, or give None if anything in it needs a closer look.

    Beside it stand the state words that are none of ours, with how often each occurs.
    """
    nothing: tuple[None, dict[str, int]] = (None, {})
    columns = plain_columns(piece, header, dialect)
    if columns is None:
        from analysis.transfer.pieces.tables import table_columns  # loads pandas

        columns = table_columns(piece, header, dialect)
    if columns is None:
        return nothing
    time_s = columns.time
    if columns.counted:
        if not np.isfinite(time_s).all():
            return nothing
        time_s = time_s / times.scale(float(time_s[0]))
    rows = len(time_s)
    state, words = _states(columns)
    absent = np.full(rows, np.nan)
    channels = {name: columns.channels.get(name, absent) for name in CHANNELS}
    present = np.zeros(rows, dtype=bool)
    for values in columns.channels.values():
        present |= np.isfinite(values)
    sound = (
        bool(np.all((time_s >= times.earliest_s) & (time_s <= times.latest_s)))
        and bool(np.all(np.diff(time_s) > 0.0))
        and not any(np.isinf(values).any() for values in columns.channels.values())
        and bool(np.all(present | (state != UNKNOWN)))
    )
    return (Block(time_s=time_s, **channels, state=state), words) if sound else nothing


def _states(columns: Columns) -> tuple[NDArray[np.int8], dict[str, int]]:
    """Return the place of each state, and the words that are none of ours with their counts."""
    if columns.places is None:
        return np.full(len(columns.time), UNKNOWN, dtype=np.int8), {}
    names = [name.strip() for name in columns.words]
    states = np.array([_STATE_PLACE.get(name, UNKNOWN) for name in names])
    words: Counter[str] = Counter()
    counts = np.bincount(columns.places, minlength=len(names)).tolist()
    for name, count in zip(names, counts, strict=True):
        if name and name not in _STATE_PLACE:
            words[name[:LONGEST_WORD]] += count
    return states[columns.places].astype(np.int8), words
