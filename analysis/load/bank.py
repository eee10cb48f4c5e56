r"""Simulates the bank over the boat's own days, to find the least output that carries the boat.

The days of the log are simulated in steps of six hours, for many outputs at once and for many
plausible loads, capacities and charge efficiencies. The charger starts when the bank has sunk to
the depth at which it starts on this boat. It stops when the bank is full and takes less than the
charger has left over. A day is short if the bank falls below its usable share on it. The limit is
the least output with which no more than one day in twenty of the season is short.

    depth of discharge   0 |\\      /|\\                      full
                           |  \\  /  |  \\        /
       start of the charger|--------|----\\----/---------
       usable share        |~~~~~~~~~~~~~~~\\/~~~~~~~~~~    below it: short
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.load.usual_bank import EMPTY_V, HOLDS, SEALED_V, SWING_V

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Part of its capacity that a bank may give, lowest and highest: lead-acid one half for the sake of
#: its life, LFP 0.8 to 0.9 (common practice, no source).
USABLE = {"flooded": (0.45, 0.55), "agm": (0.45, 0.55), "gel": (0.45, 0.55), "lfp": (0.78, 0.90)}
#: If a charger starts only below the usable share, a day is short when the bank falls this much
#: deeper than its start, as a part of capacity (judgement).
BELOW_START = 0.10
#: Depth at which a charger starts where the log does not show it, lowest and highest; standard
#: deviations of that depth by the voltage, and of its logarithm by the charge (judgement).
USUAL_START, BY_VOLTAGE_SD, BY_CHARGE_SD = (0.2, 0.65), 0.08, 0.1
#: Where charge and voltage tell different depths, the true one lies between them, this far at most
#: from the charge to the voltage: a worn bank seems full too early, so the charge is too little,
#: and the loads lower the voltage (settled on boats of the study, see METHOD.md).
TO_VOLTAGE = 0.8
#: What the charge and the voltage at the starts tell of a capacity that is not configured is too
#: little; so much of the logarithm, half of a bell (judgement).
SEEN_SD = 0.35
#: Depth of a full bank (judgement).
FULL_DEPTH = 0.02
#: What a full lead-acid bank still takes at the charge ceiling, A per Ah, lowest and highest. A
#: charger with less to spare never reaches its ceiling, and does not stop. EN/IEC 62485-2 takes
#: 0.008 (sealed) and 0.020 (free acid) for the gas of a boost charge, from memory; sound banks take
#: less (common practice, no source).
TAKES_FULL = (0.001, 0.008)
#: Greatest share of short days in a season: one in twenty (judgement).
SHORT = 0.05
#: Depth above which a lead-acid bank keeps less of its charge (charge_kept: Stevens & Corey 1996).
KNEE_DEPTH = 0.16
#: Share of charge that an LFP bank keeps (common practice, no source).
LFP_KEPT = 0.99
#: A charger that just carries the load holds the bank little above its rested voltage: so many V,
#: with a standard deviation, in a 12 V block, cable and charging together (judgement).
ABOVE_RESTED_V, ABOVE_SD_V = 0.3, 0.15
#: Rested voltage of an LFP block on its plateau, V (four cells of 3.3 V).
PLATEAU_V = 13.2
#: Charge that an engine or a shore charger gives in an hour, part of the bank's capacity, lowest
#: and highest, as the mean over some hours: an alternator begins with up to 0.4, and a bank that is
#: four fifths full takes less than 0.1 (common practice, no source).
HELP_C = (0.05, 0.3)
#: How far the pattern of the day goes from an even one towards that of the balance, lowest and
#: highest. A charger starts when the load is high, so that the hours of the starts are not by
#: chance, and the balance makes the evening too heavy (settled on boats of the independent
#: generator, see METHOD.md).
PATTERN = (0.0, 1.0)
#: Days that belong together, such as a passage or a spell of weather (judgement).
BLOCK_D = 10
#: Fewer blocks than this have no scatter worth a name (our choice).
FEWEST_BLOCKS = 3
#: Steps of the day: six hours separate night from day (our choice, four simulate fast).
PARTS = 4
STEP_H = 24.0 / PARTS
#: Outputs tried, as parts of the mean day's need; and the number of loads drawn (our choice,
#: steps of 7 % are finer than the interval, and 64 loads simulate fast).
LEVELS, DRAWS = np.exp(np.linspace(np.log(0.5), np.log(3.2), 28)), 64
#: Where some days need more, larger outputs are tried, each so many times the last, up to what this
#: share of the days needs (our choice).
BEYOND, HEAVIEST = 1.15, 0.995
#: Seed of the draws, so that the same log gives the same limit.
_SEED = 20261130


@dataclass(frozen=True, slots=True)
class Days:
    """The days over which the bank is simulated. Rows are draws, columns days."""

    load_ah: Floats
    """Loads, shape (draws, days)."""
    gap: NDArray[np.bool_]
    """Whether the log has a gap before a day, so that the bank starts again, shape (days,)."""
    help_h: Floats
    """Hours for which something else charged, shape (days,)."""
    pattern: Floats
    """Part of a day's load in each step, sums to 1, shape (PARTS,)."""
    relative_sd: float
    """Common error of all loads: standard deviation of the logarithm."""
    help_ah: Floats | None = None
    """What that gave to the bank, Ah, shape (days,); NaN on days of which only its hours are known,
    None where that is so on all."""


