"""Draws vector plots as inline SVG: axes, marks, lines, bands. No scripts, no fonts, no colours.

A drawing carries classes only; the page's style sheet says what they look like, so that print and
screen can differ. Marks differ in shape, never in colour alone. Text from outside must come
through ``analysis.text`` before it gets here; everything is escaped on writing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from analysis.show.page.pieces import joined, mark, tag
from logger.durations import YEAR_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from markupsafe import Markup

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
    parts: list[Markup] = field(default_factory=list)

    def line(self, x1: float, y1: float, x2: float, y2: float, kind: str) -> None:
        """Draw a straight line."""
        self._path(f"M{n(x1)} {n(y1)}L{n(x2)} {n(y2)}", kind)

    def _path(self, steps: str, kind: str) -> None:
        self.parts.append(mark("path", class_=kind, d=steps))

    def path(self, xs: Sequence[float], ys: Sequence[float], kind: str) -> None:
        """Draw a line through points."""
        if len(xs) > 1:
            steps = "L".join(f"{n(x)} {n(y)}" for x, y in zip(xs, ys, strict=True))
            self._path(f"M{steps}", kind)

    def band(
        self, xs: Sequence[float], lower: Sequence[float], upper: Sequence[float], kind: str
    ) -> None:
        """Fill the stretch between two lines."""
        if len(xs) > 1:
            there = [f"{n(x)} {n(y)}" for x, y in zip(xs, upper, strict=True)]
            back = [f"{n(x)} {n(y)}" for x, y in zip(xs, lower, strict=True)]
            self._path(f"M{'L'.join(there + back[::-1])}Z", kind)

    def marks(self, points: Iterable[tuple[float, float]], kind: str, shape: str = "h0") -> None:
        """Draw one mark per point in one path: the shape is what follows each move."""
        unique = dict.fromkeys(f"M{n(x)} {n(y)}{shape}" for x, y in points)
        if unique:
            self._path("".join(unique), kind)

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """Draw a rectangle."""
        size = {"width": n(width), "height": n(height)}
        self.parts.append(mark("rect", class_=kind, x=n(x), y=n(y), **size))

    def text(
        self, x: float, y: float, words: str, kind: str = "lab", anchor: str = "start"
    ) -> None:
        """Write a text; ``anchor`` is start, middle or end."""
        self.parts.append(tag("text", words, class_=kind, x=n(x), y=n(y), text_anchor=anchor))

    def render(self, title: str, description: str, kind: str = "") -> Markup:
        """Return the SVG element with its text alternative."""
        return tag(
            "svg",
            tag("title", title, id=f"{self.name}-t"),
            tag("desc", description, id=f"{self.name}-d"),
            joined(*self.parts),
            class_=kind,
            viewBox=f"0 0 {n(self.width)} {n(self.height)}",
            role="img",
            aria_labelledby=f"{self.name}-t {self.name}-d",
        )


#: A small triangle pointing up, "at least": begins at the point itself, its tip above it.
AT_LEAST = "m-2.6 2h5.2l-2.6-4.6z"
#: A small open circle: what lies under many of them can still be seen.
CIRCLE = "m-2 0a2 2 0 1 0 4 0a2 2 0 1 0-4 0"
#: A dot for small plots of many points.
DOT = "m-1 0a1 1 0 1 0 2 0a1 1 0 1 0-2 0"
#: A small cross for what was left out.
CROSS = "m-1.8-1.8l3.6 3.6m0-3.6l-3.6 3.6"


def n(value: float) -> str:
    """Return a pixel to a tenth, as short as it can be written."""
    text = f"{value:.1f}"
    return text.removesuffix(".0")
