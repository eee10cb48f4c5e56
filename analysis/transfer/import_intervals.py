"""Takes intervals that ``ebbwatt export`` wrote back into a log, exactly; nothing counts twice."""

from __future__ import annotations

import csv
import hashlib
import itertools
from typing import TYPE_CHECKING, Any

from analysis.transfer.cover import logged
from analysis.transfer.export import ESTIMATED, FIELDS, KNOWN
from analysis.transfer.import_readings import FileResult
from analysis.transfer.merge import uncovered
from analysis.transfer.packing import packed_columns
from analysis.transfer.refused_rows import RefusedRows
from analysis.transfer.series.parquet import columns_of, is_parquet, rows_of
from analysis.transfer.spool import Spool, table_of
from logger import __version__
from logger.errors import RecordingError
from logger.reading import OperatingState
from logger.recordings.files import RecordedFile
from logger.recordings.rows import BadRow, csv_rows, json_rows
from logger.recordings.times import EARLIEST_S, Times, numeral
from logger.refusals import shown
from logger.store.file_format.carried import carry
from logger.store.records import SessionStart, write_sessions

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from analysis.transfer.export import Field
    from logger.config import Config
    from logger.recordings.limits import Limits

    Row = tuple[int | None, ...]

_MARKS = ("start", "duration_s")
_NUMBERS = {str(state): number for number, state in enumerate(OperatingState)}
#: No interval lasts longer: ten minutes, and what a setting may make of it.
_LONGEST_MS = 7 * 86_400_000
#: Larger numbers are not exact in floating point.
_LARGEST = 2.0**53
#: Rows that are compared with the log at a time.
_LOT = 20_000


def is_exported(path: Path, limits: Limits) -> bool:
    """Tell whether a file holds intervals that ``ebbwatt export`` wrote."""
    if is_parquet(path):
        return columns_of(path, limits)[: len(_MARKS)] == list(_MARKS)
    try:
        with RecordedFile(path, limits) as file:
            line = file.head.partition(b"\n")[0].decode("utf-8", "replace")
    except RecordingError:
        return False  # whoever reads it says why
    if line.startswith("{"):
        return all(f'"{mark}":' in line for mark in _MARKS)
    return line.split(",")[: len(_MARKS)] == list(_MARKS)


def take_exported(config: Config, path: Path) -> FileResult:
    """Add the intervals of an exported file that the log of the configured fitting lacks.

    The whole file goes in in one transaction, or nothing of it; bad rows are refused. The database
    is not locked while the file is read.

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
    with Spool(config.store.path.parent) as known, Spool(config.store.path.parent) as placed:
        spools = {KNOWN: known, ESTIMATED: placed}
        _sort(path, config, spools, result)
        parts = [
            (
                SessionStart(
                    source=f"import {path.name}",
                    started_s=(next(iter(rows))[0] or 0) / 1000.0,
                    offset_quality=2 if clock == KNOWN else 0,
                    digest=digest,
                    version=__version__,
                    configuration=carry(config.document.data),
                ),
                rows,
            )
            for clock, rows in spools.items()
            if len(rows)
        ]
        if parts:
            write_sessions(config.store.path, config.charger, parts, packed_columns)
    return result


def _sort(path: Path, config: Config, spools: Mapping[str, Spool], result: FileResult) -> None:
    """Put the rows that the log lacks by the kind of their clock; count what becomes of them."""
    covers = {clock: logged(config, known=clock == KNOWN) for clock in spools}
    rows = _rows(path, config.limits, result)
    while lot := list(itertools.islice(rows, _LOT)):
        for clock, spool in spools.items():
            new, held = uncovered([row for told, row in lot if told == clock], covers[clock], 0)
            result.known += held
            result.intervals += len(new)
            result.readings += sum(row[3] or 0 for row in new)
            starts = [row[0] or 0 for row in new]
            ends = [(row[0] or 0) + (row[1] or 0) for row in new]
            covers[clock] = covers[clock].joined(starts, ends)
            if new:
                spool.add(table_of(new))


def _rows(path: Path, limits: Limits, result: FileResult) -> Iterator[tuple[str, Row]]:
    """Yield clock and stored row of each line; note bad ones."""
    for line, row in parsed_rows(path, limits):
        made = row if isinstance(row, str) else _stored(row)
        if isinstance(made, str):
            result.bad.add(BadRow(line, made))
        else:
            yield made


def parsed_rows(path: Path, limits: Limits) -> Iterator[tuple[int, Mapping[str, Any] | str]]:
    """Yield line number and row (or why it is none) of CSV, JSON Lines or Parquet."""
    if is_parquet(path):
        yield from enumerate(rows_of(path, limits), start=1)
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
        return f"clock {shown(clock)} is not one of {KNOWN}, {ESTIMATED}"
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
            raise ValueError(f"state {shown(value)} is not one of {', '.join(_NUMBERS)}")
        return _NUMBERS[str(value)]
    number = numeral(value) if isinstance(value, str) else value
    if (
        not isinstance(number, int | float)
        or isinstance(number, bool)
        or not abs(number) * field.divisor < _LARGEST
    ):
        raise ValueError(f"{field.name} {shown(value)} is not a number that a log can hold")
    return round(number * field.divisor)