@dataclass(frozen=True, slots=True)
class Bank:
    """The bank as configured, and the depth at which the charger starts."""

    capacity_ah: float
    """Label of the bank, or a usual one."""
    capacity_sd: float
    """Spread of the logarithm of that figure: 0 where it is configured."""
    chemistry: str
    blocks: int
    start_ah: float | None
    """Charge drawn when the charger starts, Ah; None where the log does not show it."""
    start_depth: float | None = None
    """The same by the voltage at the starts, part of what the bank holds; None without it."""


@dataclass(frozen=True, slots=True)
class Carried:
    """The result of the simulation: share of short days by output and draw."""

    power_w: Floats
    """Outputs, shape (levels, draws)."""
    short: Floats
    """Share of days short, shape (levels, draws)."""
    mean_w: float
    """Power that the mean day needs round the clock, W."""

    def limit_w(self, growth: float = 1.0) -> Floats:
        """Return the least output of each draw with at most ``SHORT`` of the days short, W."""
        found = [
            _least(power, short) for power, short in zip(self.power_w.T, self.short.T, strict=True)
        ]
        return growth * np.array(found)

    def days_carried(self, watts: float, growth: float = 1.0) -> float:
        """Return the share of days on which the bank stays above its usable share."""
        at = np.log(max(watts / growth, 1e-3))
        shares = [
            np.interp(at, np.log(power), short)
            for power, short in zip(self.power_w.T, self.short.T, strict=True)
        ]
        return 1.0 - float(np.median(shares))


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What each draw supposes of boat and bank; arrays have the shape (draws,) unless told.

    Depths are charge drawn from a full bank, Ah.
    """

    load_ah: Floats
    """What is drawn from the bank on each day, shape (draws, days)."""
    weight: Floats
    """Weights of the days, shape (draws, days)."""
    mean_a: Floats
    """Mean load, whoever carries it."""
    volts: Floats
    start_ah: Floats
    """Depth at which the charger starts."""
    floor_ah: Floats
    """Depth below which a day is short."""
    full_ah: Floats
    knee_ah: Floats
    """Depth above which the bank keeps less of its charge."""
    low_kept: Floats
    """Share of the charge that is kept below the knee, and of a full bank."""
    top_kept: Floats
    finish_ah: Floats
    """What a full bank still takes in a step."""
    help_ah: Floats
    """Charge that another source gives in an hour."""
    pattern: Floats
    """Part of a day's load in each step, shape (PARTS, draws)."""


def live(days: Days, bank: Bank) -> Carried:
    """Simulate the bank over the days with every output and every draw."""
    drawn = _draw(days, bank, np.random.default_rng(_SEED))
    amps = tried(drawn.load_ah / (24.0 * drawn.mean_a[:, None]), drawn.pattern)[:, None]
    amps = amps * drawn.mean_a
    short = _short(days, drawn, amps) / drawn.weight.sum(axis=1)
    return Carried(amps * drawn.volts, short, float(np.median(drawn.mean_a * drawn.volts)))


def tried(load: Floats, pattern: Floats) -> Floats:
    """Return the outputs to try, over the mean load.

    They reach what the heaviest days need in their heaviest hours: a boat that sails at weekends
    draws ten times her mean on some days.

    Parameters
    ----------
    load
        Load of each day over the mean load, shape (draws, days).
    pattern
        Part of a day's load in each step, shape (PARTS, draws).
    """
    most = float(np.quantile(load, HEAVIEST)) * PARTS * float(pattern.max())
    more = math.ceil(math.log(max(most / LEVELS[-1], 1.0)) / math.log(BEYOND))
    return np.concatenate((LEVELS, LEVELS[-1] * BEYOND ** np.arange(1.0, more + 1.0)))


