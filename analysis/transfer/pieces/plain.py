"""Reads plain CSV into columns by numpy alone.

Plain are numbers such as ``-12.75``, times of one form, words of letters: what loggers write. Of
anything else nothing is taken, and :mod:`analysis.transfer.pieces.tables` has a look at it. Pandas
is slower to import than a season is to read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.pieces.columns import Columns
from logger.reading import CHANNELS
from logger.recordings.times import numeral

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logger.recordings.files import Dialect

    Bytes = NDArray[np.uint8]
    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Mask = NDArray[np.bool_]

#: Longest field that is taken as plain; longer ones are no measured values.
_LONGEST = 40
#: Digits that surely fit into 64 bits, and the whole numbers that a float holds exactly: a numeral
#: of these, divided by a power of ten that a float holds exactly too, is the nearest float.
_DIGITS, _EXACT = 18, 2**53
_POWERS = np.array([float(10**k) for k in range(_DIGITS + 1)])
_ZERO, _MINUS = ord("0"), ord("-")
#: ISO 8601 as it is taken here, a digit for each 0; a fraction and the offset follow.
_MOMENT = b"0000-00-00T00:00:00"
_OFFSET = re.compile(rb"([+-])([01][0-9]|2[0-3]):([0-5][0-9])")
_MINUTE_NS = 60 * 10**9


def plain_columns(piece: bytes, header: list[str], dialect: Dialect) -> Columns | None:
    """Return the columns of a piece, or None if anything in it is not plain.

    Parameters
    ----------
    piece
        Whole lines without a quote; the last may lack its end.
    header
        Name of each column, ``time`` among them.
    dialect
        Delimiter and decimal mark.
    """
    found = fields(piece, len(header), dialect.delimiter)
    if found is None:
        return None
    place = header.index("time")
    counted = numeral(found.first(place), dialect.decimal) is not None
    time = found.numbers(place, dialect.decimal) if counted else found.moments(place)
    words = found.words(header.index("state")) if "state" in header else ([], None)
    if time is None or words is None:
        return None
    channels: dict[str, Floats] = {}
    for name in CHANNELS:
        if name in header:
            values = found.numbers(header.index(name), dialect.decimal)
            if values is None:
                return None
            channels[name] = values
    return Columns(time, counted, channels, *words)


@dataclass(frozen=True, slots=True)
class Fields:
    """Where the fields of one piece begin and end in it; (rows, columns)."""

    raw: Bytes
    """The bytes of the piece, and more than the longest field behind them."""
    start: Indices
    end: Indices
    """The bytes behind the fields."""

    def first(self, place: int) -> str:
        """Return the first field of a column."""
        return str(self.raw[self.start[0, place] : self.end[0, place]].tobytes(), "ascii")

    def numbers(self, place: int, decimal: str = ".") -> Floats | None:
        """Return a column of numbers, NaN where a field is empty; None if one is not plain."""
        start, width = self.start[:, place], self.end[:, place] - self.start[:, place]
        longest = int(width.max(initial=0))
        if longest > _LONGEST:
            return None
        whole = np.zeros(len(start), dtype=np.int64)
        digits = np.zeros(len(start), dtype=np.int8)
        behind = np.zeros(len(start), dtype=np.int8)
        dotted = np.zeros(len(start), dtype=bool)
        negative = self.raw[start] == _MINUS
        negative &= width > 0
        mark = np.uint8(ord(decimal))
        for k in range(longest):
            byte = self.raw[start + k]
            inside = width > k
            digit = byte - np.uint8(_ZERO)  # wraps round: whatever is no digit is above nine
            is_digit = (digit <= 9) & inside
            is_dot = (byte == mark) & inside
            odd = inside & ~is_digit & ~is_dot
            if k == 0:
                odd &= ~negative
            if odd.any() or (is_dot & dotted).any():
                return None
            if is_digit.all():
                whole *= 10
                whole += digit
                digits += 1
                behind += dotted
            else:
                whole = np.where(is_digit, whole * 10 + digit, whole)
                digits += is_digit
                behind += is_digit & dotted
                dotted |= is_dot
            if k >= _DIGITS - 1 and int(digits.max()) > _DIGITS:
                return None
        if ((digits == 0) & (width > 0)).any() or (whole >= _EXACT).any():
            return None
        values: Floats = whole / _POWERS[behind]
        np.negative(values, out=values, where=negative)
        values[width == 0] = np.nan
        return values

    def moments(self, place: int) -> Floats | None:
        """Return Unix seconds of a column of ISO 8601 times; None if one is not plain.

        All have the offset of the first.
        """
        first = self.first(place).encode("ascii")
        suffix = first[-1:] if first.endswith(b"Z") else first[-6:]
        offset_ns = _offset_ns(suffix)
        if offset_ns is None:
            return None
        start, end = self.start[:, place], self.end[:, place] - len(suffix)
        if any(not (self.raw[end + k] == byte).all() for k, byte in enumerate(suffix)):
            return None
        bare_ns = self._bare_ns(start, end - start)
        return None if bare_ns is None else (bare_ns - offset_ns) / 1e9

    def _bare_ns(self, start: Indices, width: Indices) -> NDArray[np.int64] | None:
        """Return the nanoseconds of times without their offsets, None if one is not plain."""
        longest, seconds = int(width.max()), len(_MOMENT)
        # A fraction has a dot and one to nine digits.
        if (width < seconds).any() or longest > seconds + 10 or (width == seconds + 1).any():
            return None
        texts = np.zeros((len(start), longest), dtype=np.uint8)
        for k in range(longest):
            byte = self.raw[start + k]
            inside = width > k
            expected = _MOMENT[k : k + 1] or (b"." if k == seconds else b"0")
            sound = (byte - np.uint8(_ZERO) <= 9) if expected == b"0" else byte == expected[0]
            if not (sound | ~inside).all():
                return None
            texts[:, k] = np.where(inside, byte, 0)
        # Beyond these centuries nanoseconds leave 64 bits.
        century = (texts[:, 0] - _ZERO) * 10 + (texts[:, 1] - _ZERO)
        if not ((century >= 19) & (century <= 21)).all():
            return None
        try:
            moments = texts.view(f"S{longest}").ravel().astype("datetime64[ns]")
        except ValueError:  # no such day
            return None
        return moments.astype(np.int64)

    def words(self, place: int) -> tuple[list[str], Indices] | None:
        """Return the words of a column in order, and for each row the place of its word."""
        start, width = self.start[:, place], self.end[:, place] - self.start[:, place]
        longest = int(width.max(initial=0))
        if longest > _LONGEST:
            return None
        if not longest:
            return [""], np.zeros(len(start), dtype=np.intp)
        texts = np.zeros((len(start), longest), dtype=np.uint8)
        for k in range(longest):
            texts[:, k] = np.where(width > k, self.raw[start + k], 0)
        words = texts.view(f"S{longest}").ravel()
        # Few words, many rows: where the word changes is found faster than they are sorted.
        begins = np.flatnonzero(np.append(True, words[1:] != words[:-1]))
        found, places = np.unique(words[begins], return_inverse=True)
        lengths = np.diff(np.append(begins, len(words)))
        return [str(word, "ascii") for word in found.tolist()], np.repeat(places, lengths)


def fields(piece: bytes, columns: int, delimiter: str) -> Fields | None:
    """Find the fields of a piece; None unless each row has its columns in plain ASCII.

    Parameters
    ----------
    piece
        Whole lines; the last may lack its end.
    columns
        Fields of each row, two at least: of a single one a blank line could be a row.
    delimiter
        What stands between them.
    """
    if columns < 2 or not piece or b"\0" in piece or not piece.isascii():
        return None
    whole = piece if piece.endswith(b"\n") else piece + b"\n"
    raw = np.frombuffer(whole + b"\n" * _LONGEST, dtype=np.uint8)
    text = raw[: len(whole)]
    line_end = text == ord("\n")
    end = np.flatnonzero(line_end | (text == ord(delimiter)))
    rows = int(np.count_nonzero(line_end))
    if len(end) != rows * columns or not line_end[end[columns - 1 :: columns]].all():
        return None
    start = np.append(0, end[:-1] + 1)
    return Fields(raw, start.reshape(-1, columns), end.reshape(-1, columns))


def _offset_ns(suffix: bytes) -> int | None:
    """Return the offset that ``Z`` or ``+02:00`` means, ns; None if it is neither."""
    if suffix == b"Z":
        return 0
    found = _OFFSET.fullmatch(suffix)
    if found is None:
        return None
    minutes = int(found[2]) * 60 + int(found[3])
    return (-minutes if found[1] == b"-" else minutes) * _MINUTE_NS
