"""The stretches of time that the log already holds."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from logger.store.reader import Reader

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray

    from logger.config import Config

    Times = NDArray[np.int64]
    Floats = NDArray[np.float64]


#: Stretches that are added at a time, so that ten years of them never form one list in memory.
_LOT = 100_000
#: Two loggers of one bank agree within this part of its voltage: 0.3 V of 12 V (our choice, twice
#: what two poor voltmeters differ by). Rest and charge are further apart.
APART = 0.025


class Cover:
    """Closed stretches of time in whole milliseconds.

    Parameters
    ----------
    start_ms, end_ms
        Ends of the stretches, in any order, overlapping or not; shape (n,).
    """

    def __init__(self, start_ms: ArrayLike = (), end_ms: ArrayLike = ()) -> None:
        start = np.asarray(start_ms, dtype=np.int64)
        end = np.asarray(end_ms, dtype=np.int64)
        order = np.argsort(start, kind="stable")
        start, end = start[order], end[order]
        # A stretch that begins beyond everything before it opens a new span; touching ones join.
        reach = np.maximum.accumulate(end) if len(end) else end
        opens = np.ones(len(start), dtype=bool)
        opens[1:] = start[1:] > reach[:-1]
        places = np.flatnonzero(opens)
        self.start_ms: Times = start[places]
        self.end_ms: Times = reach[np.append(places[1:], len(start)) - 1] if len(start) else end
        lasting = self.end_ms > self.start_ms
        self._long_start, self._long_end = self.start_ms[lasting], self.end_ms[lasting]

    def __len__(self) -> int:
        """Return the number of separate spans."""
        return len(self.start_ms)

    def joined(self, start_ms: ArrayLike, end_ms: ArrayLike) -> Cover:
        """Return the cover with more stretches."""
        return Cover(
            np.concatenate((self.start_ms, np.asarray(start_ms, dtype=np.int64))),
            np.concatenate((self.end_ms, np.asarray(end_ms, dtype=np.int64))),
        )

    def with_spans(self, spans: Iterable[tuple[int, int]]) -> Cover:
        """Return the cover with more stretches (start and duration), never a list of them all."""
        cover, following = self, iter(spans)
        while lot := list(itertools.islice(following, _LOT)):
            start_ms, duration_ms = np.array(lot, dtype=np.int64).T
            cover = cover.joined(start_ms, start_ms + duration_ms)
        return cover

    def holds(self, at_ms: Times) -> NDArray[np.bool_]:
        """Say for each instant whether it lies in the cover, ends included."""
        if not len(self):
            return np.zeros(len(at_ms), dtype=bool)
        place = np.searchsorted(self.start_ms, at_ms, side="right") - 1
        return (place >= 0) & (at_ms <= self.end_ms[place])

    def holds_alone(self, at_ms: Times) -> NDArray[np.bool_]:
        """Say for each instant whether the cover holds it as an instant, with nothing beside it."""
        if not len(self):
            return np.zeros(len(at_ms), dtype=bool)
        place = np.searchsorted(self.start_ms, at_ms, side="right") - 1
        start_ms, end_ms = self.start_ms[place], self.end_ms[place]
        alone: NDArray[np.bool_] = (place >= 0) & (start_ms == at_ms) & (start_ms == end_ms)
        return alone

    def crosses(self, from_ms: Times, to_ms: Times) -> NDArray[np.bool_]:
        """Say for each open stretch whether a part of it lies in the cover.

        Single instants in the cover are no part of a stretch.
        """
        begun = np.searchsorted(self._long_start, to_ms, side="left")
        over = np.searchsorted(self._long_end, from_ms, side="right")
        return begun > over

    def overlap_ms(self, from_ms: Times, to_ms: Times) -> Times:
        """Return how much of each stretch lies in the cover, ms."""
        if not len(self._long_start):
            return np.zeros(len(from_ms), dtype=np.int64)
        total = np.concatenate(([0], np.cumsum(self._long_end - self._long_start)))

        def before(at_ms: Times) -> Times:
            place = np.searchsorted(self._long_start, at_ms, side="right") - 1
            inside = np.minimum(at_ms, self._long_end[place]) - self._long_start[place]
            held: Times = total[place] + inside
            return np.where(place >= 0, held, 0)

        return before(to_ms) - before(from_ms)

    def free(self, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
        """Return the parts of one stretch that lie outside the cover."""
        parts: list[tuple[int, int]] = []
        first = int(np.searchsorted(self._long_end, from_ms, side="right"))
        last = int(np.searchsorted(self._long_start, to_ms, side="left"))
        at_ms = from_ms
        for place in range(first, last):
            if (start_ms := int(self._long_start[place])) > at_ms:
                parts.append((at_ms, start_ms))
            at_ms = int(self._long_end[place])
        if at_ms < to_ms:
            parts.append((at_ms, to_ms))
        return parts


def logged(config: Config, *, known: bool = True) -> Cover:
    """Return what the log of the configured fitting covers already.

    Parameters
    ----------
    config
        Names the log and the fitting.
    known
        Rows whose true time is known, or else those whose time is estimated.
    """
    if not config.store.path.exists():
        return Cover()
    with Reader(config.store.path) as reader:
        number = _fitting(reader, config)
        if number is None:
            return Cover()
        return Cover().with_spans(reader.spans(number, known=known))


def _fitting(reader: Reader, config: Config) -> int | None:
    fitted = None if config.charger.fitted is None else config.charger.fitted.isoformat()
    for fitting in reader.fittings():
        if (fitting.label, fitting.fitted) == (config.charger.label, fitted):
            return fitting.id
    return None


def differing(config: Config, at_ms: Times, voltage_v: Floats) -> tuple[int, int]:
    """Hold readings against the intervals that the log has of the same time.

    Parameters
    ----------
    config
        Names the log and the fitting.
    at_ms, voltage_v
        Time of each reading, ms, and its voltage; shape (n,).

    Returns
    -------
    compared, differ
        How many readings lie in an interval of the log, and how many of them lie beyond its
        voltages by more than :data:`APART` of them.
    """
    order = np.argsort(at_ms, kind="stable")
    at_ms, volts = at_ms[order], voltage_v[order]
    compared = differ = 0
    with Reader(config.store.path) as reader:
        number = _fitting(reader, config)
        rows = iter(()) if number is None else reader.voltages(number)
        while lot := list(itertools.islice(rows, _LOT)):
            start_ms, duration_ms, low_mv, high_mv = np.array(lot, dtype=np.int64).T
            first = np.searchsorted(at_ms, start_ms, side="left")
            held = first < np.searchsorted(at_ms, start_ms + duration_ms, side="left")
            value = volts[first[held]]
            low_v, high_v = low_mv[held] / 1000.0, high_mv[held] / 1000.0
            compared += int(held.sum())
            beyond = (value < low_v * (1.0 - APART)) | (value > high_v * (1.0 + APART))
            differ += int(beyond.sum())
    return compared, differ