def _draw(days: Days, bank: Bank, rng: np.random.Generator) -> _Drawn:
    """Draw loads, capacity, usable share, start, charge kept, help and voltage."""
    rows = rng.integers(0, len(days.load_ah), DRAWS)
    load = days.load_ah[rows] * np.exp(days.relative_sd * rng.standard_normal(DRAWS))[:, None]
    capacity = draw_capacities(bank, DRAWS, rng)
    usable = rng.uniform(*USABLE[bank.chemistry], DRAWS)
    start = draw_starts(bank, capacity, rng)
    floor = capacity * np.maximum(usable, start + BELOW_START)
    lead = bank.chemistry != "lfp"
    top = rng.uniform(0.3, 0.7, DRAWS) if lead else np.full(DRAWS, LFP_KEPT)
    low_kept = rng.uniform(0.955, 0.985, DRAWS) if lead else np.full(DRAWS, LFP_KEPT)
    finish = STEP_H * capacity * _any(TAKES_FULL, DRAWS, rng) if lead else np.zeros(DRAWS)
    help_ah = capacity * _any(HELP_C, DRAWS, rng)
    volts = _volts(bank, floor / capacity, rng)
    mean_a = load.mean(axis=1) / 24.0
    weight = _weights(load.shape[1], DRAWS, rng)
    load = load * draw_other_blocks(load, rng)
    even = 1.0 / PARTS
    pattern = even + rng.uniform(*PATTERN, DRAWS) * (days.pattern[:, None] - even)
    return _Drawn(
        # What is drawn while something else charges comes from there.
        load_ah=load * (1.0 - np.minimum(days.help_h, 24.0) / 24.0),
        weight=weight,
        mean_a=mean_a,
        volts=volts,
        start_ah=capacity * start,
        floor_ah=floor,
        full_ah=FULL_DEPTH * capacity,
        knee_ah=capacity * KNEE_DEPTH,
        low_kept=low_kept,
        top_kept=top,
        finish_ah=finish,
        help_ah=help_ah,
        pattern=pattern,
    )


def _short(days: Days, drawn: _Drawn, amps: Floats) -> Floats:
    """Return the weight of the short days, shape (levels, draws)."""
    begin, lowest = 0.5 * drawn.start_ah, 1.2 * drawn.floor_ah
    depth = np.broadcast_to(begin, amps.shape).copy()
    on = np.zeros(amps.shape, dtype=bool)
    short = np.zeros(amps.shape)
    for day in range(drawn.load_ah.shape[1]):
        if days.gap[day]:
            depth[:] = begin
            on[:] = False
        if days.help_h[day] > 0.0:
            given = drawn.help_ah * days.help_h[day]
            if days.help_ah is not None and not np.isnan(days.help_ah[day]):
                given = days.help_ah[day]
            depth = np.maximum(depth - given, 0.0)
        deepest = depth
        for part in drawn.pattern:
            load = np.maximum(drawn.load_ah[:, day] * part, 1e-6)
            depth, on = _step(depth, on, amps, load, drawn)
            deepest = np.maximum(deepest, depth)
        # Somebody starts the engine before the bank is flat; the day is short all the same.
        short += drawn.weight[:, day] * (deepest > drawn.floor_ah)
        np.minimum(depth, lowest, out=depth)
    return short


