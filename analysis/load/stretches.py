"""Stretches between two moments at which the battery's charge is known to be equal, or full.

The charger starts when the battery has sunk to a level and stops when it is full: those moments are
marks of the charge in the battery. Between two marks, with nothing else charging, what the charger
delivered went through the load.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.load.sources.held_voltage import HOUR
from analysis.load.sources.other_sources import STEP_S, Grid
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Indices = NDArray[np.intp]

#: A start farther than this from the usual start voltage was made by hand, V per 12 V block
#: (judgement).
START_BAND_V = 0.12
#: A run that ends within this of the usual highest voltage has filled the battery, V per 12 V
#: (judgement).
FULL_BAND_V = 0.20
#: Greatest difference between the charge ceilings that a charger may have been set to, V (common
#: practice: 14.0 to 14.8 V, no source); number of runs on either side that show the setting.
TOPS_V, NEARBY = 0.7, 12
#: Number of parts of the day in the daily pattern: three hours each (our choice, meals, cold box
#: and night differ by more).
PARTS = 8
#: Least share of a piece in which the charger runs, for its voltage to be compared (judgement).
BUSY = 0.9
#: Depth of discharge in parts of that of a start, and its standard deviation: at a mark, after help
#: (a night of it fills a battery further than the charger does), and where nothing tells it (a
#: uniform one). Judgement; help of so many cells is a night of it.
_MARK_SD, _AFTER_HELP, _AFTER_NIGHT, _SOMEWHERE = 0.1, (0.1, 0.3), (-0.2, 0.25), (0.5, 0.29)
_NIGHT = 6 * HOUR
#: Length of a piece, and how long surface charge spoils the voltage after help has ended, cells.
PIECE, SETTLE = 24 * HOUR, 3 * HOUR


@dataclass(frozen=True, slots=True)
class Spans:
    """Stretches between marks; row ``i`` of the arrays belongs to one stretch."""

    first: Indices
    """First cell of the grid, shape (n,)."""
    last: Indices
    """The cell after the last one."""
    charge_ah: Floats
    """Charge that the charger delivered, Ah."""
    swing: Floats
    """+1 from a start to a full battery, -1 the other way, 0 between like marks."""
    joined: NDArray[np.bool_]
    """Whether the stretch begins at the mark at which the one before it ends."""

    def __len__(self) -> int:
        """Return the number of stretches."""
        return len(self.first)


def charge_by_cell(runs: Runs, grid: Grid) -> Floats:
    """Return the charger's charge in each cell of the grid, Ah, exact over the intervals."""
    return by_cell(runs, grid, runs.log.charge_c)


def by_cell(runs: Runs, grid: Grid, charge_c: Floats) -> Floats:
    """Spread a charge of the intervals (C) over the cells of the grid, Ah."""
    log = runs.log
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(charge_c)))) / 3600.0
    begin, end = log.start_s, np.maximum.accumulate(log.end_s)
    # Flat between records: knots at both ends of each interval.
    knots = np.maximum.accumulate(np.column_stack((begin, end)).ravel())
    values = np.column_stack((total[:-1], total[1:])).ravel()
    edges = grid.start_s - STEP_S / 2.0 + STEP_S * np.arange(len(grid.volts) + 1)
    return np.diff(np.interp(edges, knots, values))


def find_spans(runs: Runs, grid: Grid) -> Spans:
    """Find the stretches between marks without another source and without a gap."""
    cell, full = _marks(runs, grid)
    free = np.concatenate(([0], np.cumsum(~(grid.known & ~grid.aided))))
    charge = np.concatenate(([0.0], np.cumsum(charge_by_cell(runs, grid))))
    clean = (free[cell[1:]] == free[cell[:-1]]) & (np.diff(cell) > 0)
    kept = np.flatnonzero(clean)
    first, last = cell[:-1][kept], cell[1:][kept]
    level = full.astype(float)
    return Spans(
        first,
        last,
        charge[last] - charge[first],
        (level[1:] - level[:-1])[kept],
        np.concatenate(([False], np.diff(kept) == 1)) if len(kept) else np.empty(0, dtype=bool),
    )


@dataclass(frozen=True, slots=True)
class Pieces:
    """Stretches without marks at their ends; their voltage shows roughly the change of charge."""

    first: Indices
    last: Indices
    charge_ah: Floats
    rise_v: Floats
    """Rise of the voltage per 12 V block from the first to the last hour, V."""


