"""Draws vector plots as inline SVG: axes, marks, lines, bands. No scripts, no fonts, no colours.

A drawing carries classes only; the page's style sheet says what they look like, so that print and
screen can differ. Marks differ in shape, never in colour alone. Text from outside must come
through ``analysis.text`` before it gets here; everything is escaped once more on writing.
"""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from logger.durations import YEAR_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

#: Part of the font size that a digit is wide, for keeping labels apart (common sans-serif fonts).
DIGIT = 0.56


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values from ``low`` to ``high`` onto pixels from ``start`` to ``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return the pixel of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def holds(self, value: float) -> bool:
        """Return whether the value lies on the scale."""
        return self.low <= value <= self.high


def ticks(low: float, high: float, most: int) -> list[float]:
    """Return at most ``most`` round values (1, 2 or 5 times a power of ten) from low to high."""
    raw = (high - low) / max(most, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10, 20) if m * power >= raw)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    while last - first + 1 > most:
        step *= 2
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [n * step for n in range(first, last + 1)]


def date_ticks(low_s: float, high_s: float, most: int) -> list[tuple[float, str]]:
    """Return at most ``most`` calendar marks between two Unix times, with their ISO labels."""
    months = (high_s - low_s) / (YEAR_S / 12.0)
    for step in (1, 2, 3, 6, 12, 24, 36, 60, 120):
        if months / step <= most - 1:
            break
    start = datetime.fromtimestamp(low_s, UTC)
    month = (start.year * 12 + start.month - 1) // step * step
    marks: list[tuple[float, str]] = []
    while True:
        moment = datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC)
        at = moment.timestamp()
        if at > high_s:
            return marks[:most]
        if at >= low_s:
            marks.append((at, moment.strftime("%Y" if step >= 12 else "%Y-%m")))
        month += step


@dataclass(slots=True)
class Drawing:
    """An SVG drawing of ``width`` by ``height`` pixels, built up part by part."""

    width: float
    height: float
    name: str
    """Unique in the page; the text alternative hangs on it."""
    parts: list[str] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line."""
        self.parts.append(f'<path class="{kind}" d="M{n(x1)} {n(y1)}L{n(x2)} {n(y2)}"/>')

    def path(self, xs: Sequence[float], ys: Sequence[float], kind: str) -> None:
        """Draw a line through points."""
        if len(xs) > 1:
            steps = "L".join(f"{n(x)} {n(y)}" for x, y in zip(xs, ys, strict=True))
            self.parts.append(f'<path class="{kind}" d="M{steps}"/>')

    def band(
        self, xs: Sequence[float], lower: Sequence[float], upper: Sequence[float], kind: str
    ) -> None:
        """Fill the stretch between two lines."""
        if len(xs) > 1:
            there = [f"{n(x)} {n(y)}" for x, y in zip(xs, upper, strict=True)]
            back = [f"{n(x)} {n(y)}" for x, y in zip(xs, lower, strict=True)]
            self.parts.append(f'<path class="{kind}" d="M{"L".join(there + back[::-1])}Z"/>')

    def marks(self, points: Iterable[tuple[float, float]], kind: str, shape: str = "h0") -> None:
        """Draw one mark per point in one path: the shape is what follows each move."""
        unique = dict.fromkeys(f"M{n(x)} {n(y)}{shape}" for x, y in points)
        if unique:
            self.parts.append(f'<path class="{kind}" d="{"".join(unique)}"/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """Draw a rectangle."""
        self.parts.append(
            f'<rect class="{kind}" x="{n(x)}" y="{n(y)}" width="{n(width)}" height="{n(height)}"/>'
        )

    def text(
        self, x: float, y: float, words: str, kind: str = "lab", anchor: str = "start"
    ) -> None:
        """Write a text; ``anchor`` is start, middle or end."""
        self.parts.append(
            f'<text class="{kind}" x="{n(x)}" y="{n(y)}" text-anchor="{anchor}">'
            f"{html.escape(words, quote=False)}</text>"
        )

    def render(self, title: str, description: str, kind: str = "") -> str:
        """Return the SVG element with its text alternative."""
        return (
            f'<svg class="{kind}" viewBox="0 0 {n(self.width)} {n(self.height)}" role="img" '
            f'aria-labelledby="{self.name}-t {self.name}-d">'
            f'<title id="{self.name}-t">{html.escape(title, quote=False)}</title>'
            f'<desc id="{self.name}-d">{html.escape(description, quote=False)}</desc>'
            f"{''.join(self.parts)}</svg>"
        )


#: A small triangle pointing up, "at least": begins at the point itself, its tip above it.
AT_LEAST = "m-2.6 2h5.2l-2.6-4.6z"
#: A small open circle: what lies under many of them can still be seen.
CIRCLE = "m-2 0a2 2 0 1 0 4 0a2 2 0 1 0-4 0"
#: A small cross for what was left out.
CROSS = "m-1.8-1.8l3.6 3.6m0-3.6l-3.6 3.6"


def n(value: float) -> str:
    """Return a pixel to a tenth, as short as it can be written."""
    text = f"{value:.1f}"
    return text.removesuffix(".0")
