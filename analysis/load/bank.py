r"""The bank over the boat's own days: which output of a charger keeps it above its usable share.

The days of the log are lived again in steps of six hours, with many outputs at once and with many
believable loads, capacities and charge efficiencies. The charger starts when the bank has sunk to
the depth at which it starts on this boat, and runs until the bank is full. A day is short on which
the bank falls below its usable share. The limit is the least output with which no more than one day
in twenty of the season is short.

    depth of discharge   0 |\\      /|\\                      full
                           |  \\  /  |  \\        /
       start of the charger|--------|----\\----/---------
       usable share        |~~~~~~~~~~~~~~~\\/~~~~~~~~~~    below it: short
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Part of its capacity to which a bank may be used: lead-acid to one half for its life, LFP 0.8 to
#: 0.9 (common practice, no source).
USABLE = {"flooded": (0.45, 0.55), "agm": (0.45, 0.55), "gel": (0.45, 0.55), "lfp": (0.78, 0.90)}
#: What a bank holds over its label: new, and at its end of life of 80 % (common practice, no
#: source).
HOLDS = (0.78, 1.02)
#: A charger that itself starts only below the usable share makes its own start the measure: so much
#: deeper, as a part of capacity, is short (judgement).
BELOW_START = 0.10
#: Depth at which a charger starts where the log does not tell it, and where it has filled the bank.
USUAL_START, FULL_DEPTH = 0.35, 0.02
#: Days short that a season may have.
SHORT = 0.05
#: Share of charge kept: low down, and lost above the knee (charge_kept: Stevens & Corey 1996).
LOW_KEPT, KNEE_DEPTH, TOP_KEPT = 0.97, 0.16, 0.5
LFP_KEPT = 0.99
#: Usual charging voltage of a 12 V block, V (sizing step 3 of common practice), and what it may
#: be wrong by, relative.
CHARGING_V, VOLTAGE_SD = 13.2, 0.015
#: An engine or a shore charger gives the bank this part of its capacity an hour (common practice,
#: no source: 0.1 to 0.2).
HELP_C = 0.12
#: Days that share their fate: a passage, a spell of weather (judgement).
BLOCK_D = 10
#: Steps of the day: six hours tell night from day.
PARTS = 4
STEP_H = 24.0 / PARTS
#: Outputs tried, as parts of what the mean day needs; and how many loads are drawn.
LEVELS, DRAWS = np.exp(np.linspace(np.log(0.6), np.log(2.2), 20)), 32
_SEED = 20261130


@dataclass(frozen=True, slots=True)
class Days:
    """What the bank lives through. Rows are draws, columns days."""

    load_ah: Floats
    """Loads, shape (draws, days)."""
    gap: NDArray[np.bool_]
    """Days before which the log has a gap: the bank begins anew, shape (days,)."""
    help_h: Floats
    """Hours for which something else charged, shape (days,)."""
    pattern: Floats
    """Part of a day's load in each step, sums to 1, shape (PARTS,)."""
    relative_sd: float
    """What all loads may be wrong by alike, standard deviation of the logarithm."""


@dataclass(frozen=True, slots=True)
class Bank:
    """The bank as it is told, and how the charger uses it."""

    capacity_ah: float
    """Label of the bank, or a usual one."""
    capacity_sd: float
    """Spread of the logarithm of that figure: 0 where it is configured."""
    chemistry: str
    blocks: int
    start_ah: float | None
    """Charge drawn when the charger starts, Ah; None where the log does not tell it."""


@dataclass(frozen=True, slots=True)
class Carried:
    """What outputs carry: share of days short by output and draw."""

    power_w: Floats
    """Outputs, shape (levels, draws)."""
    short: Floats
    """Share of days short, shape (levels, draws)."""
    mean_w: float
    """What the mean day needs round the clock, W."""

    def limit_w(self, growth: float = 1.0) -> Floats:
        """Return the least output of each draw that is short no more than allowed, W."""
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
    """Let the bank live through the days with every output and every draw."""
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
    # Other years have other days: the days of the log count by chance, ten by ten (Rubin 1981).
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
            # It starts within the step in which the bank sinks to the mark.
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
        # Nobody lets a bank go flat: the engine is started, and the day is short all the same.
        short += weight[:, day] * (deepest > floor)
        np.minimum(depth, 1.2 * floor, out=depth)
    return Carried(amps * volts, short / weight.sum(axis=1), float(np.median(mean_a * volts)))


def _least(power_w: Floats, short: Floats) -> float:
    """Return the least output from which on no larger one is short too often, W."""
    bad = np.flatnonzero(short > SHORT)
    if len(bad) == 0:
        return float(power_w[0])
    at = int(bad[-1])
    if at + 1 == len(power_w):
        return float(power_w[-1])
    part = (short[at] - SHORT) / max(short[at] - short[at + 1], 1e-9)
    return float(power_w[at] * (power_w[at + 1] / power_w[at]) ** part)