def find_pieces(runs: Runs, grid: Grid, spans: Spans) -> Pieces:
    """Cut the rest of the log into pieces of about a day.

    These are the hard days: the charger runs round the clock, an engine now and then fills the
    battery, and neither a start nor a full battery is seen. Left out, they would be missed most.
    """
    inside = np.zeros(len(grid.volts) + 1)
    np.add.at(inside, spans.first, 1.0)
    np.add.at(inside, spans.last, -1.0)
    open_ = grid.known & ~grid.aided & (np.cumsum(inside[:-1]) <= 0)
    edge = np.diff(np.concatenate(([0], open_.astype(np.int8), [0])))
    total = np.concatenate(([0.0], np.cumsum(charge_by_cell(runs, grid))))
    rows = []
    for a, b in zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True):
        begin = a + SETTLE if a > 0 and grid.aided[a - 1] else a
        while b - begin >= PIECE // 2:
            end = b if b - begin < 2 * PIECE else begin + PIECE
            shown = rise_between(grid, int(begin), int(end))
            if shown is not None:
                rows.append((begin, end, total[end] - total[begin], shown))
            begin = end
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 4)
    return Pieces(
        table[:, 0].astype(np.intp), table[:, 1].astype(np.intp), table[:, 2], table[:, 3]
    )


@dataclass(frozen=True, slots=True)
class Open:
    """Stretches at whose ends the charge in the battery is only guessed: next to help or silence.

    Idle days are among them most: a battery that lasts a week is seldom left alone for so long.
    """

    first: Indices
    last: Indices
    swing: Floats
    """Expected change of charge, parts of the swing from a start to a full battery."""
    sd: Floats
    """Standard deviation of that."""


def find_open(runs: Runs, grid: Grid, *known: Spans | Pieces) -> Open:
    """Find the stretches of half a day and more that lie in none of the ``known`` ones."""
    cell, full = _marks(runs, grid)
    depth_at = dict(zip(cell.tolist(), np.where(full, 0.0, 1.0).tolist(), strict=True))
    inside = np.zeros(len(grid.volts) + 1)
    for stretches in known:
        np.add.at(inside, stretches.first, 1.0)
        np.add.at(inside, stretches.last, -1.0)
    open_ = grid.known & ~grid.aided & (np.cumsum(inside[:-1]) <= 0)
    edge = np.diff(np.concatenate(([0], open_.astype(np.int8), [0])))
    helped = np.concatenate(([0], np.cumsum(grid.aided)))
    rows = []
    for a, b in zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True):
        if b - a < 12 * HOUR:
            continue
        begin, end = depth_at.get(int(a)), depth_at.get(int(b))
        at_begin = (begin, _MARK_SD) if begin is not None else _SOMEWHERE
        if begin is None and a > 0 and grid.aided[a - 1]:
            long = helped[a] - helped[max(int(a) - _NIGHT, 0)] >= _NIGHT - HOUR
            at_begin = _AFTER_NIGHT if long else _AFTER_HELP
        at_end = (end, _MARK_SD) if end is not None else _SOMEWHERE
        spread = float(np.hypot(at_begin[1], at_end[1]))
        rows.append((a, b, at_begin[0] - at_end[0], spread))
    table = np.array(rows, dtype=np.float64).reshape(len(rows), 4)
    return Open(table[:, 0].astype(np.intp), table[:, 1].astype(np.intp), table[:, 2], table[:, 3])


def rise_between(grid: Grid, begin: int, end: int) -> float | None:
    """Return the rise of the voltage, V; None unless the charger runs nearly all the time.

    At rest the voltage falls by surface charge and loads more than by charge drawn.
    """
    if grid.running[begin:end].mean() < BUSY:
        return None
    head, tail = slice(begin, begin + HOUR), slice(end - HOUR, end)
    return float(grid.volts[tail].mean() - grid.volts[head].mean())


