"""Drops values that cannot be true, channel by channel, and counts them; never clips, never fills.

A reading that keeps nothing is dropped whole. What was refused is counted by channel and side, so
that a wrong scale ("voltage_v above 64") can be told from line noise.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.reading import CHANNELS, OperatingState

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.reading import Reading
    from logger.refusals import Refusals


class Plausibility:
    """Checks readings against the lowest and highest believable value of each channel.

    Parameters
    ----------
    limits
        Channel of :class:`logger.reading.Reading` to (lowest, highest), inclusive; in the
        channel's unit.
    refusals
        Where refused values are counted.
    """

    def __init__(self, limits: Mapping[str, tuple[float, float]], refusals: Refusals) -> None:
        self._limits = [(name, *limits[name]) for name in CHANNELS if name in limits]
        self._refusals = refusals

    def clean(self, reading: Reading) -> Reading | None:
        """Return the reading without its unbelievable values, or None if nothing is left."""
        bad: dict[str, None] = {}
        present = reading.state is not OperatingState.UNKNOWN
        for name, low, high in self._limits:
            value = getattr(reading, name)
            if value is None:
                continue
            if low <= value <= high:
                present = True
                continue
            bad[name] = None
            if not math.isfinite(value):
                self._refusals.count(f"{name} is not a finite number", str(value))
            elif value < low:
                self._refusals.count(f"{name} below {low:g} {CHANNELS[name]}", f"{value:g}")
            else:
                self._refusals.count(f"{name} above {high:g} {CHANNELS[name]}", f"{value:g}")
        if not math.isfinite(reading.time_s):
            self._refusals.count("time is not a finite number", str(reading.time_s))
            return None
        if not present:
            return None
        return replace(reading, **bad) if bad else reading  # type: ignore[arg-type]
