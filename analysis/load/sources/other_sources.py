"""Recognises when another source charges the battery: shore charger, engine, any strong source.

Without a source, the voltage of a battery cannot stay above its resting voltage for long, and
cannot rise by itself. On a regular grid of five minutes, help begins where the voltage rises above
the resting voltage faster than the charger explains, or stays above it where surface charge would
fall. Help ends where the voltage falls. While the charger runs, a load that is switched off lifts
the voltage as well, by its current times the battery's resistance. A worn bank has several times
the resistance of a sound one. So the size of a jump is compared with the boat's own log: with the
rise at a start of the charger, the battery's response to a known current. A bank that is nearly
full answers so much more that this does not tell a load from a source. A source that charges shows
itself in what follows the jump, see :func:`find_loads_off`. The other thresholds are for a 12 V
block (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import TYPE_CHECKING

import numpy as np

from analysis.load.battery_limited import in_float, limited
from analysis.load.sources.held_voltage import (
    HOUR,
    HOUR_2,
    held,
    held_high,
    level,
    pinned,
    usual_top,
)
from analysis.physics import blocks_in_series
from analysis.statistics.windows import ago, since, window
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Length of a cell of the grid, s: shorter than an hour of help by far, and ten years stay a
#: million cells.
STEP_S = 300.0
#: A cell farther than this from any record is a gap, s: at rest a record is ten minutes long.
GAP_S = 1500.0
#: Cells from the start of a run that are warm-up: half an hour (ignore 15 to 30 minutes after
#: starting: common practice, no source).
WARM_UP_CELLS = 6
#: Largest load that may be switched off at once, part of the charger's current (judgement: the cold
#: box and what goes off with it). A jump of up to this part of the rise at a start is such a load.
LOAD_STEP = 0.4
#: Largest rise of a bank at rest in two hours from loads switched off, part of the rise at a start
#: (judgement: nearly all that this charger could feed).
ALL_LOADS = 0.85
#: Part of a time of help for which the charger stands at its own ceiling, from which on a load that
#: was switched off may explain it; and the greatest rise that such a load gives, as a multiple of
#: the rise at a start: a bank that is nearly full answers more than one that is low (settled on
#: boats of the independent generator, see METHOD.md).
AT_CEILING, NEARLY_FULL_RISE = 0.3, 2.0
#: How another source shows itself after a jump in a run of the charger (settled on recordings made
#: apart from both generators and on boats of the study, see METHOD.md). The charger gives nothing
#: for so many cells.
IDLE_CELLS = 2
#: Or the voltage stands, though the charger gives all it can: above so many V, within so many V for
#: half an hour; at so many cells such a half hour ends.
STANDS_ABOVE_V, STANDS_V, STANDS_CELLS = 13.3, 0.04, 3
#: Or the jump lasts for so many cells, and goes beyond all of so many cells before it by
#: ``ALL_LOADS`` of the rise at a start.
LASTS_CELLS, BEFORE_CELLS = 8, 72
#: A jump that only lifts the voltage is a load that is switched off at its hour, where jumps that
#: show no source came on so many other days within so many cells of that time of day, on more days
#: than those that show one, and did not all lead to one voltage, within so many V for the middle
#: half of them: a source has its own (settled on recordings made apart from both generators, and on
#: boats of the study).
SAME_HOUR_DAYS, SAME_HOUR_CELLS, SAME_V = 5, 6, 0.05
#: It gives all it can from this part of its usual current on (judgement).
ALL_IT_CAN = 0.85
#: Rise at a start where the log has too few starts, V (judgement).
START_RISE_V = 0.9


@dataclass(frozen=True, slots=True)
class Chemistry:
    """Voltages of one nominal 12 V block, V; the module describes their use."""

    rested_v: float
    """Highest voltage of a full block after a rest."""
    resting_v: float
    """Highest voltage that a block keeps for long without a source."""
    gone_v: float
    """Below this there is no help."""
    held_v: float
    """Above this, after surface charge has gone, something holds the battery."""
    rise_v: float
    """A rise by this within an hour of rest, ending above ``rested_v``, is more than loads off."""
    jump_v: float
    """A rise by this within ten minutes of steady running does not come from the charger."""
    unknown_swing_v: float
    """Response to loads that is assumed early in a run."""
    fall_v: float
    """A fall by this within twenty minutes ends the help."""
    surface_h: float
    """Time after which surface charge has gone, h."""
    climb_v: float = np.inf
    """If a run rose by this in two hours, the battery is nearly full and rises by itself."""
    sink_v: float = np.inf
    """A fall by this in two hours of rest ends the help."""


#: Lead-acid rests at up to 2.15 V per cell (gel and AGM; Bode 1977 gives 2.11 for free acid),
#: LFP on a plateau of 3.3 V per cell with 3.36 V when full.
LEAD = Chemistry(12.90, 13.05, 12.95, 13.15, 0.30, 0.25, 0.30, 0.20, 6.0)
LFP = Chemistry(13.30, 13.30, 13.28, 13.55, 0.10, 0.10, 0.06, 0.05, 12.0, 0.10, 0.01)


@dataclass(frozen=True, slots=True)
class Grid:
    """The log on a regular grid, arrays of shape (m,)."""

    start_s: float
    """Unix time of the first cell's middle."""
    volts: Floats
    """Voltage per nominal 12 V block; NaN in gaps."""
    amps: Floats
    """Charger's current, A."""
    running: Flags
    known: Flags
    """False in gaps of the log."""
    aided: Flags
    """Another source charges the battery."""
    blocks: int
    limited: Flags
    """The battery, not the charger, sets the current."""
    in_float: Flags
    """The charger itself holds a full bank."""
    zone: tzinfo = UTC
    """Zone of the boat's days."""
    filling: Flags | None = None
    """Where ``aided`` may be the charger itself, as it fills the bank; None for nowhere."""

    @property
    def local_s(self) -> Floats:
        """Seconds of the boat's clock since 1970, for the middle of each cell.

        Whole days of it are the boat's calendar days, and a day is named by the midnight at which
        it would begin in UTC. The clock is changed at midnight UTC of the day, some hours off.
        """
        unix_s = np.asarray(self.start_s + STEP_S * np.arange(len(self.volts)), dtype=np.float64)
        if self.zone is UTC:
            return unix_s
        day = np.floor(unix_s / DAY_S).astype(np.intp)
        ahead = [_ahead_s(number * DAY_S, self.zone) for number in range(day[0], day[-1] + 1)]
        return np.asarray(unix_s + np.array(ahead)[day - day[0]], dtype=np.float64)


