"""Gaps in a recording, found with hindsight; :mod:`logger.sources.spacing` does it as they come.

A whole block of readings is looked at before any of its spacings is judged, so nothing is lost
while the spacing is learnt. The rules and their figures are those of the live logger.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.config import LogConfig, gap_after
from logger.reading import RUN_STATES, OperatingState
from logger.sources.spacing import (
    HALF_LIFE,
    LONGEST_LOOSE_S,
    LONGEST_SPACING_S,
    LOWEST_OCTAVE,
    OCTAVES,
    RHYTHM_FACTOR,
    Usual,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

RUNNING = np.array([state in RUN_STATES for state in OperatingState])


class BlockSpacing:
    """Judges the spacings of one block of readings after another.

    Parameters
    ----------
    log
        ``adapts`` says whether the limit follows the readings or stays ``gap_s``.
    """

    def __init__(self, log: LogConfig) -> None:
        self._log = log
        self._found = (Usual(), Usual())  # at rest, running

    @property
    def each_s(self) -> tuple[float | None, float | None]:
        """The usual spacing at rest and that of a run, s; None while unknown."""
        return self._found[0].usual_s, self._found[1].usual_s

    @property
    def usual_s(self) -> float | None:
        """The longer of the usual spacings at rest and running, s; None while unknown."""
        return max((s for s in self.each_s if s is not None), default=None)

    def gaps(self, spacing_s: Floats, running: Mask, known: int = 0) -> Mask:
        """Say of each spacing whether it is a gap.

        Parameters
        ----------
        spacing_s
            Spacings between neighbouring readings, s, above zero; shape (n,).
        running
            Whether the charger ran at the earlier reading of each; shape (n,).
        known
            So many of the first spacings were learnt from before.
        """
        rhythm = rhythms(spacing_s)
        counts = (rhythm | (spacing_s <= LONGEST_LOOSE_S)) & (np.arange(len(spacing_s)) >= known)
        for kind, found in enumerate(self._found):
            chosen = counts & (running == bool(kind))
            _learn(found, spacing_s[chosen], rhythm[chosen])
        if not self._log.adapts:
            return spacing_s > self._log.gap_s
        limits = [self._limit_s(found) for found in self._found]
        return (spacing_s > np.where(running, limits[1], limits[0])) & ~rhythm

    def _limit_s(self, found: Usual) -> float:
        usual_s = self.usual_s if found.usual_s is None else found.usual_s
        return self._log.gap_s if usual_s is None else gap_after(usual_s)


def rhythms(spacing_s: Floats) -> Mask:
    """Say of each spacing whether it belongs to three in a row of about the same length."""
    mask = np.zeros(len(spacing_s), dtype=bool)
    if len(spacing_s) < 3:
        return mask
    one, two, three = spacing_s[:-2], spacing_s[1:-1], spacing_s[2:]
    longest = np.maximum(np.maximum(one, two), three)
    shortest = np.minimum(np.minimum(one, two), three)
    alike = (longest <= LONGEST_SPACING_S) & (longest <= RHYTHM_FACTOR * shortest)
    for place in range(3):
        mask[place : place + len(alike)] |= alike
    return mask


def _learn(found: Usual, spacing_s: Floats, rhythm: Mask) -> None:
    if not len(spacing_s):
        return
    octaves = np.clip(np.frexp(spacing_s)[1] - LOWEST_OCTAVE, 0, OCTAVES - 1)
    keeps = 0.5 ** (len(spacing_s) / HALF_LIFE)
    seconds = np.bincount(octaves, weights=spacing_s, minlength=OCTAVES)
    steady = np.bincount(octaves, weights=spacing_s * rhythm, minlength=OCTAVES)
    counts = np.bincount(octaves, minlength=OCTAVES)
    found.seconds = [keeps * a + float(b) for a, b in zip(found.seconds, seconds, strict=True)]
    found.rhythm_seconds = [
        keeps * a + float(b) for a, b in zip(found.rhythm_seconds, steady, strict=True)
    ]
    found.counts = [keeps * a + float(b) for a, b in zip(found.counts, counts, strict=True)]
    found.find()
