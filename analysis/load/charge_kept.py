"""Estimates the share of the charge that a lead-acid bank gives back, and how certain that is.

It depends on the state of charge: nearly all of it low down, little near full (Stevens & Corey
1996, Sandia). A bank that cycles deeply keeps most of its charge. One that is kept nearly full, or
is held at the charge ceiling for hours, turns much of it into gas and heat. The curve of a given
bank is not known, so many plausible curves are drawn. Each gives a load, and their spread is the
uncertainty that the balance of charge leaves.

    share kept
    1.0 |------------------.
        |  low_share        '.
        |                     '.  full_share at full
        +------------------+---+--
        empty            knee  full
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from analysis.load.battery_limited import FLOAT_BELOW_V
from analysis.load.sources.other_sources import STEP_S
from analysis.load.usual_bank import CAPACITY_SD, EMPTY_V, HOLDS, SEALED_V, SWING_V, USUAL_DAYS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.sources.other_sources import Grid
    from analysis.load.stretches import Spans

    Floats = NDArray[np.float64]

#: Share kept low down: "above 95 %" (Stevens & Corey 1996, background section), up to all of it.
LOW_SHARE = (0.955, 1.0)
#: State of charge from which it falls: their means are 91 % from empty to 84 % and 55 % between 79
#: and 84 % (from memory); newer sealed banks fall off later (common practice, no source), those
#: charged with small currents later still (Copetti, Lorenzo and Chenlo 1993, from memory).
KNEE = (0.77, 0.96)
#: Share kept at full: below 50 % above 90 % (Stevens & Corey, from memory); sealed banks at small
#: currents keep more (common practice, no source).
FULL_SHARE = (0.02, 0.90)
#: State of charge at which the voltage reaches the charge ceiling at the small currents of these
#: chargers (common practice, no source).
CEILING_AT = (0.94, 0.995)
#: A larger charger reaches it earlier: ``EARLIER`` times the hourly charge beyond ``SMALL_RATE``,
#: both as parts of the capacity (common practice, no source: 0.1 C at 0.8).
EARLIER, SMALL_RATE = 1.8, 0.015
#: Float current of a full bank, A per Ah: 0.001 sealed, 0.005 free acid (EN/IEC 62485-2 takes
#: these for its gas); most banks take less (common practice, no source).
FLOAT_A_PER_AH = {"flooded": 0.0015, "agm": 0.0006, "gel": 0.0006}
#: Standard error of the depth of discharge by the voltage at a start (judgement).
DEPTH_SD = 0.12
#: Standard deviation of the load from minute to minute over its mean: a cold box and pumps switch
#: on and off (common practice, no source).
LOAD_SWING = (0.2, 1.0)
#: Where more than this part of the charge is given at the ceiling, float aside, what a worn bank
#: takes there decides the figure: so much of the logarithm of the load for the part beyond it
#: (judgement).
TOP_PART, TOP_SD = 0.4, 0.9
#: Voltage drop from the loads at a start, V (judgement).
LOADED_V = 0.04
#: Number of curves drawn, rounds of the fixed point for the load (each takes half a step), and the
#: seed, so that the same log gives the same figure.
DRAWS, _ROUNDS, _SEED = 400, 15, 20261129


@dataclass(frozen=True, slots=True)
class Kept:
    """Shares of charge kept, and the uncertainty from them."""

    by_cell: Floats
    """Share of the charge kept in each cell of the grid, shape (m,)."""
    lost_ah: Floats
    """Charge that a full bank takes in each cell of float, Ah."""
    overall: float
    """Share kept of the charge given below the ceiling."""
    low: float
    """90 % interval of that share."""
    high: float
    load_sd: float
    """Standard deviation of the logarithm of the load from this uncertainty."""


def told(grid: Grid, spans: Spans, share: float) -> Kept:
    """Return a configured share, with a standard deviation of 0.01."""
    edge = np.zeros(len(grid.volts) + 1)
    np.add.at(edge, spans.first, 1.0)
    np.add.at(edge, spans.last, -1.0)
    on = float(np.mean(grid.running[np.cumsum(edge[:-1]) > 0]))
    # d ln L / d ln eta = T_off / (T_off + eta T_on).
    lever = (1.0 - on) / (1.0 - on + share * on)
    return Kept(
        np.full(len(grid.volts), share),
        np.zeros(len(grid.volts)),
        share,
        share - 0.01,
        share + 0.01,
        0.01 / share * lever,
    )


def find_kept(
    grid: Grid, charge_ah: Floats, spans: Spans, capacity_ah: float | None, chemistry: str
) -> Kept:
    """Find the shares kept between the marks.

    Parameters
    ----------
    grid, charge_ah
        The log, and what the charger delivered in each cell, Ah, shape (m,).
    spans
        Stretches between marks.
    capacity_ah
        Label of the bank; None where it is not told.
    chemistry
        ``flooded``, ``agm`` or ``gel``.
    """
    top = grid.limited
    books = Books.of(grid, charge_ah, spans)
    rng = np.random.default_rng(_SEED)
    curve = Curve.drawn(rng)
    capacity = draw_capacity(capacity_ah, books, rng)
    rate = books.bulk_ah / max(books.bulk_h, 1e-9) / capacity
    curve = curve.reached_earlier(EARLIER * np.clip(rate - SMALL_RATE, 0.0, 0.1))
    floats = FLOAT_A_PER_AH.get(chemistry, 0.001) * np.exp(0.7 * rng.standard_normal(DRAWS))
    typical_ah = float(capacity.mean())
    books = books.less_float(floats * capacity)
    swing = rng.uniform(*LOAD_SWING, DRAWS)
    load = np.full(DRAWS, 0.85 * books.charge_ah / books.hours)
    low = high = depth = np.zeros(DRAWS)
    for _ in range(_ROUNDS):
        depth = np.clip(load * books.full_off_h / books.fulls / capacity, 0.01, 0.95)
        low, high = books.shares(curve, depth, load, capacity)
        low = less_to_and_fro(low, load, books.bulk_ah / max(books.bulk_h, 1e-9), swing)
        supplied = low * books.bulk_ah + high * books.top_ah
        load = 0.5 * load + 0.5 * supplied / (books.off_h + low * books.bulk_h + high * books.top_h)
    weight = np.ones(DRAWS)
    seen = depth_by_voltage(grid, spans, chemistry)
    if seen is not None:
        weight = np.exp(-0.5 * ((depth - seen) / DEPTH_SD) ** 2) + 1e-3
    weight /= weight.sum()
    log = np.log(np.maximum(load, 1e-6))
    mean = float(weight @ log)
    by_cell = np.where(top, float(weight @ high), float(weight @ low))
    # In float nothing goes into the bank but its own loss: all of the current is the load's.
    by_cell = np.where(grid.in_float, 1.0, by_cell)
    order = np.argsort(low)
    cumulated = np.cumsum(weight[order])
    ends = [float(low[order][np.searchsorted(cumulated, p)]) for p in (0.05, 0.95)]
    sd = float(np.hypot(np.sqrt(weight @ (log - mean) ** 2), TOP_SD * books.much_at_the_ceiling))
    lost = np.where(grid.in_float, float(weight @ floats) * typical_ah * STEP_S / 3600.0, 0.0)
    return Kept(by_cell, lost, float(weight @ low), ends[0], ends[1], sd)


@dataclass(frozen=True, slots=True)
class Curve:
    """Drawn curves: arrays over the draws."""

    low: Floats
    knee: Floats
    full: Floats
    ceiling_at: Floats

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Curve:
        """Draw them."""
        return cls(
            *(rng.uniform(a, b, DRAWS) for a, b in (LOW_SHARE, KNEE, FULL_SHARE, CEILING_AT))
        )

    def reached_earlier(self, by: Floats) -> Curve:
        """Return the curves with the charge ceiling at a lower state of charge."""
        return replace(self, ceiling_at=self.ceiling_at - by)

    def mean(self, begin: Floats, end: Floats) -> Floats:
        """Return the mean share kept over a rise of the state of charge.

        The charge needed for a rise is the integral of one over the share.
        """
        at = begin + (end - begin) * np.linspace(0.05, 0.95, 10)[:, None]
        over = np.clip((at - self.knee) / (1.0 - self.knee), 0.0, 1.0)
        share = self.low - (self.low - self.full) * over
        return np.asarray(1.0 / (1.0 / share).mean(axis=0), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Books:
    """Hours and charge between marks, by what set the current; scalars or arrays over draws."""

    off_h: float
    bulk_h: float
    top_h: float
    float_h: float
    bulk_ah: float
    top_ah: Floats
    full_off_h: float
    """Rest between a full battery and the next start."""
    full_share: float
    """Part of the bulk charge that goes into stretches which end full."""
    full_top_ah: Floats
    full_top_h: float
    fulls: float

    @classmethod
    def of(cls, grid: Grid, charge_ah: Floats, spans: Spans) -> Books:
        """Add up."""
        step = STEP_S / 3600.0
        top = grid.limited

        # As many stretches down from a full battery as up to it: each kind is weighed.
        up, down = (spans.swing > 0.0), (spans.swing < 0.0)
        fulls = max(0.5 * float(up.sum() + down.sum()), 1.0)
        even = np.ones(len(spans))
        for kind in (up, down):
            if up.any() and down.any():
                even[kind] = fulls / kind.sum()

        def inside(chosen: NDArray[np.bool_]) -> Floats:
            edge = np.zeros(len(grid.volts) + 1)
            np.add.at(edge, spans.first[chosen], even[chosen])
            np.add.at(edge, spans.last[chosen], -even[chosen])
            return np.cumsum(edge[:-1])

        every = inside(np.ones(len(spans), dtype=bool))
        full = inside(up | down)
        bulk = grid.running & ~top
        bulk_ah = float(every @ (charge_ah * bulk))
        return cls(
            off_h=step * float(every @ ~grid.running),
            bulk_h=step * float(every @ bulk),
            top_h=step * float(every @ top),
            float_h=step * float(every @ (top & (grid.volts < FLOAT_BELOW_V))),
            bulk_ah=bulk_ah,
            top_ah=np.full(DRAWS, float(every @ (charge_ah * top))),
            full_off_h=step * float(full @ ~grid.running),
            full_share=float(full @ (charge_ah * bulk)) / max(bulk_ah, 1e-9),
            full_top_ah=np.full(DRAWS, float(full @ (charge_ah * top))),
            full_top_h=step * float(full @ top),
            fulls=fulls,
        )

    @property
    def charge_ah(self) -> Floats:
        """Return all that was delivered."""
        return self.bulk_ah + self.top_ah

    @property
    def much_at_the_ceiling(self) -> float:
        """Return the part of the charge that is given at the ceiling, beyond :data:`TOP_PART`."""
        at_top = float(np.mean(self.top_ah)) * (1.0 - self.float_h / max(self.top_h, 1e-9))
        return max(at_top / max(self.bulk_ah + at_top, 1e-9) - TOP_PART, 0.0)

    @property
    def on_h(self) -> float:
        """Return all hours of running."""
        return self.bulk_h + self.top_h

    @property
    def hours(self) -> float:
        """Return all hours."""
        return max(self.off_h + self.on_h, 1e-9)

    def less_float(self, amps: Floats) -> Books:
        """Return the books without what a full bank takes in float."""
        lost = np.minimum(amps * self.float_h, 0.5 * self.top_ah)
        part = self.full_top_h / max(self.top_h, 1e-9)
        return replace(
            self,
            top_ah=self.top_ah - lost,
            full_top_ah=np.maximum(self.full_top_ah - lost * part, 0.0),
        )

    def shares(
        self, curve: Curve, depth: Floats, load_a: Floats, capacity: Floats
    ) -> tuple[Floats, Floats]:
        """Return the shares kept of what is delivered below the ceiling, and at it."""
        begin = 1.0 - depth
        middle = np.maximum(curve.ceiling_at, 1.0 - 0.5 * depth)
        into_full = curve.mean(begin, middle)
        # A stretch that does not end full takes its charge in the lower half.
        partly = curve.mean(np.full(DRAWS, 0.5), np.full(DRAWS, 0.85))
        low = self.full_share * into_full + (1.0 - self.full_share) * partly
        high = curve.mean(middle, np.ones(DRAWS))
        # There is only so much room above; what comes after it is lost.
        room = (1.0 - middle) * capacity
        each = np.maximum(self.full_top_ah - load_a * self.full_top_h, 0.0) / self.fulls
        filled = np.maximum(high * each / room, 1e-6)
        return low, high * -np.expm1(-filled) / filled


def less_to_and_fro(share: Floats, load_a: Floats, charger_a: float, swing: Floats) -> Floats:
    """Return the share kept where the load fluctuates about the charger's current.

    While it is above, the battery gives what it will have to be given again: more passes through it
    than the means tell. For a normal swing the part above zero has a known mean.
    """
    charger_a = max(charger_a, 1e-3)
    net = np.maximum(charger_a - load_a, 0.02 * charger_a)
    spread = np.maximum(swing * load_a, 1e-6)
    ratio = net / spread
    into = net * special.ndtr(ratio) + spread * np.exp(-0.5 * ratio**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(np.maximum(1.0 - (1.0 - share) * into / net, 0.05), dtype=np.float64)


def draw_capacity(label_ah: float | None, books: Books, rng: np.random.Generator) -> Floats:
    """Draw the capacity of the bank, Ah: about its label, else about some mean days of the load."""
    if label_ah is not None:
        return label_ah * rng.uniform(*HOLDS, DRAWS)
    mean_a = 0.85 * float(np.mean(books.charge_ah)) / books.hours
    return 24.0 * USUAL_DAYS * mean_a * np.exp(CAPACITY_SD * rng.standard_normal(DRAWS))


def depth_by_voltage(grid: Grid, spans: Spans, chemistry: str) -> float | None:
    """Return the depth of discharge at the starts, by their voltage; None without any."""
    starts = np.concatenate((spans.last[spans.swing < 0.0], spans.first[spans.swing > 0.0]))
    if len(starts) == 0:
        return None
    volts = grid.volts[np.clip(starts - 1, 0, None)]
    volts = volts[np.isfinite(volts)]
    if len(volts) == 0:
        return None
    empty = EMPTY_V + (0.0 if chemistry == "flooded" else SEALED_V)
    return float(np.clip(1.0 - (np.median(volts) + LOADED_V - empty) / SWING_V, 0.02, 0.9))