def _marks(runs: Runs, grid: Grid) -> tuple[Indices, NDArray[np.bool_]]:
    """Return the cells of the marks in order, and whether each is a full battery."""
    count = len(grid.volts)

    def cell_of(time_s: Floats) -> Indices:
        return np.clip(((time_s - grid.start_s) / STEP_S + 0.5).astype(np.intp), 0, count - 1)

    begin, end = cell_of(runs.start_s), cell_of(runs.end_s)
    before = np.clip(begin - 1, 0, None)
    v_start, v_end = grid.volts[before], grid.volts[np.clip(end - 1, 0, None)]
    # A run that goes on for days is cut into pieces; only the first one has a start.
    rested = grid.known[before] & ~grid.running[before]
    seen = runs.start_seen & rested & ~grid.aided[begin] & np.isfinite(v_start)
    started = seen & (np.abs(v_start - nearby(v_start, seen, 50.0)) < START_BAND_V)
    shown = grid.volts[grid.running & ~grid.aided]
    highest = float(np.percentile(shown, 99.0)) if len(shown) else np.inf
    ended = np.isfinite(v_end) & ~grid.aided[np.clip(end - 1, 0, None)]
    top = np.clip(nearby(v_end, ended, 90.0), highest - TOPS_V, highest)
    resting = np.clip(end + 1, 0, count - 1)
    filled = (v_end > top - FULL_BAND_V) & grid.known[resting] & ~grid.running[resting]
    filled &= ~grid.aided[np.clip(end - 1, 0, None)] & (end - begin > 6)
    floated = float_marks(grid)
    cells = np.concatenate((begin[started], end[filled], floated))
    full = np.ones(len(cells), dtype=bool)
    full[: np.count_nonzero(started)] = False
    order = np.argsort(cells, kind="stable")
    return cells[order], full[order]


def nearby(values: Floats, told: NDArray[np.bool_], percentile: float) -> Floats:
    """Return a percentile of the known values, over the runs round each run.

    A charger may be set to other voltages within the log: what is usual is so for a time.
    """
    out = np.zeros(len(values))
    known = np.flatnonzero(told)
    if len(known) == 0:
        return out
    width = 2 * NEARBY + 1
    padded = np.pad(values[known], NEARBY, mode="symmetric" if len(known) > NEARBY else "edge")
    usual = np.percentile(
        np.lib.stride_tricks.sliding_window_view(padded, width), percentile, axis=1
    )
    at = np.clip(np.searchsorted(known, np.arange(len(values))), 0, len(known) - 1)
    return np.asarray(usual[at], dtype=np.float64)


def float_marks(grid: Grid) -> Indices:
    """Return cells at which the charger holds a full bank: both ends of float and each day."""
    edge = np.diff(np.concatenate(([0], (grid.in_float & ~grid.aided).astype(np.int8), [0])))
    rows = [
        np.append(np.arange(a, b - HOUR, 24 * HOUR), b - 1)
        for a, b in zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1), strict=True)
        if b - a > 2 * HOUR
    ]
    return np.concatenate(rows) if rows else np.empty(0, dtype=np.intp)


def weights(
    spans: Spans | Pieces | Open, grid: Grid, kept: Floats | float
) -> tuple[Floats, Floats, int]:
    """Return hours of each day and of each part of the day in the stretches.

    Hours while the charger runs count the share of charge ``kept`` in each cell: current that goes
    straight to the load does not pass the battery. Shapes (n, days) and (n, parts); the third
    value is the first day, days since 1970.
    """
    time = grid.local_s
    day = np.floor(time / DAY_S).astype(np.intp)
    origin = int(day[0])
    part = ((time % DAY_S) / DAY_S * PARTS).astype(np.intp)
    weight = np.where(grid.running, kept, 1.0) * STEP_S / 3600.0
    days = np.zeros((len(spans.first), int(day[-1]) - origin + 1))
    parts = np.zeros((len(spans.first), PARTS))
    for row, (a, b) in enumerate(zip(spans.first, spans.last, strict=True)):
        low, high = day[a] - origin, day[b - 1] - origin
        days[row, low : high + 1] = np.bincount(day[a:b] - day[a], weights=weight[a:b])
        parts[row] = np.bincount(part[a:b], weights=weight[a:b], minlength=PARTS)
    return days, parts, origin


def covered_h(
    grid: Grid, parts: tuple[Spans | Pieces | Open, ...], origin: int, count: int
) -> Floats:
    """Return how much of each day stretches and pieces cover, h."""
    inside = np.zeros(len(grid.volts) + 1)
    for part in parts:
        np.add.at(inside, part.first, 1.0)
        np.add.at(inside, part.last, -1.0)
    covered = np.cumsum(inside[:-1]) > 0
    index = np.floor(grid.local_s / DAY_S).astype(np.intp) - origin
    hours = np.bincount(index, weights=covered * (STEP_S / 3600.0), minlength=count)
    return np.asarray(hours, dtype=np.float64)


def by_day(by_cell: Floats, grid: Grid, origin: int, count: int) -> Floats:
    """Add up the cells of each day."""
    index = np.floor(grid.local_s / DAY_S).astype(np.intp) - origin
    return np.asarray(np.bincount(index, by_cell, minlength=count), dtype=np.float64)
