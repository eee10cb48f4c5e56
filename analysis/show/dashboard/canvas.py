"""Draws curves with the resolution that a terminal has: several dots in each cell.

Braille patterns hold 2 x 4 dots (Unicode 15, block 2800-28FF: bit k of the code is dot k + 1,
numbered down the left column to 3, down the right to 6, then 7 and 8 below). Half blocks hold two,
and ASCII tells three heights apart.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Bits of the dots of a braille cell, by row and column.
_BRAILLE = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])


@dataclass(frozen=True, slots=True)
class Dots:
    """How many dots a cell has, and the character for each set of them.

    The sum of the ``bits`` of the dots that are set is the place of the character.
    """

    bits: NDArray[np.int64]
    """Shape (down, across)."""
    characters: str

    @property
    def down(self) -> int:
        """Dots in a column of a cell."""
        return len(self.bits)

    @property
    def across(self) -> int:
        """Dots in a row of a cell."""
        return len(self.bits[0])


BRAILLE = Dots(_BRAILLE, " " + "".join(chr(0x2800 + code) for code in range(1, 256)))
HALF_BLOCKS = Dots(np.array([[1], [2]]), " ▀▄█")
#: Several heights in one cell are a stroke.
ASCII_DOTS = Dots(np.array([[1], [2], [4]]), " ^-|_|||")


@dataclass(slots=True)
class Canvas:
    """A field of dots between ``low`` and ``high``, ``columns`` cells wide and ``rows`` high."""

    columns: int
    rows: int
    low: float
    high: float
    dots: Dots
    _set: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """Make the empty field."""
        self._set = np.zeros((self.rows * self.dots.down, self.columns * self.dots.across), bool)

    @property
    def width(self) -> int:
        """Number of dots across."""
        return self.columns * self.dots.across

    def heights_of(self, values: NDArray[np.float64]) -> NDArray[np.int64]:
        """Return the row of dots (0 is the top) of each value; beyond the ends, the end."""
        count = self.rows * self.dots.down
        share = (values - self.low) / (self.high - self.low)
        return count - 1 - np.clip(share * count, 0, count - 1).astype(np.int64)

    def row_of(self, value: float) -> int:
        """Return the row of cells (0 is the top) of a value."""
        return int(self.heights_of(np.array([value]))[0]) // self.dots.down

    def scatter(self, across: NDArray[np.int64], values: NDArray[np.float64]) -> None:
        """Set a dot for each value, in the columns of dots ``across``."""
        self._set[self.heights_of(values), across] = True

    def curve(self, values: NDArray[np.float64]) -> None:
        """Draw values, one for each column of dots; NaN leaves a gap, neighbours are joined."""
        known = np.isfinite(values)
        heights = self.heights_of(np.where(known, values, self.low)).tolist()
        before: int | None = None
        for across, here in enumerate(heights):
            if not known[across]:
                before = None
                continue
            top, bottom = here, here
            if before is not None and before < here:
                top = before + 1
            elif before is not None and before > here:
                bottom = before - 1
            self._set[top : bottom + 1, across] = True
            before = here

    def lines(self) -> list[str]:
        """Return the rows of characters; a cell without a dot is a space."""
        down, across = self.dots.bits.shape
        cells = self._set.reshape(self.rows, down, self.columns, across)
        codes = np.einsum("rdca,da->rc", cells.astype(np.int64), self.dots.bits)
        return ["".join(self.dots.characters[code] for code in row) for row in codes.tolist()]
