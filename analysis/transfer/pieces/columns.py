"""What is read out of one piece of a recording, whichever way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Columns:
    """The columns of the rows of one piece."""

    time: Floats
    """Unix seconds, or what ``counted`` says."""
    counted: bool
    """Whether times are numbers, of a unit that the first of the recording tells."""
    channels: dict[str, Floats]
    """Values of the channels that the recording has, NaN where a field is empty."""
    words: list[str]
    """State words that occur, in order."""
    places: NDArray[np.intp] | None
    """For each row the place of its word in ``words``; None if the recording has no states."""
