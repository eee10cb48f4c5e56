"""Reads CSV into columns by pandas, whatever its numbers look like.

Pandas takes half a second to import, so this module is imported only for what is not plain.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.transfer.pieces.columns import Columns
from logger.reading import CHANNELS
from logger.recordings.times import numeral

if TYPE_CHECKING:
    from logger.recordings.files import Dialect

#: Ends of words that pandas would read as numbers and this program does not.
_NO_NUMBERS = (b"rue", b"RUE", b"alse", b"ALSE")


def table_columns(piece: bytes, header: list[str], dialect: Dialect) -> Columns | None:
    """Return the columns of a piece, or None if anything in it needs a closer look."""
    mark = dialect.delimiter.encode()
    rows = _even_rows(piece, len(header), mark)
    if rows is None or any(word in piece for word in _NO_NUMBERS):
        return None
    first = dict(zip(header, piece[: piece.find(b"\n") + 1 or None].split(mark), strict=True))
    kinds: dict[str, Any] = {name: "float64" for name in CHANNELS if name in header}
    suffix = _offset(first["time"].strip(), dialect.decimal)
    kinds["time"] = "float64" if suffix is None else "str"
    if "state" in header:
        kinds["state"] = "category"
    try:
        table = pd.read_csv(
            io.BytesIO(piece),
            header=None,
            names=header,
            sep=dialect.delimiter,
            decimal=dialect.decimal,
            usecols=list(kinds),
            dtype=kinds,
            na_values=[""],
            keep_default_na=False,
            skip_blank_lines=False,
        )
        time = _times(piece, table["time"], suffix, mark)
    except (ValueError, OverflowError):
        return None
    if time is None or len(table) != rows:
        return None
    channels = {name: table[name].to_numpy(dtype=float) for name in CHANNELS if name in kinds}
    if "state" not in table:
        return Columns(time, suffix is None, channels, [], None)
    # A field that is empty has the code -1: the last word.
    words = [*(str(name) for name in table["state"].cat.categories), ""]
    places = table["state"].cat.codes.to_numpy().astype(np.intp)
    return Columns(time, suffix is None, channels, words, places % len(words))


def _even_rows(piece: bytes, fields: int, mark: bytes) -> int | None:
    """Return the number of rows if each has its fields and nothing but plain ASCII, else None."""
    raw = np.frombuffer(piece, dtype=np.uint8)
    if bool(np.any(raw >= 128)) or b"\0" in piece:
        return None
    ends = np.flatnonzero(raw == ord("\n"))
    if not piece.endswith(b"\n"):
        ends = np.append(ends, len(raw))
    commas = np.searchsorted(np.flatnonzero(raw == ord(mark)), ends)
    even = bool(np.all(np.diff(commas, prepend=0) == fields - 1))
    # A line that is blank holds one empty field, which only a single column could take for a row.
    return len(ends) if even and fields > 1 else None


def _offset(text: bytes, decimal: str) -> bytes | None:
    """Return the offset at the end of an ISO 8601 time, or None if it is a number."""
    if numeral(text.decode("ascii"), decimal) is not None:
        return None
    return b"Z" if text.endswith(b"Z") else text[-6:]


def _times(piece: bytes, column: pd.Series[Any], suffix: bytes | None, mark: bytes) -> Any:  # noqa: ANN401 - an array or None
    """Return Unix seconds or numbers; None if not every time is of one kind with one offset."""
    if suffix is None:
        return column.to_numpy(dtype=float)
    ends = sum(piece.count(suffix + after) for after in (mark, b"\n"))
    if ends + piece.endswith(suffix) != len(column):
        return None
    moments = pd.DatetimeIndex(pd.to_datetime(column, format="ISO8601"))
    if moments.tz is None:
        return None
    return moments.as_unit("ns").asi8 / 1e9
