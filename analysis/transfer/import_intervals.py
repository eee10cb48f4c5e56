"""Takes intervals that ``ebbwatt export`` wrote back into a log, exactly; nothing counts twice."""

from __future__ import annotations

import csv
import hashlib
import itertools
from typing import TYPE_CHECKING, Any

from analysis.transfer.cover import Cover
from analysis.transfer.export import ESTIMATED, FIELDS, KNOWN
from analysis.transfer.import_readings import FileResult
from analysis.transfer.merge import uncovered
from analysis.transfer.packing import packed_columns
from analysis.transfer.refused_rows import RefusedRows
from analysis.transfer.series.parquet import MAGIC, columns_of, rows_of
from logger import __version__
from logger.errors import RecordingError
from logger.reading import OperatingState
from logger.recordings.files import RecordedFile
from logger.recordings.rows import BadRow, csv_rows, json_rows
from logger.recordings.times import EARLIEST_S, Times, numeral, sample
from logger.store.file_format.carried import carry
from logger.store.reader import Reader
from logger.store.records import SessionStart, write_import

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from analysis.transfer.export import Field
    from logger.config import Config
    from logger.recordings.files import Limits

    Row = tuple[int | None, ...]

_MARKS = ("start", "duration_s")
_NUMBERS = {str(state): number for number, state in enumerate(OperatingState)}
#: No interval lasts longer: ten minutes, and what a setting may make of it.
_LONGEST_MS = 7 * 86_400_000
#: Larger numbers are not exact in floating point.
_LARGEST = 2.0**53
#: Rows that are compared with the log at a time.
_LOT = 20_000


def is_exported(path: Path) -> bool:
    """Tell whether a file holds intervals that ``ebbwatt export`` wrote."""
    if _is_parquet(path):
        return columns_of(path)[: len(_MARKS)] == list(_MARKS)
    try:
        with RecordedFile(path) as file:
            line = file.head.partition(b"\n")[0].decode("utf-8", "replace")
    except RecordingError:
        return False  # whoever reads it says why
    if line.startswith("{"):
        return all(f'"{mark}":' in line for mark in _MARKS)
    return line.split(",")[: len(_MARKS)] == list(_MARKS)


def take_exported(config: Config, path: Path) -> FileResult:
    """Add the intervals of an exported file that the log of the configured fitting lacks.

    The whole file goes in in one transaction, or nothing of it; bad rows are refused.

    Raises
    ------
    RecordingError
        If it cannot be read.
    StoreError
        If the database cannot be written.
    """
    result = FileResult(path, bad=RefusedRows(config.limits.kept_refusals))
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    covers = _covers(config)
    for clock, quality in ((KNOWN, 2), (ESTIMATED, 0)):
        rows = _new_rows(path, config.limits, clock, covers[clock], result)
        first = next(rows, None)
        if first is None:
            continue
        session = SessionStart(
            source=f"import {path.name}",
            started_s=(first[0] or 0) / 1000.0,
            offset_quality=quality,
            digest=digest,
            version=__version__,
            configuration=carry(config.document.data),
        )
        write_import(
            config.store.path,
            config.charger,
            session,
            itertools.chain((first,), rows),
            packed_columns=packed_columns,
        )
    return result


def _covers(config: Config) -> dict[str, Cover]:
    """Return what the log holds, by whether its time is known."""
    covers = {KNOWN: Cover(), ESTIMATED: Cover()}
    fitted = None if config.charger.fitted is None else config.charger.fitted.isoformat()
    with Reader(config.store.path) as reader:
        for fitting in reader.fittings():
            if (fitting.label, fitting.fitted) != (config.charger.label, fitted):
                continue
            for session in reader.sessions(fitting.id):
                placed = reader.clocks()[session.id]
                clock = KNOWN if placed.known else ESTIMATED
                spans = (
                    ((row[0] or 0) + placed.offset_ms, row[1] or 0)
                    for row in reader.session_rows(session.id)
                )
                covers[clock] = covers[clock].with_spans(spans)
    return covers


def _new_rows(
    path: Path, limits: Limits, clock: str, cover: Cover, result: FileResult
) -> Iterator[Row]:
    """Yield the rows of one kind of clock that the cover lacks, and count what becomes of them."""
    rows = (
        row for told, row in _rows(path, limits, result, report=clock == KNOWN) if told == clock
    )
    while lot := list(itertools.islice(rows, _LOT)):
        new, held = uncovered(lot, cover, 0)
        result.known += held
        result.intervals += len(new)
        result.readings += sum(row[3] or 0 for row in new)
        starts = [row[0] or 0 for row in new]
        ends = [(row[0] or 0) + (row[1] or 0) for row in new]
        cover = cover.joined(starts, ends)
        yield from new


def _rows(
    path: Path, limits: Limits, result: FileResult, *, report: bool
) -> Iterator[tuple[str, Row]]:
    """Yield clock and stored row of each line; note bad ones if ``report`` says so."""
    for line, row in _parsed(path, limits):
        made = row if isinstance(row, str) else _stored(row)
        if not isinstance(made, str):
            yield made
        elif report:
            result.bad.add(BadRow(line, made))


def _is_parquet(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(MAGIC)) == MAGIC


def _parsed(path: Path, limits: Limits) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    """Yield line number and row (or why it is none) of CSV, JSON Lines or Parquet."""
    if _is_parquet(path):
        yield from enumerate(rows_of(path), start=1)
        return
    with RecordedFile(path, limits) as file:
        if file.dialect.json:
            yield from json_rows(file, [])
            return
        lines = file.lines()
        header = next(csv.reader([next(lines, "") or ""]), [])
        yield from csv_rows(lines, header, file, 1)


def _stored(row: Mapping[str, Any]) -> tuple[str, Row] | str:
    """Return clock and stored row, or say why it cannot be one."""
    try:
        # What could only be placed may lie where a clock that was never set has put it.
        earliest_s = EARLIEST_S if row.get("clock") == KNOWN else 0.0
        start_ms = round(Times(earliest_s).seconds(row.get("start")) * 1000.0)
        values = [_integer(field, row.get(field.name)) for field in FIELDS]
    except (ValueError, OverflowError) as error:
        return str(error)
    clock = row.get("clock")
    if clock not in (KNOWN, ESTIMATED):
        return f"clock {sample(clock)} is not one of {KNOWN}, {ESTIMATED}"
    if values[0] is None or not 0 <= values[0] <= _LONGEST_MS:
        return f"duration_s is missing or not between 0 and {_LONGEST_MS / 1000:.0f}"
    return clock, (start_ms, *values)


def _integer(field: Field, value: object) -> int | None:
    """Return the stored integer of an exported value.

    Raises
    ------
    ValueError
        If it is none; the text names the field.
    """
    if value is None or value == "":
        return None
    if field.name == "state":
        if str(value) not in _NUMBERS:
            raise ValueError(f"state {sample(value)} is not one of {', '.join(_NUMBERS)}")
        return _NUMBERS[str(value)]
    number = numeral(value) if isinstance(value, str) else value
    if (
        not isinstance(number, int | float)
        or isinstance(number, bool)
        or not abs(number) * field.divisor < _LARGEST
    ):
        raise ValueError(f"{field.name} {sample(value)} is not a number that a log can hold")
    return round(number * field.divisor)
