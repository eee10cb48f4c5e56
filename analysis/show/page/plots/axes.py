"""Sizes of the plots, and the axes that they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.show.page.plots.svg import DIGIT, Drawing, Scale, date_ticks, ticks

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


@dataclass(frozen=True, slots=True)
class Size:
    """Size and font of a drawing: a wide one for desk and paper, a narrow one for a phone."""

    kind: str
    width: float
    height: float
    font: float
    ticks: int

    @property
    def left(self) -> float:
        """Room for the labels of the vertical axis."""
        return 4.6 * self.font

    def across(self, low: float, high: float) -> Scale:
        """Return the horizontal scale over the whole drawing."""
        return Scale(low, high, self.left, self.width - 8)

    def up(self, low: float, high: float) -> Scale:
        """Return the vertical scale over the whole drawing."""
        return Scale(low, high, self.height - 3.4 * self.font, 1.9 * self.font)


WIDE = Size("wide", 760, 275, 12, 9)
NARROW = Size("narrow", 380, 330, 12, 5)


def left_axis(
    drawing: Drawing,
    x: Scale,
    y: Scale,
    size: Size,
    words: str,
    *,
    most: int = 4,
    label: Callable[[float], str] = "{:g}".format,
) -> None:
    """Draw the grid and the labels of the vertical axis, and say above it what it is."""
    for value in ticks(y.low, y.high, most):
        drawing.line(x.start, y.at(value), x.end, y.at(value), "grid")
        drawing.text(x.start - 6, y.at(value) + 0.35 * size.font, label(value), "lab", "end")
    drawing.text(4, y.end - 1.1 * size.font, words, "lab")


def bottom_axis(
    drawing: Drawing, x: Scale, y: Scale, size: Size, marks: Sequence[tuple[float, str]], words: str
) -> None:
    """Draw the horizontal axis with its marks, and say below it what it is."""
    for value, label in marks:
        drawing.line(x.at(value), y.start, x.at(value), y.start + 4, "axis")
        half = 0.5 * DIGIT * size.font * len(label)
        at = min(max(x.at(value), x.start), x.end - half)
        drawing.text(at, y.start + 4 + 1.1 * size.font, label, "lab", "middle")
    drawing.line(x.start, y.start, x.end, y.start, "axis")
    drawing.text((x.start + x.end) / 2, y.start + 3.0 * size.font, words, "lab", "middle")


def plain_marks(x: Scale, size: Size) -> list[tuple[float, str]]:
    """Return round values for a horizontal axis."""
    return [(v, f"{v:.0f}") for v in ticks(x.low, x.high, size.ticks)]


def date_marks(x: Scale, size: Size) -> list[tuple[float, str]]:
    """Return marks of the calendar for a horizontal axis of Unix times."""
    return date_ticks(x.low, x.high, size.ticks)
