"""Puts the words of a plot where they cover no data: each label has places to choose from."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.show.page.plots.svg import DIGIT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.show.page.plots.svg import Drawing

#: Pixels between two points of a line that labels keep clear of: less than a letter is high.
_STEP = 3.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label may stand: its end of the baseline in pixels, and which end that is."""

    x: float
    y: float
    anchor: str = "start"


@dataclass(slots=True)
class Labels:
    """The labels of one drawing, and the points that they must not cover."""

    drawing: Drawing
    font: float
    _points: list[tuple[float, float]] = field(default_factory=list)
    _boxes: list[tuple[float, float, float, float]] = field(default_factory=list)

    def keep_clear(self, points: Iterable[tuple[float, float]]) -> None:
        """Name points that no label may cover."""
        self._points += points

    def keep_clear_of_line(self, xs: Sequence[float], ys: Sequence[float]) -> None:
        """Name a line that no label may cover."""
        for (x1, y1), (x2, y2) in zip(
            zip(xs, ys, strict=True), zip(xs[1:], ys[1:], strict=True), strict=False
        ):
            parts = max(2, int(np.hypot(x2 - x1, y2 - y1) / _STEP) + 1)
            self._points += zip(
                np.linspace(x1, x2, parts).tolist(), np.linspace(y1, y2, parts).tolist(),
                strict=True,
            )  # fmt: skip

    def put(self, words: str, places: Sequence[Place]) -> None:
        """Write a label at the first place where it covers nothing, else where it covers least."""
        known = np.array(self._points).reshape(-1, 2)
        best, fewest = places[0], None
        for place in places:
            covered = self._covered(self._box(words, place), known)
            if fewest is None or covered < fewest:
                best, fewest = place, covered
            if covered == 0:
                break
        self._boxes.append(self._box(words, best))
        self.drawing.text(best.x, best.y, words, "lab on", best.anchor)

    def _box(self, words: str, place: Place) -> tuple[float, float, float, float]:
        width = DIGIT * self.font * len(words)
        left = place.x - (width if place.anchor == "end" else 0.0)
        return left, place.y - 0.8 * self.font, left + width, place.y + 0.2 * self.font

    def _covered(self, box: tuple[float, float, float, float], known: np.ndarray) -> int:
        left, top, right, bottom = box
        inside = (known[:, 0] >= left - 2) & (known[:, 0] <= right + 2)
        inside &= (known[:, 1] >= top - 1) & (known[:, 1] <= bottom + 1)
        # Two labels on each other can be read by nobody: worse than a label on some dots.
        over = sum(left < r and right > x and top < b and bottom > y for x, y, r, b in self._boxes)
        return int(inside.sum()) + 1000 * over