def _ahead_s(time_s: float, zone: tzinfo) -> float:
    """Return by how much a zone's clock is ahead of UTC, s."""
    offset = datetime.fromtimestamp(time_s, zone).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def make_grid(
    runs: Runs, chemistry: str, ceiling_v: float | None = None, zone: tzinfo = UTC
) -> Grid:
    """Put the log on the grid and mark where the battery is helped; ``zone`` is of the days."""
    log = runs.log
    first = np.floor(log.start_s[0] / STEP_S) * STEP_S + STEP_S / 2.0
    count = int((log.end_s[-1] - first) / STEP_S) + 1
    time = first + STEP_S * np.arange(max(count, 1))
    at = np.clip(np.searchsorted(log.start_s, time, side="right") - 1, 0, None)
    volts = log.voltage_mean_v[at]
    known = (time - log.end_s[at] < GAP_S) & np.isfinite(volts)
    blocks = blocks_in_series(float(np.nanmedian(log.voltage_mean_v)))
    amps = np.nan_to_num(log.charge_c[at] / log.duration_s[at])
    running = runs.running[at] & known
    volts = np.where(known, volts / blocks, np.nan)
    kind = LFP if chemistry == "lfp" else LEAD
    aided = find_aided(volts, amps, running, known, kind)
    floating = in_float(volts, amps, running)
    held_back = limited(volts, amps, running) | floating
    if kind is LEAD:
        aided &= ~find_loads_off(aided, volts, amps, running, held_back)
    filling = np.zeros(len(volts), dtype=bool)
    if kind is LEAD:
        filling = find_filling(aided, volts, amps, running, held_back)
    off = known & ~running
    at_rest = np.where(off, volts, np.nan)
    if kind is LFP:
        aided |= level(at_rest)
    else:
        aided |= held(at_rest, kind.held_v) | find_raised(volts, running)
        lowest, highest = log.voltage_min_v[at] / blocks, log.voltage_max_v[at] / blocks
        aided |= held_high(np.where(off, lowest, np.nan), np.where(off, highest, np.nan))
        top = ceiling_v / blocks if ceiling_v else usual_top(volts, running)
        # In float the charger itself holds the voltage.
        aided |= pinned(volts, running, top) & ~floating
    return Grid(
        float(first), volts, amps, running, known, aided, blocks, held_back, floating, zone, filling
    )


