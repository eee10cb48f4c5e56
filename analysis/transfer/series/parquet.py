"""Parquet files through pyarrow: a column of times, and a column for each channel."""

from __future__ import annotations

import stat
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from logger.errors import RecordingError, UsageError
from logger.recordings.files import beyond_unpacked
from logger.recordings.times import parse_time

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.transfer.series.mapping import Selector, SeriesMapping
    from analysis.transfer.series.samples import Samples
    from logger.recordings.limits import Limits
    from logger.sources.fields import Field

    Floats = NDArray[np.float64]

#: The first bytes of a Parquet file (parquet-format, README).
_MAGIC = b"PAR1"
#: Rows that are read at a time: it bounds the memory (our choice).
_ROWS = 65_536


def is_parquet(path: Path) -> bool:
    """Tell whether a plain file is Parquet, by its first bytes."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
        with path.open("rb") as file:
            return file.read(len(_MAGIC)) == _MAGIC
    except OSError:
        return False  # said by whoever reads it


def parquet_file(path: Path, file: IO[bytes], limits: Limits) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Open a Parquet file.

    Raises
    ------
    UsageError
        If pyarrow is not installed.
    RecordingError
        If the file is damaged or beyond the limits.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise UsageError(
            f"{path}: Parquet needs the package pyarrow: pip install 'ebbwatt[parquet]'"
        ) from None
    try:
        found = parquet.ParquetFile(file)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordingError(f"{path}: cannot be read: {_line(error)}") from None
    if found.metadata.num_columns > limits.most_columns:
        raise RecordingError(
            f"{path}: has more than {limits.most_columns} columns (most_columns in [limits])"
        )
    groups = range(found.metadata.num_row_groups)
    unpacked = sum(found.metadata.row_group(k).total_byte_size for k in groups)
    if unpacked > limits.largest_unpacked_mb * 1_000_000:
        raise RecordingError(beyond_unpacked(path, limits))
    return found


def columns_of(path: Path, limits: Limits) -> list[str]:
    """Return the names of the columns of a Parquet file.

    Raises
    ------
    UsageError, RecordingError
        As :func:`parquet_file`.
    """
    with path.open("rb") as file:
        return list(parquet_file(path, file, limits).schema_arrow.names)


def rows_of(path: Path, limits: Limits) -> Iterator[dict[str, Any]]:
    """Yield the rows of a Parquet file.

    Raises
    ------
    UsageError, RecordingError
        As :func:`parquet_file`.
    """
    with path.open("rb") as file:
        for batch in _batches(path, parquet_file(path, file, limits), None):
            yield from batch.to_pylist()


def read_parquet(samples: Samples) -> None:
    """Collect the columns that [import.fields] names.

    Raises
    ------
    UsageError, RecordingError
        As :func:`parquet_file`; also where the column of times is missing.
    """
    try:
        with samples.path.open("rb") as file:
            _collect(parquet_file(samples.path, file, samples.limits), samples)
    except OSError as error:
        raise RecordingError(f"{samples.path}: cannot be read: {error}") from None


def _collect(found: Any, samples: Samples) -> None:  # noqa: ANN401 - pyarrow has no types
    path, mapping = samples.path, samples.mapping
    names = found.schema_arrow.names
    if mapping.time not in names:
        raise RecordingError(
            f"{path}: has no column {mapping.time!r}; write the name of the column of times as "
            f"time into [import]. It has: {', '.join(n[:80] for n in names[:20])}"
        )
    chosen: dict[str, list[tuple[Selector, Field]]] = {}
    for name in names:
        if name != mapping.time and (fits := mapping.fields_of(name, {})):
            chosen[name] = fits
        elif name != mapping.time:
            samples.ignore(name)
    for name, fits in chosen.items():
        for selector, field in fits:
            samples.claim(field.channel, selector, name, {})
    row = 0
    for batch in _batches(path, found, [mapping.time, *chosen]) if chosen else ():
        time_s = _times(batch.column(mapping.time), mapping, row, samples)
        for name, fits in chosen.items():
            for _, field in fits:
                _column(batch.column(name), time_s, field, row, samples)
        row += batch.num_rows


def _batches(path: Path, found: Any, columns: list[str] | None) -> Iterator[Any]:  # noqa: ANN401
    import pyarrow as pa

    try:
        yield from found.iter_batches(batch_size=_ROWS, columns=columns)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise RecordingError(f"{path}: cannot be read: {_line(error)}") from None


def _times(column: Any, mapping: SeriesMapping, row: int, samples: Samples) -> Floats:  # noqa: ANN401
    """Return Unix seconds, NaN where a row has none."""
    import pyarrow as pa
    from pyarrow import types

    kind = column.type
    if types.is_timestamp(kind):
        ticks = column.cast(pa.int64()).to_numpy(zero_copy_only=False).astype(float)
        # A time without a zone is UTC, as Parquet itself has it (isAdjustedToUTC aside).
        per_second = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[kind.unit]
        return np.asarray(ticks / per_second)
    if types.is_integer(kind):
        ticks = column.to_numpy(zero_copy_only=False).astype(float)
        return np.asarray(ticks / mapping.per_second)
    if types.is_floating(kind):
        return np.asarray(column.to_numpy(zero_copy_only=False), dtype=float)
    time_s = np.full(len(column), np.nan)
    for place, value in enumerate(column.to_pylist()):
        try:
            time_s[place] = parse_time(value)
        except ValueError as error:
            samples.refuse(row + place + 1, str(error))
    return time_s


def _column(
    column: Any,  # noqa: ANN401
    time_s: Floats,
    field: Field,
    row: int,
    samples: Samples,
) -> None:
    from pyarrow import types

    kind = column.type
    plain = types.is_floating(kind) or types.is_integer(kind)
    if plain and field.channel != "state" and not field.mask:
        values = column.to_numpy(zero_copy_only=False).astype(float)
        samples.add_column(time_s, field, values)
        return
    for place, value in enumerate(column.to_pylist()):
        if value is None or not np.isfinite(time_s[place]):
            continue
        if not isinstance(value, str | int | float):
            samples.refuse(row + place + 1, f"{field.channel}: not a number or text")
            continue
        samples.add(row + place + 1, float(time_s[place]), field, value)


def _line(error: BaseException) -> str:
    return " ".join(str(error).split())[:200]
