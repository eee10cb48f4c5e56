"""Reads recordings of millions of rows as blocks of columns.

What is plainly well formed is parsed a few megabytes at a time by pandas; anything else in such a
piece (a bad number, a quote, a foreign character) sends that piece, row by row, through
:mod:`logger.recording`, which knows the reason for each refusal. Both ways accept the same files.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import itertools
import math
from collections import Counter
from typing import IO, TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from analysis.transfer.condense import Block
from logger.errors import RecordingError
from logger.reading import CHANNELS, LONGEST_WORD, MOST_WORDS, OperatingState
from logger.recording import FIELDS as KNOWN
from logger.recording import BadRow, Recording, checked_header, csv_rows, reading_from

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from logger.reading import Reading
    from logger.refusals import Refusals

_STATE_PLACE = {str(state): place for place, state in enumerate(OperatingState)}
_UNKNOWN = _STATE_PLACE[OperatingState.UNKNOWN]
#: Words that pandas would take for numbers and we do not.
_NO_NUMBERS = (b"rue", b"RUE", b"alse", b"ALSE")


class BulkRecording:
    """One recording as blocks; bad rows are collected in ``bad`` as they are met.

    Parameters
    ----------
    path
        CSV or JSON Lines, with ``.gz`` if compressed; see :mod:`logger.recording`.
    piece
        Bytes that are parsed at a time.

    Raises
    ------
    RecordingError
        On iteration, if the file is missing, unreadable, or has no ``time`` column.
    """

    def __init__(self, path: Path, piece: int = 8 << 20) -> None:
        self.path = path
        self.piece = piece
        self.bad: list[BadRow] = []
        self.unknown: list[str] = []
        self.words: Counter[str] = Counter()
        """State words that are none of ours: untrusted text, cut, not more than a few."""
        self._last_s = -math.inf

    def __iter__(self) -> Iterator[Block]:
        """Yield blocks of readings that rise in time from the first to the last."""
        name = self.path.name.removesuffix(".gz")
        if name.endswith((".jsonl", ".ndjson", ".json")):
            recording = Recording(self.path)
            self.unknown = recording.unknown
            yield from self._blocks(recording)
            return
        try:
            with self._open() as file:
                yield from self._csv(file)
        except FileNotFoundError:
            raise RecordingError(f"{self.path}: there is no such file") from None
        except (OSError, EOFError) as error:
            raise RecordingError(f"{self.path}: cannot be read: {error}") from None

    def _open(self) -> IO[bytes]:
        if self.path.suffix == ".gz":
            return cast("IO[bytes]", gzip.open(self.path, "rb"))
        return self.path.open("rb")

    def _csv(self, file: IO[bytes]) -> Iterator[Block]:
        first = file.readline().removeprefix(codecs.BOM_UTF8).decode("utf-8", "replace")
        header = checked_header(self.path, next(csv.reader([first]), None) if first else None)
        self.unknown = [name for name in header if name not in KNOWN]
        lines = 1
        while piece := file.read(self.piece):
            piece += file.readline()
            if b'"' in piece:
                # A quoted field may hold a line end: from here on only a real CSV reader will do.
                with io.TextIOWrapper(file, "utf-8", "replace", newline="") as text:
                    rest: Iterable[str] = itertools.chain(_text_lines(piece), text)
                    yield from self._blocks(self._slow(rest, header, lines))
                return
            block, words = _parse(piece, header)
            if block is not None and block.time_s[0] > self._last_s:
                self._last_s = float(block.time_s[-1])
                lines += len(block)
                for word, count in words.items():
                    self._word(word, count)
                yield block
            else:
                yield from self._blocks(self._slow(_text_lines(piece), header, lines))
                # Counted as the CSV reader counts, to which a lone carriage return ends a line.
                lines += sum(1 for _ in _text_lines(piece))

    def _slow(
        self, lines: Iterable[str], header: list[str], before: int
    ) -> Iterator[Reading | BadRow]:
        rows = csv.reader(line.replace("\0", "\ufffd") for line in lines)
        for line, row in csv_rows(rows, header, before):
            result: Reading | str = row if isinstance(row, str) else reading_from(row)
            if isinstance(result, str):
                yield BadRow(line, result)
            elif result.time_s <= self._last_s:
                yield BadRow(line, "time does not lie after the row before")
            else:
                self._last_s = result.time_s
                yield result

    def _blocks(self, results: Iterable[Reading | BadRow]) -> Iterator[Block]:
        iterator = iter(results)
        while batch := list(itertools.islice(iterator, 50_000)):
            self.bad += [result for result in batch if isinstance(result, BadRow)]
            readings = [result for result in batch if not isinstance(result, BadRow)]
            for reading in readings:
                if reading.word:
                    self._word(reading.word)
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


def _text_lines(piece: bytes) -> io.StringIO:
    return io.StringIO(piece.decode("utf-8", "replace"), newline="")


def _parse(piece: bytes, header: list[str]) -> tuple[Block | None, dict[str, int]]:
    """Parse a piece of plain CSV, or give None if anything in it needs a closer look.

    Beside it stand the state words that are none of ours, with how often each occurs.
    """
    nothing: tuple[None, dict[str, int]] = (None, {})
    rows = _even_rows(piece, len(header))
    if rows is None or any(word in piece for word in _NO_NUMBERS):
        return nothing
    first = dict(zip(header, piece[: piece.find(b"\n") + 1 or None].split(b","), strict=True))
    kinds: dict[str, Any] = {name: "float64" for name in CHANNELS if name in header}
    suffix = _offset(first["time"].strip())
    kinds["time"] = "float64" if suffix is None else "str"
    if "state" in header:
        kinds["state"] = "category"
    try:
        table = pd.read_csv(
            io.BytesIO(piece),
            header=None,
            names=header,
            usecols=list(kinds),
            dtype=kinds,
            na_values=[""],
            keep_default_na=False,
            skip_blank_lines=False,
        )
        time_s = _times(piece, table["time"], suffix)
    except (ValueError, OverflowError):
        return nothing
    if time_s is None or len(table) != rows:
        return nothing
    state, words = _states(table)
    absent = np.full(rows, np.nan)
    channels = {
        name: table[name].to_numpy(dtype=float) if name in kinds else absent for name in CHANNELS
    }
    present = np.zeros(rows, dtype=bool)
    for values in channels.values():
        present |= np.isfinite(values)
    sound = (
        bool(np.all((time_s > -1e10) & (time_s < 1e11)))
        and bool(np.all(np.diff(time_s) > 0.0))
        and not any(np.isinf(values).any() for values in channels.values())
        and bool(np.all(present | (state != _UNKNOWN)))
    )
    return (Block(time_s=time_s, **channels, state=state), words) if sound else nothing


def _even_rows(piece: bytes, fields: int) -> int | None:
    """Return the number of rows if each has its fields and nothing but plain ASCII, else None."""
    raw = np.frombuffer(piece, dtype=np.uint8)
    if bool(np.any(raw >= 128)) or b"\0" in piece:
        return None
    if b"\r" in piece and piece.count(b"\r") != piece.count(b"\r\n"):
        return None
    ends = np.flatnonzero(raw == ord("\n"))
    if not piece.endswith(b"\n"):
        ends = np.append(ends, len(raw))
    commas = np.searchsorted(np.flatnonzero(raw == ord(",")), ends)
    even = bool(np.all(np.diff(commas, prepend=0) == fields - 1))
    # A line that is blank holds one empty field, which only a single column could take for a row.
    return len(ends) if even and fields > 1 else None


def _offset(text: bytes) -> bytes | None:
    """Return the offset at the end of an ISO 8601 time, or None if it is a number."""
    try:
        float(text)
    except ValueError:
        return b"Z" if text.endswith(b"Z") else text[-6:]
    return None


def _times(piece: bytes, column: pd.Series[Any], suffix: bytes | None) -> Any:  # noqa: ANN401 - an array or None
    """Return Unix seconds, or None if not every time is of one kind with one offset."""
    if suffix is None:
        time_s = column.to_numpy(dtype=float)
        return time_s if np.isfinite(time_s).all() else None
    ends = sum(piece.count(suffix + after) for after in (b",", b"\n", b"\r"))
    if ends + piece.endswith(suffix) != len(column):
        return None
    moments = pd.DatetimeIndex(pd.to_datetime(column, format="ISO8601"))
    if moments.tz is None:
        return None
    return moments.as_unit("ns").asi8 / 1e9


def _states(table: pd.DataFrame) -> tuple[NDArray[np.int8], dict[str, int]]:
    """Return the place of each state, and the words that are none of ours with their counts."""
    if "state" not in table:
        return np.full(len(table), _UNKNOWN, dtype=np.int8), {}
    categories = [str(name).strip() for name in table["state"].cat.categories]
    places = np.array([_STATE_PLACE.get(name, _UNKNOWN) for name in categories] + [_UNKNOWN])
    codes = table["state"].cat.codes.to_numpy()
    words: Counter[str] = Counter()
    for code, name in enumerate(categories):
        if name and name not in _STATE_PLACE:
            words[name[:LONGEST_WORD]] += int((codes == code).sum())
    return places[codes].astype(np.int8), words


def plausible(block: Block, limits: Mapping[str, tuple[float, float]], refusals: Refusals) -> Block:
    """Drop what cannot be true, as :class:`logger.plausibility.Plausibility` does row by row."""
    columns: dict[str, Any] = {name: getattr(block, name) for name in CHANNELS}
    for name, (low, high) in limits.items():
        values = columns[name]
        with np.errstate(invalid="ignore"):
            sides = (
                (values < low, f"{name} below {low:g} {CHANNELS[name]}"),
                (values > high, f"{name} above {high:g} {CHANNELS[name]}"),
            )
        for wrong, reason in sides:
            if wrong.any():
                for value in values[wrong]:
                    refusals.count(reason, f"{value:g}")
                values = np.where(wrong, np.nan, values)
        columns[name] = values
    present = block.state != _UNKNOWN
    for values in columns.values():
        present = present | np.isfinite(values)
    kept = Block(time_s=block.time_s, **columns, state=block.state)
    return kept if present.all() else kept.select(present)
