"""Recordings: CSV with a header, or JSON Lines; fields as in Reading; ``.gz`` works.

A bad row is reported with its line and reason, the rest goes in. Unknown columns are named once
and ignored. Time is ISO 8601 with offset (or ``Z``), or Unix seconds, and must rise from row to
row.
"""

from __future__ import annotations

import csv
import gzip
import json
import math
from dataclasses import dataclass
from datetime import datetime
from typing import IO, TYPE_CHECKING, Any

from logger.errors import RecordingError
from logger.reading import CHANNELS, LONGEST_WORD, OperatingState, Reading

if TYPE_CHECKING:
    from _csv import Reader as CsvReader
    from collections.abc import Iterator, Mapping
    from pathlib import Path

#: Fields of a recording.
FIELDS = ("time", *(name for name in CHANNELS if name != "runtime_h"), "state", "runtime_h")
_LONGEST_SAMPLE = 80


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row that was refused: where, and why."""

    line: int
    reason: str


class Recording:
    """One recording file. Iterate over it to get readings and bad rows in file order.

    ``unknown`` names the columns that are ignored, once iteration has begun.

    Raises
    ------
    RecordingError
        On iteration, if the file is missing, unreadable, or has no ``time`` column.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.unknown: list[str] = []

    def __iter__(self) -> Iterator[Reading | BadRow]:
        """Yield readings and bad rows."""
        last_s = -math.inf
        for line, row in self._rows():
            result = row if isinstance(row, str) else reading_from(row)
            if isinstance(result, str):
                yield BadRow(line, result)
            elif result.time_s <= last_s:
                yield BadRow(line, "time does not lie after the row before")
            else:
                last_s = result.time_s
                yield result

    def _open(self) -> IO[str]:
        if self.path.suffix == ".gz":
            return gzip.open(self.path, "rt", encoding="utf-8", errors="replace", newline="")
        return self.path.open(encoding="utf-8", errors="replace", newline="")

    def _rows(self) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
        name = self.path.name.removesuffix(".gz")
        try:
            with self._open() as file:
                if name.endswith((".jsonl", ".ndjson", ".json")):
                    yield from self._json_rows(file)
                else:
                    yield from self._csv_rows(file)
        except FileNotFoundError:
            raise RecordingError(f"{self.path}: there is no such file") from None
        except (OSError, EOFError) as error:
            raise RecordingError(f"{self.path}: cannot be read: {error}") from None

    def _csv_rows(self, file: IO[str]) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
        rows = csv.reader(line.replace("\0", "\ufffd") for line in file)
        header = checked_header(self.path, next(rows, None))
        self.unknown = [name for name in header if name not in FIELDS]
        yield from csv_rows(rows, header)

    def _json_rows(self, file: IO[str]) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
        known = set(FIELDS)
        for number, line in enumerate(file, start=1):
            if not line.strip():
                continue
            try:
                row = json.loads(line)
            except ValueError as error:
                yield number, f"not JSON: {error}"
                continue
            except RecursionError:
                yield number, "not JSON that a reading can have: nested too deeply"
                continue
            if not isinstance(row, dict):
                yield number, "not a JSON object"
                continue
            self.unknown += [k for k in row if k not in known and k not in self.unknown]
            yield number, row


def checked_header(path: Path, header: list[str] | None) -> list[str]:
    """Return the names of the columns of a CSV recording.

    Raises
    ------
    RecordingError
        If there is no header, it has no column ``time``, or names a column twice.
    """
    if header is None:
        raise RecordingError(
            f"{path}: is empty; a recording begins with a header such as {','.join(FIELDS)}"
        )
    names = [name.strip().removeprefix("\ufeff") for name in header]
    if "time" not in names:
        raise RecordingError(
            f"{path}, line 1: the header has no column 'time'; accepted columns: "
            f"{', '.join(FIELDS)}"
        )
    if twice := sorted({name for name in names if names.count(name) > 1}):
        raise RecordingError(f"{path}, line 1: column {twice[0]!r} stands there twice")
    return names


def csv_rows(
    rows: CsvReader, header: list[str], before: int = 0
) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    """Yield line number and row (or why it is none); ``before`` lines precede the reader's."""
    while True:
        try:
            row = next(rows)
        except StopIteration:
            return
        except csv.Error as error:
            yield before + rows.line_num, f"not a CSV row: {error}"
            continue
        if not row:
            continue
        line = before + rows.line_num
        if len(row) != len(header):
            yield line, f"has {len(row)} fields where the header has {len(header)}"
            continue
        yield line, dict(zip(header, row, strict=True))


def parse_time(value: object) -> float:
    """Return Unix seconds of an ISO 8601 time with offset, or of a number of Unix seconds.

    Raises
    ------
    ValueError
        With a reason that names what is accepted.
    """
    if isinstance(value, str):
        text = value.strip()
        try:
            seconds = float(text)
        except ValueError:
            try:
                moment = datetime.fromisoformat(text)
            except ValueError:
                raise ValueError(
                    f"time {_sample(text)} is neither ISO 8601 with an offset nor Unix seconds"
                ) from None
            if moment.tzinfo is None:
                raise ValueError(
                    f"time {_sample(text)} has no offset; write 2026-05-03T14:05:30Z or +02:00"
                ) from None
            return moment.timestamp()
    elif isinstance(value, int | float) and not isinstance(value, bool):
        seconds = float(value)
    else:
        # Told as a bad value, not a bad type: it stands in somebody's file.
        raise ValueError(f"time {_sample(value)} is neither ISO 8601 nor Unix seconds")  # noqa: TRY004
    if not math.isfinite(seconds) or not -1e10 < seconds < 1e11:
        raise ValueError(f"time {_sample(value)} is not a believable time in Unix seconds")
    return seconds


def reading_from(row: Mapping[str, Any]) -> Reading | str:
    """Turn one row into a Reading, or say why it cannot be one."""
    if "time" not in row:
        return "has no time"
    values: dict[str, float] = {}
    try:
        time_s = parse_time(row["time"])
        for name in CHANNELS:
            value = row.get(name)
            if value is None or (isinstance(value, str) and not value.strip()):
                continue
            values[name] = _number(name, value)
        state, word = _state(row.get("state"))
    except (ValueError, OverflowError) as error:
        return str(error)
    if not values and state is OperatingState.UNKNOWN:
        return "holds no value"
    return Reading(time_s, state=state, word=word, **values)


def _number(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"{name} {_sample(value)} is not a number")  # noqa: TRY004 - as above
    try:
        number = float(value)
    except ValueError:
        hint = (
            "; write the decimals with a point" if isinstance(value, str) and "," in value else ""
        )
        raise ValueError(f"{name} {_sample(value)} is not a number{hint}") from None
    if not math.isfinite(number):
        raise ValueError(f"{name} {_sample(value)} is not a finite number")
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


def _sample(value: object) -> str:
    text = repr(value)
    return text if len(text) <= _LONGEST_SAMPLE else text[:_LONGEST_SAMPLE] + "..."
