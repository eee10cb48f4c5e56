"""Inks, signs and small plots of the dashboard: readable on dark and light, and without Unicode.

Two inks and a grey, each of a lightness whose contrast is at least 4.5 to 1 against black as well
as against white (WCAG 2.2, relative luminance near 0.18), so that the terminal's ground need not
be known. Blue against orange stays apart for every common kind of colour blindness. Ink only ever
repeats what a word or a sign says already.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

#: Inks as RGB; see the module's text.
INKS = {"calm": "#1a76d2", "mind": "#c94f05", "quiet": "#767676"}


@dataclass(frozen=True, slots=True)
class Marks:
    """The characters that a terminal can show."""

    full: str
    """A full cell of a bar."""
    empty: str
    """An empty cell of a bar, and of a limit's row in a plot."""
    post: str
    """Where a limit or an available value stands on a bar."""
    rule: str
    levels: tuple[str, str, str]
    """A mark low, in the middle and high in its cell."""
    bound: str
    """A lower bound: at least this."""
    dot: str
    """Between two statements."""


UNICODE = Marks("█", "·", "|", "─", ("▁", "─", "▔"), "^", "·")
ASCII = Marks("#", ".", "|", "-", ("_", "-", "^"), "A", ";")

#: What a terminal must be able to write for the marks beyond ASCII.
NEEDED = "".join({c for m in ("█·─▁▔°", "\N{MINUS SIGN}") for c in m})


def marks_for(encoding: str | None, term: str | None, *, ascii_only: bool = False) -> Marks:
    """Return the marks that the terminal can show; a text console has few glyphs in its font."""
    if ascii_only or term in {"linux", "dumb"}:
        return ASCII
    try:
        NEEDED.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return UNICODE


def bar(value: float, post: float | None, full_scale: float, width: int, marks: Marks) -> str:
    """Return a bar of ``width`` cells from 0 to ``full_scale`` with a post at ``post``."""
    filled = round(width * min(max(value / full_scale, 0.0), 1.0))
    cells = [marks.full] * filled + [marks.empty] * (width - filled)
    if post is not None and 0 < post <= full_scale:
        cells[min(width - 1, round(width * post / full_scale))] = marks.post
    return "".join(cells)


@dataclass(frozen=True, slots=True)
class Level:
    """A named level that a plot shows as a row of dots."""

    value: float
    name: str


def plot(
    columns: NDArray[np.float64],
    bounds: NDArray[np.bool_],
    low: float,
    high: float,
    rows: int,
    marks: Marks,
    levels: Sequence[Level] = (),
) -> list[str]:
    """Draw one mark per column between ``low`` and ``high``; NaN leaves its column empty.

    Parameters
    ----------
    columns
        Value of each column, shape (n,).
    bounds
        Whether the value is a lower bound, shape (n,).
    low, high
        The ends of the scale.
    rows
        Height in lines; each line tells three levels apart.
    levels
        Levels to be shown as dotted rows.
    """
    field = [[" "] * len(columns) for _ in range(rows)]
    for level in levels:
        if low <= level.value <= high:
            row, _ = _cell(level.value, low, high, rows)
            field[row] = [marks.empty] * len(columns)
    for place, value in enumerate(columns):
        if np.isfinite(value):
            row, third = _cell(min(max(float(value), low), high), low, high, rows)
            field[row][place] = marks.bound if bounds[place] else marks.levels[third]
    return ["".join(row) for row in field]


def _cell(value: float, low: float, high: float, rows: int) -> tuple[int, int]:
    """Return the row (0 is the top) and the third of its height in which a value lies."""
    step = min(int((value - low) / (high - low) * rows * 3), rows * 3 - 1)
    return rows - 1 - step // 3, step % 3


def row_of(value: float, low: float, high: float, rows: int) -> int:
    """Return the row (0 is the top) in which a value lies."""
    return _cell(value, low, high, rows)[0]


def binned(
    times: NDArray[np.float64],
    values: NDArray[np.float64],
    start: float,
    end: float,
    columns: int,
) -> NDArray[np.float64]:
    """Return the mean value per column of equal time; NaN where there is none."""
    inside = (times >= start) & (times < end) & np.isfinite(values)
    place = ((times[inside] - start) / (end - start) * columns).astype(np.int64)
    place = np.clip(place, 0, columns - 1)
    count = np.bincount(place, minlength=columns)
    total = np.bincount(place, values[inside], columns)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