def find_aided(v: Floats, amps: Floats, running: Flags, known: Flags, block: Chemistry) -> Flags:
    """Find where help begins and ends; the last such event before a cell decides."""
    index = np.arange(len(v))
    off = known & ~running
    begun = running & ~ago(running, 1)
    in_run = since(begun, index)
    since_run = since(running, index)
    high = v > block.resting_v

    # At rest: the voltage rises above a rested one, or stays there longer than surface charge.
    opens = off & (v > block.rested_v) & (v - window(v, 0, 12, np.fmin) >= block.rise_v)
    opens &= since_run > 1
    opens |= off & (v > block.held_v) & (since_run * STEP_S > 3600.0 * block.surface_h)

    # Running: the voltage jumps further than loads moved it before, and the charger's current did
    # not rise. Or the charger gives nothing at a high voltage.
    usual = float(np.median(amps[running])) if running.any() else 1.0
    rise = np.where(running, v - ago(v, 2), np.nan)
    rise[in_run <= WARM_UP_CELLS] = np.nan
    swing = window(np.abs(rise), 3, 36, np.fmax)
    swing = np.where(in_run < WARM_UP_CELLS + 18, block.unknown_swing_v, np.nan_to_num(swing))
    pushed = amps - ago(amps, 2) > 0.1 * usual
    relief = max(block.jump_v, LOAD_STEP * start_rise(v, running))
    climbing = ago(v, 2) - ago(v, HOUR_2 + 2) > block.climb_v
    jump = running & high & ~pushed & ~climbing & (rise >= np.maximum(relief, 1.5 * swing))
    idle = running & (in_run > WARM_UP_CELLS) & (window(amps, 0, 3, np.fmax) < 0.05 * usual)
    idle &= v > block.resting_v + 0.25
    opens |= jump | idle

    less = window(amps, 0, 4, np.fmax) - amps > 0.1 * usual
    closes = ((window(v, 0, 4, np.fmax) - v >= block.fall_v) & ~(running & less)) | ~known
    closes |= v < block.gone_v
    before = window(v, HOUR_2, HOUR_2 + 3, np.fmin)
    closes |= off & (before - window(v, 0, 3, np.fmax) > block.sink_v)
    opens &= ~closes
    last_open = np.maximum.accumulate(np.where(opens, index, -1))
    last_close = np.maximum.accumulate(np.where(closes, index, -1))
    return np.asarray((last_open > last_close) & known)


def find_loads_off(
    aided: Flags, v: Floats, amps: Floats, running: Flags, held_back: Flags
) -> Flags:
    """Mark times of help that were a load switched off while the charger ran.

    A bank that is nearly full, worn or of high resistance answers a load of a few amperes by as
    much as another one answers a source. But after a load the charger goes on alone: the voltage
    moves with the other loads, soon falls again, and hardly passes what it was before the load. A
    source leaves the charger idle, or holds the voltage, or lifts it further and for longer. What
    only lifts it, at one hour of many days and to a different voltage on each, is a load of that
    hour.
    """
    edge = np.diff(np.concatenate(([0], aided.astype(np.int8), [0])))
    begin, end = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    own = np.zeros(len(v), dtype=bool)
    in_run = running[begin]
    if not in_run.any():
        return own
    usual = float(np.median(amps[running]))
    idle = running & (window(amps, 0, IDLE_CELLS - 1, np.fmax) < 0.05 * usual)
    gives_all = running & ~held_back & (amps > ALL_IT_CAN * usual)
    shown = np.where(gives_all, v, np.nan)
    half = HOUR // 2 - 1
    spread = window(shown, 0, half, np.maximum) - window(shown, 0, half, np.minimum)
    stands = (spread <= STANDS_V) & (v > STANDS_ABOVE_V)
    before = window(np.where(running, v, np.nan), 3, BEFORE_CELLS, np.fmax)
    least = ALL_LOADS * start_rise(v, running)
    begin, end = begin[in_run], end[in_run]
    pairs = list(zip(begin.tolist(), end.tolist(), strict=True))
    source = np.array(
        [idle[a:b].any() or stands[a:b].sum() >= STANDS_CELLS for a, b in pairs], dtype=bool
    )
    lifts = np.array(
        [b - a >= LASTS_CELLS and np.nanmax(v[a : a + 4]) - before[a] > least for a, b in pairs],
        dtype=bool,
    )
    level = np.array([float(np.nanmax(v[a : a + 4])) for a, _ in pairs])
    for k in np.flatnonzero(lifts & ~source):
        lifts[k] = not _at_its_hour(int(k), begin, level, source)
    for (first, last), other in zip(pairs, source | lifts, strict=True):
        own[first:last] = not other
    return own


