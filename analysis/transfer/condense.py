"""Condenses whole arrays of readings into the same intervals as :mod:`logger.interval`.

A recording of millions of readings goes through here: sums come from numpy, and only the search
for the place where an interval closes runs once per interval. A property test compares the two.
What is covered by the log already is left out, so that overlapping files do not count twice.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.closing import Channel, Closing, Trapezoids
from analysis.transfer.spacing import RUNNING, BlockSpacing
from analysis.transfer.spool import ABSENT
from logger.store.records import ROW_WIDTH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.transfer.cover import Cover
    from analysis.transfer.spool import Table
    from logger.config import LogConfig

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]
    Mask = NDArray[np.bool_]

NO_ROWS: Table = np.empty((0, ROW_WIDTH), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Block:
    """Readings as columns of shape (n,), rising in time; NaN where a value is absent."""

    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    runtime_h: Floats
    temperature_c: Floats
    battery_current_a: Floats
    fuel_l: Floats
    state: NDArray[np.int8]
    """Place of each state in :class:`logger.reading.OperatingState`."""

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.time_s)

    def select(self, keep: Mask | slice) -> Block:
        """Return the readings picked by a mask or a slice."""
        return Block(*(getattr(self, f.name)[keep] for f in fields(self)))

    def followed_by(self, other: Block) -> Block:
        """Return this block with another one appended."""
        return Block(
            *(np.concatenate((getattr(self, f.name), getattr(other, f.name))) for f in fields(self))
        )


@dataclass(frozen=True, slots=True)
class _Plan:
    """Which readings form which interval: first and last index, and if the first one counts."""

    first: Indices
    last: Indices
    counted: Mask

    def select(self, keep: Mask) -> _Plan:
        """Return the intervals picked by a mask."""
        return _Plan(self.first[keep], self.last[keep], self.counted[keep])


class BulkCondenser:
    """Turns blocks of readings into stored rows; keeps the readings of the open interval.

    Parameters
    ----------
    log
        Bands and longest lengths, as for :class:`logger.interval.Condenser`.
    cover
        What the log holds already, in Unix time.

    Attributes
    ----------
    readings_used
        Readings that were new.
    superseded_ms
        When readings that stood alone in the log were taken: now they are part of an interval.
    """

    def __init__(self, log: LogConfig, cover: Cover) -> None:
        self.log = log
        self.cover = cover
        self.readings_used = 0
        self.spacing = BlockSpacing(log)
        self.superseded_ms: list[int] = []
        self._open: Block | None = None
        self._open_counted = False

    @property
    def last_s(self) -> float | None:
        """Time of the last reading taken since the last flush."""
        return None if self._open is None else float(self._open.time_s[-1])

    @property
    def open_alone(self) -> bool:
        """Whether the open interval is a single new reading so far."""
        return self._open is not None and len(self._open) == 1 and self._open_counted

    def mark(self) -> tuple[Block | None, bool, int]:
        """Return what :meth:`rewind` needs to forget the readings taken from now on."""
        return self._open, self._open_counted, self.readings_used

    def rewind(self, mark: tuple[Block | None, bool, int]) -> None:
        """Return to the state of a mark; rows given out since must not be stored."""
        self._open, self._open_counted, self.readings_used = mark

    def add(self, block: Block) -> Table:
        """Take readings that lie after all before them; return the rows that they closed.

        A row is :data:`logger.store.records.INSERT_INTERVAL` without its session.
        """
        if not len(block):
            return NO_ROWS
        before = 0 if self._open is None else len(self._open)
        whole = block if self._open is None else self._open.followed_by(block)
        return self._condense(whole, before, last=False)

    def flush(self) -> Table:
        """Close the open interval where it stands; return its row, if it makes one."""
        if self._open is None:
            return NO_ROWS
        rows = self._condense(self._open, len(self._open), last=True)
        self._open = None
        return rows

    def _condense(self, block: Block, before: int, *, last: bool) -> Table:
        time_s = block.time_s
        at_ms = np.rint(time_s * 1000.0).astype(np.int64)
        with np.errstate(invalid="ignore"):
            flows = np.abs(block.current_a) > self.log.current_band_a
        gaps = self.spacing.gaps(
            np.diff(time_s), (flows | RUNNING[block.state])[:-1], max(0, before - 1)
        )
        breaks = np.ones(len(block), dtype=bool)
        breaks[1:] = gaps | self.cover.crosses(at_ms[:-1], at_ms[1:])
        fresh = ~self.cover.holds(at_ms)
        # A reading that stands alone in the log goes in again where it has a neighbour by now.
        joined = ~breaks
        joined[:-1] |= ~breaks[1:]
        lonely = self.cover.holds_alone(at_ms) & joined
        fresh |= lonely
        self.superseded_ms += at_ms[lonely].tolist()
        spacing_s = np.where(breaks, 0.0, np.diff(time_s, prepend=time_s[0]))
        if self._open is not None:
            fresh[0] = self._open_counted
        self.readings_used += int(fresh[before:].sum())
        voltage = Channel(block.voltage_v, spacing_s)
        current = Channel(block.current_a, spacing_s)
        plan, open_first, open_counted = self._plan(
            block, breaks, fresh, (voltage, current), last=last
        )
        self._open, self._open_counted = block.select(slice(open_first, None)), open_counted
        if not len(plan.first):
            return NO_ROWS
        return _rows(block, plan, fresh, spacing_s, (voltage, current))

    def _plan(
        self,
        block: Block,
        breaks: Mask,
        fresh: Mask,
        channels: tuple[Channel, Channel],
        *,
        last: bool,
    ) -> tuple[_Plan, int, bool]:
        """Return the plan, and where the open interval begins and whether that reading counts."""
        size = len(block)
        changes = np.zeros(size, dtype=bool)
        changes[1:] = block.state[1:] != block.state[:-1]
        forced = [*(np.flatnonzero(breaks[1:] | changes[1:]) + 1).tolist(), size]
        closing = Closing(self.log, block.time_s, RUNNING[block.state], *channels, block.current_a)
        first = np.array(closing.firsts(forced), dtype=np.intp)
        # An interval begins with the last reading of the one before, which counts it; after a
        # break, with a reading of its own.
        counted = breaks[first] & fresh[first]
        after = np.append(first[1:], size)
        cut = np.append(breaks[first[1:]], True)
        plan = _Plan(first, after - cut, counted)
        wanted = ~cut | (plan.last > first) | counted
        if not last:
            wanted[-1] = False
        return plan.select(wanted), int(first[-1]), bool(counted[-1])


def _rows(
    block: Block,
    plan: _Plan,
    fresh: Mask,
    spacing_s: Floats,
    channels: tuple[Channel, Channel],
) -> Table:
    """Return the stored row of each planned interval."""
    first, last = plan.first, plan.last
    alone = last == first
    voltage, current = channels
    power = Trapezoids(block.voltage_v * block.current_a, spacing_s)
    temperature = Trapezoids(block.temperature_c, spacing_s)
    battery = Trapezoids(block.battery_current_a, spacing_s)
    sums = _Sums(first, last)
    voltage_first = block.voltage_v[first]
    lowest = np.fmin(voltage_first, sums.extreme(np.fmin, block.voltage_v))
    highest = np.fmax(voltage_first, sums.extreme(np.fmax, block.voltage_v))
    start_ms = np.rint(block.time_s[first] * 1000.0)
    duration_s = block.time_s[last] - block.time_s[first]
    counts = np.concatenate(([0], np.cumsum(fresh)))
    columns = (
        start_ms,
        np.rint((block.time_s[first] + duration_s) * 1000.0) - start_ms,
        block.state[first].astype(float),
        (counts[last + 1] - counts[first + 1] + plan.counted).astype(float),
        sums.integral(current, alone & np.isfinite(block.current_a[first])) * 1000.0,
        sums.integral(
            power, alone & np.isfinite(block.current_a[first]) & np.isfinite(voltage_first)
        )
        * 1000.0,
        lowest * 1000.0,
        highest * 1000.0,
        sums.mean(voltage, highest) * 1000.0,
        block.voltage_v[last] * 1000.0,
        _last_known(block.runtime_h, plan) * 3600.0,
        sums.mean(temperature, block.temperature_c[first]) * 100.0,
        sums.integral(battery, alone & np.isfinite(block.battery_current_a[first])) * 1000.0,
        _last_known(block.fuel_l, plan) * 1000.0,
    )
    table: Table = np.empty((len(first), ROW_WIDTH), dtype=np.int64)
    for place, column in enumerate(columns):
        whole = np.rint(column)
        held = np.isfinite(whole)
        table[:, place] = whole if held.all() else np.where(held, whole, ABSENT)
    return table


class _Sums:
    """Sums over the readings after the first one of each interval, up to its last."""

    def __init__(self, first: Indices, last: Indices) -> None:
        # reduceat takes pairs of [from, to); every second result is the stretch between pairs.
        self._pairs = np.stack((first + 1, last + 1), axis=1).ravel()
        self._alone = first == last

    def _over(self, values: Floats) -> Floats:
        result: Floats = np.add.reduceat(values, self._pairs)[::2]
        return np.where(self._alone, 0.0, result)

    def integral(self, channel: Trapezoids, zero: Mask) -> Floats:
        """Integral; 0 where ``zero`` says so, NaN where the channel was absent throughout."""
        if not channel.covered.any():
            return np.where(zero, 0.0, np.nan)
        width = self._over(channel.covered)
        return np.where(width > 0.0, self._over(channel.pair), np.where(zero, 0.0, np.nan))

    def mean(self, channel: Trapezoids, otherwise: Floats) -> Floats:
        """Time-weighted mean, or ``otherwise`` while no time has passed."""
        if not channel.covered.any():
            return otherwise
        width = self._over(channel.covered)
        mean = otherwise.copy()
        np.divide(self._over(channel.pair), width, out=mean, where=width > 0.0)
        return mean

    def extreme(self, which: np.ufunc, values: Floats) -> Floats:
        """Smallest or largest value after the first reading, NaN if there is none."""
        padded = np.append(values, np.nan)
        result: Floats = which.reduceat(padded, self._pairs)[::2]
        return np.where(self._alone, np.nan, result)


def _last_known(values: Floats, plan: _Plan) -> Floats:
    """Return the last value among the readings that each interval counts, or NaN."""
    present = np.isfinite(values)
    if not present.any():
        return np.full(len(plan.last), np.nan)
    latest = np.maximum.accumulate(np.where(present, np.arange(len(values)), -1))[plan.last]
    inside = latest >= plan.first + np.where(plan.counted, 0, 1)
    return np.where(inside, values[latest], np.nan)
