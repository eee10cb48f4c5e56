"""Finds the reading at which an interval closes by itself, as :mod:`logger.interval` does.

Most intervals of a sparse recording close within a few readings: for these it is found at once for
every reading that an interval could begin at. Others are looked at one by one, each with all its
readings. Both do the same sums in the same order, so that not one bit depends on which of them
finds the place.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from logger.interval import FLOAT_SLACK, Condenser

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from logger.config import LogConfig

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Mask = NDArray[np.bool_]

#: Readings within which an interval of a sparse recording closes, nearly always.
_FEW = 12
#: Readings that are looked ahead from at a time, one in so many of them to see whether it is worth
#: it, and the share of those that must close within a few.
_LOT, _SAMPLE, _WORTH = 8192, 16, 0.3


class Trapezoids:
    """One channel's trapezoids between neighbouring readings."""

    __slots__ = ("covered", "pair")

    def __init__(self, values: Floats, spacing_s: Floats) -> None:
        """``spacing_s[k]`` lies before reading k and is 0 where nothing is integrated."""
        pair = np.zeros(len(values) + 1)
        width = np.zeros(len(values) + 1)
        present = np.isfinite(values)
        both = present[1:] & present[:-1]
        width[1:-1] = np.where(both, spacing_s[1:], 0.0)
        pair[1:-1] = np.where(both, 0.5 * (values[1:] + values[:-1]) * spacing_s[1:], 0.0)
        self.pair, self.covered = pair, width


class Channel(Trapezoids):
    """One channel's trapezoids, and their running sums."""

    __slots__ = ("sums", "values", "widths")

    def __init__(self, values: Floats, spacing_s: Floats) -> None:
        super().__init__(values, spacing_s)
        present = np.isfinite(values)
        # Sums of the deviation from a middle value stay small, hence exact to far below
        # FLOAT_SLACK.
        middle = _median(values[present]) if present.any() else 0.0
        self.widths = np.cumsum(self.covered[:-1])
        self.sums = np.cumsum(self.pair[:-1] - middle * self.covered[:-1])
        self.values = values - middle

    def means(self, first: int, stop: int) -> Floats:
        """Mean over [first, k] for each k in [first, stop), relative to the middle value."""
        width = self.widths[first:stop] - self.widths[first]
        total = self.sums[first:stop] - self.sums[first]
        mean = np.full(stop - first, self.values[first])
        np.divide(total, width, out=mean, where=width > 0.0)
        return mean