def _step(
    depth: Floats, on: NDArray[np.bool_], amps: Floats, load_ah: Floats, drawn: _Drawn
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return the depth after a step, and whether the charger is on."""
    # The charger starts within the step in which the bank sinks to its start.
    late = np.clip((depth + load_ah - drawn.start_ah) / load_ah, 0.0, 1.0)
    net = amps * STEP_H * np.where(on, 1.0, late) - load_ah
    over = np.clip(1.0 - depth / drawn.knee_ah, 0.0, 1.0)
    kept = drawn.low_kept - (drawn.low_kept - drawn.top_kept) * over
    depth = depth - np.where(net > 0.0, kept * net, net)
    on = (on | (late > 0.0)) & ((depth > drawn.full_ah) | (net < drawn.finish_ah))
    np.maximum(depth, 0.0, out=depth)
    return depth, on


def _any(ends: tuple[float, float], count: int, rng: np.random.Generator) -> Floats:
    """Draw between two ends, even on the scale of ratios."""
    return np.exp(rng.uniform(math.log(ends[0]), math.log(ends[1]), count))


def draw_capacities(bank: Bank, count: int, rng: np.random.Generator) -> Floats:
    """Draw what the bank really holds, Ah."""
    capacity = bank.capacity_ah * np.exp(bank.capacity_sd * rng.standard_normal(count))
    capacity *= rng.uniform(*HOLDS, count)
    if bank.capacity_sd > 0.0 and bank.start_ah and bank.start_depth:
        # A worn bank seems full too early and loads lower the voltage: it holds that much at least.
        more = np.exp(SEEN_SD * np.abs(rng.standard_normal(count)))
        capacity = np.maximum(capacity, bank.start_ah / bank.start_depth * more)
    return np.asarray(capacity, dtype=np.float64)


def _volts(bank: Bank, floor: Floats, rng: np.random.Generator) -> Floats:
    """Draw the charger's voltage; ``floor`` is the depth at which a day is short."""
    rested_v = np.full(len(floor), PLATEAU_V)
    if bank.chemistry != "lfp":
        # On the way from full to the floor the bank is half of that depth down in the mean.
        sealed_v = 0.0 if bank.chemistry == "flooded" else SEALED_V
        rested_v = EMPTY_V + sealed_v + SWING_V * (1.0 - 0.5 * floor)
    above_v = ABOVE_RESTED_V + ABOVE_SD_V * rng.standard_normal(len(floor))
    return np.asarray(bank.blocks * (rested_v + above_v), dtype=np.float64)


def draw_starts(bank: Bank, capacity_ah: Floats, rng: np.random.Generator) -> Floats:
    """Draw the depth at which the charger starts, part of the capacity."""
    count = len(capacity_ah)
    charge, voltage = rng.standard_normal((2, count))
    start = rng.uniform(*USUAL_START, count)
    by_voltage = None
    if bank.start_depth is not None:
        by_voltage = bank.start_depth + BY_VOLTAGE_SD * voltage
        start = by_voltage
    if bank.start_ah is not None:
        start = bank.start_ah * np.exp(BY_CHARGE_SD * charge) / capacity_ah
        if by_voltage is not None:
            apart = np.maximum(by_voltage - start, 0.0)
            start = start + rng.uniform(0.0, TO_VOLTAGE, count) * apart
    return np.clip(start, 0.02, 0.85)


def _weights(days: int, count: int, rng: np.random.Generator) -> Floats:
    """Draw weights of the days, shape (count, days): other years have other days.

    Blocks of ten days get random weights (Bayesian bootstrap: Rubin 1981, Ann. Statist. 9:130-134;
    from memory). Their shape gives the mean of n blocks the variance s2 / n, where s2 is the
    unbiased one: of few blocks the weights differ more.
    """
    block = np.arange(days) // BLOCK_D
    blocks = int(block[-1]) + 1
    shape = max(1.0 - 2.0 / blocks, 0.2)
    drawn = rng.gamma(shape, 1.0, (count, blocks)) + 1e-12
    return np.asarray(drawn[:, block], dtype=np.float64)


def draw_other_blocks(load_ah: Floats, rng: np.random.Generator) -> Floats:
    """Draw factors of the loads, shape (draws, days): other years have blocks that were not seen.

    A block that was not seen scatters about the mean of n others with the variance s2 (1 + 1 / n),
    those that were seen and weighted with s2 (1 - 1 / n). The rest is added. The scatter is that of
    the middle half, so that one heavy block does not move all others.
    """
    draws, days = load_ah.shape
    block = np.arange(days) // BLOCK_D
    length = np.bincount(block)
    blocks = len(length)
    if blocks < FEWEST_BLOCKS:
        return np.ones_like(load_ah)
    first = np.flatnonzero(np.diff(block, prepend=-1))
    level = np.add.reduceat(load_ah, first, axis=1) / length
    apart = np.abs(level - np.median(level, axis=1, keepdims=True))
    scatter = 1.4826 * np.median(apart, axis=1, keepdims=True) / level.mean(axis=1, keepdims=True)
    spread = math.sqrt(2.0 / blocks) * scatter
    moved = spread * rng.standard_normal((draws, blocks))
    return np.asarray(np.exp(moved)[:, block], dtype=np.float64)


def _least(power_w: Floats, short: Floats) -> float:
    """Return the least output from which on every larger one has few enough short days, W."""
    bad = np.flatnonzero(short > SHORT)
    if len(bad) == 0:
        return float(power_w[0])
    at = int(bad[-1])
    if at + 1 == len(power_w):
        return float(power_w[-1])
    part = (short[at] - SHORT) / max(short[at] - short[at + 1], 1e-9)
    return float(power_w[at] * (power_w[at + 1] / power_w[at]) ** part)
