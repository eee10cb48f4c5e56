r"""Simulates the bank over the boat's own days, to find the least output that carries the boat.

The days of the log are simulated in steps of six hours, for many outputs at once and for many
plausible loads, capacities and charge efficiencies. The charger starts when the bank has sunk to
the depth at which it starts on this boat, and runs until the bank is full. A day is short if the
bank falls below its usable share on it. The limit is the least output with which no more than one
day in twenty of the season is short.

    depth of discharge   0 |\\      /|\\                      full
                           |  \\  /  |  \\        /
       start of the charger|--------|----\\----/---------
       usable share        |~~~~~~~~~~~~~~~\\/~~~~~~~~~~    below it: short
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.load.usual_bank import HOLDS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Part of its capacity that a bank may give, lowest and highest: lead-acid one half for the sake of
#: its life, LFP 0.8 to 0.9 (common practice, no source).
USABLE = {"flooded": (0.45, 0.55), "agm": (0.45, 0.55), "gel": (0.45, 0.55), "lfp": (0.78, 0.90)}
#: If a charger starts only below the usable share, a day is short when the bank falls this much
#: deeper than its start, as a part of capacity (judgement).
BELOW_START = 0.10
#: Depth at which a charger starts where the log does not show it, and depth of a full bank
#: (judgement).
USUAL_START, FULL_DEPTH = 0.35, 0.02
#: Greatest share of short days in a season: one in twenty (judgement).
SHORT = 0.05
#: Depth above which a lead-acid bank keeps less of its charge (charge_kept: Stevens & Corey 1996).
KNEE_DEPTH = 0.16
#: Share of charge that an LFP bank keeps (common practice, no source).
LFP_KEPT = 0.99
#: Usual charging voltage of a 12 V block, V (sizing step 3 of common practice), and its relative
#: standard deviation (judgement).
CHARGING_V, VOLTAGE_SD = 13.2, 0.015
#: Charge that an engine or a shore charger gives in an hour, part of the bank's capacity (common
#: practice, no source: 0.1 to 0.2).
HELP_C = 0.12
#: Days that belong together, such as a passage or a spell of weather (judgement).
BLOCK_D = 10
#: Steps of the day: six hours separate night from day (our choice, four simulate fast).
PARTS = 4
STEP_H = 24.0 / PARTS
#: Outputs tried, as parts of the mean day's need; and the number of loads drawn (our choice,
#: steps of 7 % are finer than the interval, and 32 loads simulate fast).
LEVELS, DRAWS = np.exp(np.linspace(np.log(0.6), np.log(2.2), 20)), 32
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


def live(days: Days, bank: Bank) -> Carried:
    """Simulate the bank over the days with every output and every draw."""
    rng = np.random.default_rng(_SEED)
    count = DRAWS
    rows = rng.integers(0, len(days.load_ah), count)
    load = days.load_ah[rows] * np.exp(days.relative_sd * rng.standard_normal(count))[:, None]
    capacity = bank.capacity_ah * np.exp(bank.capacity_sd * rng.standard_normal(count))
    capacity *= rng.uniform(*HOLDS, count)
    usable = rng.uniform(*USABLE[bank.chemistry], count)
    start = USUAL_START * np.ones(count)
    if bank.start_ah is not None:
        start = bank.start_ah * np.exp(0.1 * rng.standard_normal(count)) / capacity
    start = np.clip(start, 0.02, 0.85)
    floor = capacity * np.maximum(usable, start + BELOW_START)
    start_ah = capacity * start
    lead = bank.chemistry != "lfp"
    top = rng.uniform(0.3, 0.7, count) if lead else np.full(count, LFP_KEPT)
    low_kept = rng.uniform(0.955, 0.985, count) if lead else np.full(count, LFP_KEPT)
    knee_ah = capacity * KNEE_DEPTH
    volts = CHARGING_V * bank.blocks * np.exp(VOLTAGE_SD * rng.standard_normal(count))
    mean_a = load.mean(axis=1) / 24.0
    amps = LEVELS[:, None] * mean_a
    depth = np.broadcast_to(0.5 * start_ah, amps.shape).copy()
    on = np.zeros(amps.shape, dtype=bool)
    short = np.zeros(amps.shape)
    full = FULL_DEPTH * capacity
    restart = 0.5 * start_ah
    # Other years have other days, so blocks of ten days get random weights (Bayesian bootstrap:
    # Rubin 1981, Ann. Statist. 9:130-134; from memory).
    blocks = np.arange(load.shape[1]) // BLOCK_D
    weight = rng.exponential(1.0, (count, int(blocks[-1]) + 1))[:, blocks]
    for day in range(load.shape[1]):
        if days.gap[day]:
            depth[:] = restart
            on[:] = False
        if days.help_h[day] > 0.0:
            depth = np.maximum(depth - HELP_C * days.help_h[day] * capacity, 0.0)
        deepest = depth
        for part in days.pattern:
            draw = np.maximum(load[:, day] * part, 1e-6)
            # The charger starts within the step in which the bank sinks to its start.
            sunk = depth + draw
            late = np.clip((sunk - start_ah) / draw, 0.0, 1.0)
            given = amps * STEP_H * np.where(on, 1.0, late)
            net = given - draw
            over = np.clip(1.0 - depth / knee_ah, 0.0, 1.0)
            kept = low_kept - (low_kept - top) * over
            depth = depth - np.where(net > 0.0, kept * net, net)
            on = (on | (late > 0.0)) & (depth > full)
            np.maximum(depth, 0.0, out=depth)
            deepest = np.maximum(deepest, depth)
        # Somebody starts the engine before the bank is flat; the day is short all the same.
        short += weight[:, day] * (deepest > floor)
        np.minimum(depth, 1.2 * floor, out=depth)
    return Carried(amps * volts, short / weight.sum(axis=1), float(np.median(mean_a * volts)))


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