class Closing:
    """Finds where intervals of one block close.

    Parameters
    ----------
    log
        Bands and longest lengths.
    time_s, runs
        When the readings are, and whether their state says that the charger runs, shape (n,).
    voltage, current
        Two of their channels.
    current_a
        The current as it was read, A.
    """

    def __init__(
        self,
        log: LogConfig,
        time_s: Floats,
        runs: Mask,
        voltage: Channel,
        current: Channel,
        current_a: Floats,
    ) -> None:
        self._log, self._time_s, self._runs, self._amps = log, time_s, runs, current_a
        self._voltage, self._current = voltage, current

    def firsts(self, edges: Sequence[int]) -> list[int]:
        """Return the readings at which intervals begin, the first reading and all edges included.

        Parameters
        ----------
        edges
            Readings at which one begins in any case, rising; the number of readings is the last.
        """
        found: list[int] = []
        first, behind, following = 0, 0, [0]
        forced = np.array(edges)
        for edge in edges:
            while first < edge:
                found.append(first)
                if first >= behind:
                    lot = first // _LOT
                    begins, behind = lot * _LOT, (lot + 1) * _LOT
                    following = self._look_ahead(begins, forced)
                # Most lots are either all told at once, or of long intervals.
                first = following[first - begins] or self._in_bulk(first, edge)
        return found

    def _look_ahead(self, begins: int, forced: Indices) -> list[int]:
        """Return where the interval after that of each reading of a lot would begin.

        0 where this is not among the next few readings, or not worth looking.
        """
        first = np.arange(begins, min(begins + _LOT, len(self._time_s)))
        some = self._after(first[::_SAMPLE])
        if np.count_nonzero(some) < _WORTH * len(some):
            return [0] * len(first)
        step = self._after(first)
        edge = forced[np.searchsorted(forced, first, side="right")]
        open_ = np.where(first + _FEW >= edge - 1, edge, 0)
        following: list[int] = np.where(step > 0, np.minimum(first + step, edge), open_).tolist()
        return following

    def _after(self, first: Indices) -> Indices:
        """Return after how many readings the intervals from ``first`` on close, 0 for many."""
        log, time_s, size = self._log, self._time_s, len(self._time_s)
        band_v, band_a = log.voltage_band_v + FLOAT_SLACK, log.current_band_a + FLOAT_SLACK
        v, i = self._voltage, self._current
        steps = np.zeros(len(first), dtype=np.intp)
        open_ = np.arange(len(first))
        always = self._runs[first]
        middle_a = self._amps[first] - i.values[first]
        mean_v, mean_i = v.values[first], i.values[first]
        for step in range(1, _FEW + 1):
            inside = first + step < size
            if not inside.all():
                open_, first, always = open_[inside], first[inside], always[inside]
                middle_a, mean_v, mean_i = middle_a[inside], mean_v[inside], mean_i[inside]
            if not len(first):
                break
            k = first + step
            next_i = _means(i, first, k)
            length_s = time_s[k] - time_s[first]
            running = always | (np.abs(next_i + middle_a) > band_a)
            longest_s = np.where(running, log.longest_running_s, log.longest_rest_s) - FLOAT_SLACK
            shortest_s = (
                np.where(running, Condenser.SHORTEST_RUNNING_S, Condenser.SHORTEST_REST_S)
                - FLOAT_SLACK
            )
            leaves = (np.abs(v.values[k] - mean_v) > band_v) | (
                np.abs(i.values[k] - mean_i) > band_a
            )
            closes = (length_s >= longest_s) | (leaves & (length_s >= shortest_s))
            steps[open_[closes]] = step
            rest = ~closes
            open_, always, middle_a = open_[rest], always[rest], middle_a[rest]
            mean_v, mean_i = _means(v, first[rest], k[rest]), next_i[rest]
            first = first[rest]
        return steps

    def _in_bulk(self, first: int, edge: int) -> int:
        """Return where the interval from ``first`` on closes, ``edge`` at the latest.

        All the readings after it are looked at.
        """
        if edge - first < 2:
            return edge
        log, time_s = self._log, self._time_s
        always_running = bool(self._runs[first])
        longest_s = log.longest_running_s
        if not always_running:
            longest_s = max(longest_s, log.longest_rest_s)
        # One reading beyond the longest length is enough: there it closes at the latest.
        stop = first + int(
            np.searchsorted(time_s[first:edge], time_s[first] + longest_s - FLOAT_SLACK) + 1
        )
        stop = min(stop, edge)
        length_s = time_s[first + 1 : stop] - time_s[first]
        voltage, current = self._voltage, self._current
        mean_a = current.means(first, stop)
        leaves = (
            np.abs(voltage.values[first + 1 : stop] - voltage.means(first, stop)[:-1])
            > log.voltage_band_v + FLOAT_SLACK
        ) | (
            np.abs(current.values[first + 1 : stop] - mean_a[:-1])
            > log.current_band_a + FLOAT_SLACK
        )
        if always_running:
            closes = (length_s >= log.longest_running_s - FLOAT_SLACK) | (
                leaves & (length_s >= Condenser.SHORTEST_RUNNING_S - FLOAT_SLACK)
            )
        else:
            middle_a = self._amps[first] - current.values[first]
            running = np.abs(mean_a[1:] + middle_a) > log.current_band_a + FLOAT_SLACK
            longest = np.where(running, log.longest_running_s, log.longest_rest_s)
            shortest = np.where(running, Condenser.SHORTEST_RUNNING_S, Condenser.SHORTEST_REST_S)
            closes = (length_s >= longest - FLOAT_SLACK) | (
                leaves & (length_s >= shortest - FLOAT_SLACK)
            )
        place = int(closes.argmax())
        return first + 1 + place if closes[place] else edge


def _median(values: Floats) -> float:
    """Return the median, to the bit; ``numpy.median`` would load masked arrays for it, 10 ms."""
    low, high = (len(values) - 1) // 2, len(values) // 2
    ordered = np.partition(values, (low, high))
    return float(ordered[low] + ordered[high]) / 2.0


def _means(channel: Channel, first: Indices, last: Indices) -> Floats:
    """Return the means over [first, last] of each pair, as :meth:`Channel.means` takes them."""
    width = channel.widths[last] - channel.widths[first]
    mean = channel.values[first]
    np.divide(channel.sums[last] - channel.sums[first], width, out=mean, where=width > 0.0)
    return mean
