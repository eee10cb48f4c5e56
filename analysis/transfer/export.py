"""Writes the log out for other programs: CSV, JSON Lines or Parquet, exact and row by row.

Stored integers become decimals with just as many places, so that an exported file imported again
gives the same rows (:mod:`analysis.transfer.import_intervals` reads it). Memory does not grow with
the log.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import itertools
import json
import math
import sys
import zlib
from collections.abc import Generator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import IO, TYPE_CHECKING, Any

from logger.errors import UsageError
from logger.reading import CHANNELS, OperatingState
from logger.store.placement import Placed
from logger.store.raw import raw_readings
from logger.system.output import HEAD, Kind, new_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from logger.store.reader import Reader

    Row = tuple[Any, ...]

FORMATS = ("csv", "jsonl", "parquet")
_SUFFIXES = {".csv": "csv", ".jsonl": "jsonl", ".ndjson": "jsonl", ".parquet": "parquet"}
#: A spreadsheet takes a cell that begins so for a formula.
#: Source: OWASP, "CSV Injection" (from memory); the apostrophe itself, so that it can be undone.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_STATES = tuple(str(state) for state in OperatingState)
_PARQUET_ROWS = 1 << 16


@dataclass(frozen=True, slots=True)
class Field:
    """One exported column: ``value = stored / divisor``, written with ``places`` decimals."""

    name: str
    stored: str
    divisor: int = 1
    places: int = 0


#: Columns of exported intervals after ``start`` and before ``clock``.
FIELDS = (
    Field("duration_s", "duration_ms", 1000, 3),
    Field("state", "state"),
    Field("readings", "readings"),
    Field("charge_c", "charge_mc", 1000, 3),
    Field("energy_j", "energy_mj", 1000, 3),
    Field("voltage_min_v", "voltage_min_mv", 1000, 3),
    Field("voltage_max_v", "voltage_max_mv", 1000, 3),
    Field("voltage_mean_v", "voltage_mean_mv", 1000, 3),
    Field("voltage_last_v", "voltage_last_mv", 1000, 3),
    Field("runtime_h", "runtime_s", 3600, 6),
    Field("temperature_c", "temperature_cc", 100, 2),
    Field("battery_charge_c", "battery_charge_mc", 1000, 3),
    Field("fuel_l", "fuel_ml", 1000, 3),
)
#: What ``clock`` says: the start is known, or could only be placed between its neighbours.
KNOWN, ESTIMATED = "known", "estimated"
INTERVAL_COLUMNS = ("start", *(field.name for field in FIELDS), "clock")
EVENT_COLUMNS = ("time", "kind", "amount", "text", "struck")
#: Columns of exported raw readings: those of a recording.
RAW_COLUMNS = ("time", "state", *CHANNELS)
_PLACES = {field.name: field.places for field in FIELDS if field.places}
_PLACES |= dict.fromkeys(("voltage_v", "current_a", "battery_current_a"), 3)


def interval_rows(reader: Reader, fitting: int) -> Iterator[Row]:
    """Yield the intervals of a fitting with :data:`INTERVAL_COLUMNS`, in order of writing."""
    clocks, nowhere = reader.clocks(), Placed(0, known=False)
    columns = ("session", "start_ms", *(field.stored for field in FIELDS))
    scales = [(field.divisor, field.places) for field in FIELDS]
    state = [field.name for field in FIELDS].index("state")
    with reader.snapshot():
        # Whatever stands in the file is exported; text where a number belongs is left empty.
        rows = reader.intervals(fitting, 1, 2**63 - 1, columns, doubted=True)
        for session, start_ms, *stored in rows:
            placed = clocks.get(-1 if session == math.inf else int(session), nowhere)
            values: list[str | float | None] = [
                None if value == math.inf else round(value / divisor, places) if places else value
                for value, (divisor, places) in zip(stored, scales, strict=True)
            ]
            values[state] = _state_name(values[state])
            clock = KNOWN if placed.known else ESTIMATED
            start = "" if start_ms == math.inf else iso_time(int(start_ms) + placed.offset_ms)
            yield (start, *values, clock)


def raw_rows(reader: Reader, fitting: int) -> Iterator[Row]:
    """Yield the raw readings that are kept of a fitting with :data:`RAW_COLUMNS`."""
    for reading in raw_readings(reader, fitting):
        values = (getattr(reading, name) for name in CHANNELS)
        yield iso_time(round(reading.time_s * 1000.0)), str(reading.state), *values


def event_rows(reader: Reader) -> Iterator[Row]:
    """Yield every event with :data:`EVENT_COLUMNS`, in order of time, struck ones included."""
    for event in reader.events():
        time = iso_time(round(event.time_s * 1000.0))
        yield time, event.kind, event.amount, event.text, event.struck


def _state_name(stored: str | float | None) -> str | None:
    if stored is None:
        return None
    number = int(stored)
    return _STATES[number] if 0 <= number < len(_STATES) else str(OperatingState.UNKNOWN)


def iso_time(time_ms: int) -> str:
    """Return a Unix time in milliseconds as ISO 8601 in UTC, or in seconds outside its years."""
    try:
        moment = _EPOCH + timedelta(milliseconds=time_ms)
    except OverflowError:
        return f"{time_ms / 1000.0:.3f}"
    return moment.isoformat(timespec="milliseconds").removesuffix("+00:00") + "Z"


def format_of(target: Path | None, told: str | None) -> str:
    """Return the format: as told, else by the suffix (``.gz`` apart), else CSV for a stream.

    Raises
    ------
    UsageError
        If neither says one that is known, or it cannot go there.
    """
    if told is None and target is not None:
        suffixes = [suffix.lower() for suffix in target.suffixes if suffix.lower() != ".gz"]
        told = _SUFFIXES.get(suffixes[-1] if suffixes else "")
        if told is None:
            raise UsageError(
                f"{target}: its name does not say the format; end it with "
                f"{', '.join(_SUFFIXES)} (and .gz if wanted) or add --format {'|'.join(FORMATS)}"
            )
    if told == "parquet" and (target is None or target.suffix == ".gz"):
        raise UsageError("Parquet compresses by itself and needs a file: name one without .gz")
    return told or "csv"


def export(
    target: Path | None,
    form: str,
    columns: tuple[str, ...],
    rows: Iterable[Row],
    *,
    replace: bool,
    keep: Mapping[Path, str],
) -> int:
    """Write rows to a file, whole or not at all, or to standard output (None); return how many.

    Raises
    ------
    UsageError
        If the file exists already and ``replace`` is not given, or it is one of ``keep`` or
        something else that must stay, or Parquet is not at hand.
    EbbwattError
        If it cannot be written.
    """
    with contextlib.closing(_closable(rows)) as closable:
        return _export(target, form, columns, closable, replace=replace, keep=keep)


def _closable(rows: Iterable[Row]) -> Generator[Row]:
    """Pass the rows on, and close their generator while its database is still open."""
    try:
        yield from rows
    finally:
        if isinstance(rows, Generator):
            rows.close()


def _export(
    target: Path | None,
    form: str,
    columns: tuple[str, ...],
    rows: Iterable[Row],
    *,
    replace: bool,
    keep: Mapping[Path, str],
) -> int:
    counted = itertools.count()
    passing = (row for row, _ in zip(rows, counted, strict=False))
    if target is None:
        write_rows(sys.stdout, form, columns, passing)
    else:
        kind = _table_kind(columns)
        if target.is_file() and not replace:
            raise UsageError(f"{target}: exists already; name another file or add --replace")
        with new_file(target, kind, keep) as partial:
            if form == "parquet":
                _write_parquet(partial, columns, passing)
            else:
                with _opened(partial, packed=target.suffix == ".gz") as file:
                    write_rows(file, form, columns, passing)
    return next(counted)


@contextlib.contextmanager
def _opened(path: Path, *, packed: bool) -> Iterator[IO[str]]:
    """Open a text file for writing; a packed one holds neither time nor name: RFC 1952, MTIME 0.

    The same rows give the same bytes.
    """
    if not packed:
        with path.open("w", encoding="utf-8", newline="") as file:
            yield file
        return
    with (
        path.open("wb") as raw,
        gzip.GzipFile("", "wb", fileobj=raw, mtime=0) as inner,
        io.TextIOWrapper(inner, encoding="utf-8", newline="") as file,
    ):
        yield file


def _table_kind(columns: tuple[str, ...]) -> Kind:
    """Return the kind of the tables with these columns, in any format."""
    csv_head = ",".join(columns).encode()
    json_head = b'{"' + columns[0].encode() + b'": '
    json_marks = [f'"{name}": '.encode() for name in columns]

    def is_one(head: bytes, tail: bytes) -> bool:
        if head.startswith(b"\x1f\x8b"):
            with contextlib.suppress(zlib.error):
                head = zlib.decompressobj(zlib.MAX_WBITS | 16).decompress(head, HEAD)
        if head.startswith(b"PAR1"):
            # The names of the columns stand at the end of a Parquet file.
            return all(name.encode() in tail for name in columns)
        line = head.split(b"\n", 1)[0].rstrip(b"\r")
        in_json = line.startswith(json_head) and all(mark in line for mark in json_marks)
        return line == csv_head or in_json

    return Kind("table of this kind", is_one)


def write_rows(file: IO[str], form: str, columns: tuple[str, ...], rows: Iterable[Row]) -> None:
    """Write rows as CSV or as JSON Lines."""
    if form == "csv":
        forms = [f"%.{_PLACES[name]}f" if name in _PLACES else "" for name in columns]
        writer = csv.writer(file)  # lines end with CR LF: RFC 4180
        writer.writerow(columns)
        writer.writerows(
            [
                # Almost all cells are such numbers: no call for each.
                form % value if form and type(value) is float else _cell(value, form)
                for value, form in zip(row, forms, strict=True)
            ]
            for row in rows
        )
        return
    for row in rows:
        json.dump(dict(zip(columns, row, strict=True)), file, ensure_ascii=False)
        file.write("\n")


def _cell(value: object, form: str) -> str:
    """Return a CSV cell; text that a spreadsheet would run stands behind an apostrophe."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return f"'{value}" if value.startswith(_FORMULA) else value
    return form % value if form else f"{value}"


def _write_parquet(path: Path, columns: tuple[str, ...], rows: Iterable[Row]) -> None:
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise UsageError(
            "Parquet needs the package pyarrow, which is not installed: pip install "
            "'ebbwatt[parquet]', or export as CSV or JSON Lines"
        ) from None
    kinds = {
        "readings": pa.int64(),
        "amount": pa.float64(),
        "struck": pa.bool_(),
        **dict.fromkeys(_PLACES, pa.float64()),
    }
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in columns])
    rows = iter(rows)
    with parquet.ParquetWriter(path, schema) as writer:
        while lot := list(itertools.islice(rows, _PARQUET_ROWS)):
            arrays = [
                pa.array(values, field.type)
                for values, field in zip(zip(*lot, strict=True), schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
