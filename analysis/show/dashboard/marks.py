"""Inks, signs and small plots of the dashboard: readable on dark and light, and without Unicode.

Two inks and a grey, each of a lightness whose contrast is at least 4.5 to 1 against black as well
as against white (WCAG 2.2, relative luminance near 0.18), so that the terminal's ground need not be
known. In a palette of 256 colours the nearest colour has that contrast too, but for the orange:
none has, and the nearest has 4.46. Blue against orange stays apart for every common kind of colour
blindness. Ink only ever repeats what a word or a sign says already.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.show.dashboard.canvas import ASCII_DOTS, BRAILLE, HALF_BLOCKS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.show.dashboard.canvas import Dots

#: Inks as RGB; see the module's text.
INKS = {"calm": "#5f5fff", "mind": "#c05500", "quiet": "#767676"}


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
    shade: str
    """A stretch in which the charger ran."""
    bound: str
    """A lower bound: at least this."""
    dot: str
    """Between two statements."""
    dots: Dots
    """How plots are drawn."""


BRAILLE_MARKS = Marks("█", "·", "|", "─", "▒", "^", "·", BRAILLE)
#: For fonts without braille patterns.
BLOCK_MARKS = Marks("█", "·", "|", "─", "▒", "^", "·", HALF_BLOCKS)
ASCII = Marks("#", ".", "|", "-", "=", "A", ";", ASCII_DOTS)

#: What a terminal must be able to write for the marks beyond ASCII.
NEEDED_BLOCKS = "█·─▒▀▄°"
NEEDED = NEEDED_BLOCKS + "\u28ff\N{MINUS SIGN}"


def marks_for(
    encoding: str | None, term: str | None, *, ascii_only: bool = False, blocks: bool = False
) -> Marks:
    """Return the marks that the terminal can show; a text console has few glyphs in its font.

    ``blocks`` asks for half blocks in place of braille patterns, which some fonts lack.
    """
    if ascii_only or term in {"linux", "dumb"}:
        return ASCII
    if not blocks and _can_write(NEEDED, encoding):
        return BRAILLE_MARKS
    return BLOCK_MARKS if _can_write(NEEDED_BLOCKS, encoding) else ASCII


def _can_write(text: str, encoding: str | None) -> bool:
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def bar(value: float, post: float | None, full_scale: float, width: int, marks: Marks) -> str:
    """Return a bar of ``width`` cells from 0 to ``full_scale`` with a post at ``post``."""
    filled = round(width * min(max(value / full_scale, 0.0), 1.0))
    cells = [marks.full] * filled + [marks.empty] * (width - filled)
    if post is not None and 0 < post <= full_scale:
        cells[min(width - 1, round(width * post / full_scale))] = marks.post
    return "".join(cells)


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
