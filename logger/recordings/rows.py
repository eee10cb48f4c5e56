"""Recordings: CSV with a header, or JSON Lines; fields as in Reading; ``.gz`` works.

A bad row is reported with its line and reason, the rest goes in. Unknown columns are named once
and ignored. Time is ISO 8601 with offset (or ``Z``), or Unix seconds, and must rise from row to
row.
"""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections import Counter, deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.errors import RecordingError
from logger.reading import CHANNELS, LONGEST_WORD, OperatingState, Reading
from logger.recordings.files import Dialect, RecordedFile
from logger.recordings.limits import Limits
from logger.recordings.times import Times, numeral
from logger.refusals import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

#: Fields of a recording.
FIELDS = ("time", *(name for name in CHANNELS if name != "runtime_h"), "state", "runtime_h")
#: Lines that one quoted field may span: beyond, a quote was forgotten and costs its own line only.
_MOST_LINES = 100
#: Characters that are kept of the name of a column.
_LONGEST_NAME = 80


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was refused: where, and why."""

    line: int
    reason: str


class RowReader:
    """Turns the rows of one recording into readings; knows what the rows before have told.

    Attributes
    ----------
    last_s
        Time of the last reading; the next lies after it.
    """

    def __init__(self, dialect: Dialect, times: Times | None = None) -> None:
        self.times = times or Times(decimal=dialect.decimal)
        self.last_s = -math.inf
        self._decimal = dialect.decimal

    def read(self, row: Mapping[str, Any]) -> Reading | str:
        """Turn one row into a reading, or say why it cannot be one."""
        if "time" not in row:
            return "has no time"
        values: dict[str, float] = {}
        try:
            time_s = self.times.seconds(row["time"])
            for name in CHANNELS:
                value = row.get(name)
                if value is None or (isinstance(value, str) and not value.strip()):
                    continue
                values[name] = _number(name, value, self._decimal)
            state, word = _state(row.get("state"))
        except (ValueError, OverflowError) as error:
            return str(error)
        if not values and state is OperatingState.UNKNOWN:
            return f"holds no value of {', '.join(CHANNELS)} or state"
        if time_s <= self.last_s:
            return "time does not lie after the row before"
        self.last_s = time_s
        return Reading(time_s, state=state, word=word, **values)


class Recording:
    """One recording file. Iterate over it to get readings and bad rows in file order.

    ``unknown`` names the columns that are ignored, once iteration has begun; ``times`` tells the
    unit of time.

    Raises
    ------
    RecordingError
        On iteration, if the file is missing, unreadable, or has no ``time`` column.
    """

    def __init__(self, path: Path, limits: Limits | None = None) -> None:
        self.path = path
        self.limits = limits or Limits()
        self.unknown: list[str] = []
        self.times = Times()

    def __iter__(self) -> Iterator[Reading | BadRow]:
        """Yield readings and bad rows."""
        with RecordedFile(self.path, self.limits) as file:
            reader = RowReader(file.dialect)
            self.times = reader.times
            for line, row in self._rows(file):
                result = row if isinstance(row, str) else reader.read(row)
                yield BadRow(line, result) if isinstance(result, str) else result

    def _rows(self, file: RecordedFile) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
        if file.dialect.json:
            return json_rows(file, self.unknown)
        lines = file.lines()
        header = checked_header(self.path, next(lines, ""), file.dialect, self.limits)
        self.unknown += [name for name in header if name not in FIELDS]
        return csv_rows(lines, header, file, 1)


def json_rows(
    file: RecordedFile, unknown: list[str]
) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    """Yield line number and object (or why it is none); names that are none of ours are added."""
    known = {*FIELDS, *unknown}
    for number, line in enumerate(file.lines(), start=1):
        row = _json_row(line, file)
        if row is None:
            continue
        if not isinstance(row, str):
            for key in row:
                if key not in known and len(unknown) < file.limits.most_columns:
                    known.add(key)
                    unknown.append(key[:_LONGEST_NAME])
        yield number, row


def _json_row(line: str | None, file: RecordedFile) -> Mapping[str, Any] | str | None:
    """Return the object of a line, why there is none, or None where the line is blank."""
    if line is None:
        return file.too_long()
    if not line.strip():
        return None
    try:
        row = json.loads(line)
    except ValueError as error:
        return f"not JSON: {error}"
    except RecursionError:
        return "not JSON that a reading can have: nested too deeply"
    if isinstance(row, dict) and len(row) > file.limits.most_columns:
        return _too_many(len(row), file.limits)
    return row if isinstance(row, dict) else "not a JSON object"


def _too_many(columns: int, limits: Limits) -> str:
    return f"has {columns:,} columns, more than {limits.most_columns:,} (most_columns in [limits])"


def checked_header(path: Path, line: str | None, dialect: Dialect, limits: Limits) -> list[str]:
    """Return the names of the columns of a CSV recording by its first line.

    Raises
    ------
    RecordingError
        If there is no header, it has no column ``time``, names a column twice, or is too long.
    """
    if line is None:
        words = f"is longer than {limits.longest_line_kb} kB (longest_line_kb in [limits])"
        raise RecordingError(f"{path}, line 1: {words}; is it a recording?")
    if not line:
        raise RecordingError(
            f"{path}: is empty; a recording begins with a header such as {','.join(FIELDS)}"
        )
    try:
        header = next(csv.reader([line], delimiter=dialect.delimiter))
    except csv.Error as error:
        raise RecordingError(f"{path}, line 1: no header of a CSV file: {error}") from None
    if len(header) > limits.most_columns:
        raise RecordingError(f"{path}, line 1: {_too_many(len(header), limits)}")
    names = [name.strip() for name in header]
    if "time" not in names:
        raise RecordingError(
            f"{path}, line 1: the header has no column 'time'; accepted columns: "
            f"{', '.join(FIELDS)}"
        )
    if twice := sorted(name for name, count in Counter(names).items() if count > 1):
        raise RecordingError(f"{path}, line 1: column {shown(twice[0])} stands there twice")
    return names


def csv_rows(
    lines: Iterable[str | None], header: list[str], file: RecordedFile, before: int
) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    """Yield line number and row (or why it is none); ``before`` lines precede the first."""
    number = before
    for record in _records(lines):
        if record is None:
            number += 1
            yield number, file.too_long()
            continue
        rows = csv.reader(record, delimiter=file.dialect.delimiter)
        while True:
            try:
                row = next(rows)
            except StopIteration:
                break
            except csv.Error as error:
                yield number + rows.line_num, f"not a CSV row: {error}"
                continue
            if not row:
                continue
            if len(row) != len(header):
                words = f"has {len(row)} fields where the header has {len(header)}"
                yield number + rows.line_num, words
            else:
                yield number + rows.line_num, dict(zip(header, row, strict=True))
        number += len(record)


def _records(lines: Iterable[str | None]) -> Iterator[list[str] | None]:
    """Yield the lines of each row: several where a quoted field holds line ends."""
    waiting: deque[str | None] = deque()
    following = iter(lines)
    while True:
        line = waiting.popleft() if waiting else next(following, "")
        if not line:
            if line is None:
                yield None
                continue
            return
        if line.count('"') % 2 == 0:
            yield [line]
            continue
        # A quote is open: up to the line that closes it.
        while len(waiting) < _MOST_LINES and not _closes(waiting):
            more = next(following, "")
            if more == "":
                break
            waiting.append(more)
        length = next((k for k, one in enumerate(waiting) if one and one.count('"') % 2), None)
        closing = None if length is None else list(itertools.islice(waiting, length + 1))
        if closing is None or None in closing:
            yield [line]
            continue
        for _ in closing:
            waiting.popleft()
        yield [line, *(one for one in closing if one is not None)]


def _closes(waiting: deque[str | None]) -> bool:
    return bool(waiting) and (waiting[-1] is None or waiting[-1].count('"') % 2 == 1)


def _number(name: str, value: object, decimal: str) -> float:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        # Told as a bad value, not a bad type: it stands in somebody's file.
        raise ValueError(f"{name} {shown(value)} is not a number")  # noqa: TRY004
    number = numeral(value, decimal) if isinstance(value, str) else float(value)
    if number is None:
        hint = ""
        if isinstance(value, str) and "," in value:
            hint = "; write the decimals with a point"
        elif isinstance(value, str) and decimal == "," and "." in value:
            hint = ": the decimals of this file have commas"
        elif isinstance(value, str) and name == "runtime_h" and ":" in value:
            hint = "; write hours and minutes as hours, 12:30 as 12.5"
        raise ValueError(f"{name} {shown(value)} is not a number{hint}")
    if not math.isfinite(number):
        raise ValueError(f"{name} {shown(value)} is not a finite number")
    return number


def _state(value: object) -> tuple[OperatingState, str]:
    """Return the state, and the word itself where it is none of ours."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return OperatingState.UNKNOWN, ""
    word = str(value).strip()
    try:
        return OperatingState(word), ""
    except ValueError:
        # The reading is worth keeping without its state; whoever imports it is told of the word.
        return OperatingState.UNKNOWN, word[:LONGEST_WORD]