def _at_its_hour(jump: int, begin: NDArray[np.intp], level_v: Floats, source: Flags) -> bool:
    """Tell whether a jump came at an hour at which jumps of no source come on many days.

    ``level_v`` is where each jump leads to, ``source`` whether it shows a source.
    """
    a_day = round(DAY_S / STEP_S)
    day, at = begin // a_day, begin % a_day
    apart = np.abs((at - at[jump] + a_day // 2) % a_day - a_day // 2)
    near = (apart <= SAME_HOUR_CELLS) & (day != day[jump])
    loads, sources = (len(np.unique(day[near & kind])) for kind in (~source, source))
    if loads < SAME_HOUR_DAYS or loads <= sources:
        return False
    low_v, high_v = np.percentile(level_v[near & ~source], [25.0, 75.0])
    return bool(high_v - low_v > SAME_V)


def find_filling(aided: Flags, v: Floats, amps: Floats, running: Flags, at_top: Flags) -> Flags:
    """Mark times of help that are the charger itself, as it fills the bank.

    Where a load is switched off shortly before the ceiling, the voltage jumps up to it, and the
    charger then gives less. With another source it goes on giving all it can, or nothing at all.
    """
    edge = np.diff(np.concatenate(([0], aided.astype(np.int8), [0])))
    begin, end = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    own = np.zeros(len(v), dtype=bool)
    if len(begin) == 0:
        return own
    least = 0.05 * float(np.median(amps[running])) if running.any() else 0.0
    highest = NEARLY_FULL_RISE * start_rise(v, running)
    rise = np.nan_to_num(v - ago(v, 2))
    for first, last in zip(begin.tolist(), end.tolist(), strict=True):
        inside = slice(first, last)
        if not running[first] or rise[max(first - 1, 0) : first + 4].max() > highest:
            continue
        idle = running[inside] & (amps[inside] < least)
        own[inside] = at_top[inside].mean() > AT_CEILING and not idle.any()
    return own


def start_rise(v: Floats, running: Flags) -> float:
    """Return the usual rise of the voltage from before a start to half an hour into the run, V."""
    begin = np.flatnonzero(running[1:] & ~running[:-1]) + 1
    begin = begin[(begin > 2) & (begin + 9 < len(v))]
    stays = np.array([running[i : i + 10].all() and not running[i - 3 : i].any() for i in begin])
    if np.count_nonzero(stays) < 3:
        return START_RISE_V
    at = begin[stays][:, None]
    rise = v[at + np.arange(6, 10)].mean(axis=1) - v[at - np.array([2, 3])].mean(axis=1)
    rise = rise[np.isfinite(rise)]
    return float(np.median(rise)) if len(rise) else START_RISE_V


def find_raised(v: Floats, running: Flags) -> Flags:
    """Mark where a bank at rest has risen by more than loads switched off can explain.

    This finds a weak source on a large or flat bank, whose voltage stays below the resting one.
    """
    least = max(LEAD.rise_v, ALL_LOADS * start_rise(v, running))
    rested = ~running & (since(running, np.arange(len(v))) > HOUR_2)
    return rested & (v - window(v, 0, HOUR_2, np.fmin) >= least)
