"""Fuel for a passage: so many days under way, so many at anchor, never mixed with other days.

A passage is taken to be without engine and shore power: whoever motors uses less. The energy of a
day follows from its load: what goes straight to the load while the charger runs does not pay for
the battery; the rest does (the balance of :mod:`analysis.load.daily`, solved for the charge). A
charger that runs round the clock gives what it can, and no more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.figures import iso
from analysis.load.kinds import ANCHOR, UNDER_WAY
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs
    from analysis.load.kinds import Kinds

    Floats = NDArray[np.float64]

#: Fewer days of a kind than this in the last year, and it is said that they are few.
FEW_DAYS = 10.0
#: A passage differs from those of the past: other waters and weather, more or fewer aboard;
#: relative standard deviation (judgement, no source).
PASSAGE_SD = 0.06
#: What days taken for another kind may move a level by, relative standard deviation (on the
#: demonstration's log it came out 8 % low; judgement).
KIND_SD = 0.08
#: The battery is fuller or emptier at the end than at the beginning, part of its capacity.
BATTERY_SD = 0.10
#: What the reader says that the boat draws may be wrong by, relative (judgement).
WATTS_SD = 0.05
#: Energy and charge of so many last running hours tell voltage and output of the charger.
_RECENT_H = 200.0
_SEED = 20240612


@dataclass(frozen=True, slots=True)
class Trip:
    """What is asked for. ``watts`` takes the place of what the log says of the kinds of day."""

    under_way_d: int
    at_anchor_d: int = 0
    watts: float | None = None

    @property
    def days(self) -> int:
        """Return the days in all."""
        return self.under_way_d + self.at_anchor_d

    def longer(self, days: int) -> Trip:
        """Return the trip with more days under way."""
        return Trip(self.under_way_d + days, self.at_anchor_d, self.watts)


@dataclass(frozen=True, slots=True)
class ChargerNow:
    """What the charger gives today."""

    volts: float
    """Mean voltage at which it gives its charge."""
    amps: float
    """Mean current over its latest running."""
    efficiency: float
    """Share of the charge put into the battery that comes out again."""
    capacity_ah: float


def charger_now(runs: Runs, efficiency: float, capacity_ah: float) -> ChargerNow | None:
    """Read the charger's voltage and current from its latest running; None without any."""
    log = runs.log
    ran = np.flatnonzero(runs.running & (np.nan_to_num(log.charge_c) > 0.0))
    if len(ran) == 0:
        return None
    back_s = np.cumsum(log.duration_s[ran][::-1])[::-1]
    ran = ran[back_s <= max(_RECENT_H * 3600.0, float(back_s[-1]))]
    charge_c, energy_j = float(log.charge_c[ran].sum()), float(log.energy_j[ran].sum())
    seconds = float(log.duration_s[ran].sum())
    return ChargerNow(energy_j / charge_c, charge_c / seconds, efficiency, capacity_ah)


def supply_kwh(load_a: Floats, charger: ChargerNow) -> Floats:
    """Return what the charger delivers on days of a mean load, kWh.

    ``load = efficiency x charge / (rest + efficiency x running)`` with ``running`` the charge over
    the charger's current, solved for the charge; at most 24 h of its current.
    """
    eta = charger.efficiency
    asked_ah = 24.0 * load_a / eta / (1.0 + load_a / charger.amps * (1.0 / eta - 1.0))
    return np.minimum(asked_ah, 24.0 * charger.amps) * charger.volts / 1000.0


@dataclass(frozen=True, slots=True)
class Need:
    """Fuel that a trip takes."""

    trip: Trip
    litres: Span
    kwh: float
    """Energy for the middle of it, kWh."""
    load_ah: Span
    """Mean load of a day under way, Ah."""
    days_seen: float | None
    """Days under way in the last year that it rests on; None where the load was asked for."""
    flat_out: bool
    """Whether the charger runs round the clock and still gives less than the boat draws."""

    @property
    def few(self) -> bool:
        """Whether the days it rests on are few."""
        return self.days_seen is not None and self.days_seen < FEW_DAYS


def need(
    trip: Trip, kinds: Kinds | None, charger: ChargerNow, per_kwh: Floats, battery_v: float
) -> Need | None:
    """Return the fuel for a trip; None where neither the log nor the reader tells the load.

    Parameters
    ----------
    trip
        Days under way and at anchor, or what the boat draws, W.
    kinds
        What the log says of the kinds of day.
    charger
        What it gives today.
    per_kwh
        Draws of litres per kWh, shape (n,).
    battery_v
        Voltage at which the load is drawn: turns watts into amperes.
    """
    rng = np.random.default_rng(_SEED)
    count = len(per_kwh)
    if trip.watts is not None:
        level = np.full((count, 3), trip.watts / battery_v)
        level *= np.exp(WATTS_SD * rng.standard_normal((count, 1)))
        scatter = np.full(count, 0.15)
    elif kinds is not None:
        pick = rng.integers(0, len(kinds.level_a), count)
        level, scatter = kinds.level_a[pick], kinds.scatter[pick]
        level = level * np.exp(KIND_SD * rng.standard_normal((count, 1)))
    else:
        return None
    regime = np.exp(PASSAGE_SD * rng.standard_normal(count))
    kwh, asked = np.zeros(count), np.zeros(count)
    for kind, days in ((UNDER_WAY, trip.under_way_d), (ANCHOR, trip.at_anchor_d)):
        mean = level[:, kind] * regime
        # Of days that scatter one by one, the mean of many scatters little.
        mean = mean * np.exp(scatter / math.sqrt(max(days, 1)) * rng.standard_normal(count))
        kwh += days * supply_kwh(mean, charger)
        asked += days * mean
    stored = BATTERY_SD * charger.capacity_ah * charger.volts / 1000.0
    kwh = np.maximum(kwh + stored * rng.standard_normal(count), 0.0)
    litres = kwh * per_kwh
    low, middle, high = np.percentile(24.0 * level[:, UNDER_WAY], [5.0, 50.0, 95.0])
    days_seen = None
    if trip.watts is None and kinds is not None:
        days_seen = float(kinds.days[UNDER_WAY])
    carried = 24.0 * charger.amps * charger.volts / 1000.0 * trip.days
    return Need(
        trip,
        Span(*(float(v) for v in np.percentile(litres, [5.0, 50.0, 95.0]))),
        float(np.median(kwh)),
        Span(float(low), float(middle), float(high)),
        days_seen,
        flat_out=bool(np.median(kwh) >= 0.98 * carried),
    )


@dataclass(frozen=True, slots=True)
class Stock:
    """What is known of the fuel."""

    per_kwh: Floats
    """Draws of litres per kWh."""
    left_l: float | None
    """Surely left in the container in use (19 times in 20), L."""
    container_l: float
    out_s: float | None
    """Day until which the fuel lasts on usual days 19 times in 20, Unix time."""


@dataclass(frozen=True, slots=True)
class Provision:
    """What to have aboard and to buy for a trip: it lasts 19 times in 20, the reserve too."""

    need: Need
    reserve_d: int
    """Days under way beyond the trip that the reserve is for."""
    aboard_l: float
    """To have aboard at departure: trip and reserve, L."""
    stock_l: float | None
    """Surely aboard (19 times in 20): the container in use and what is sealed, L; None where
    nobody knows what is left in the container in use."""
    container_l: float
    depart_s: float | None
    """Day of departure, Unix time."""
    delivery_d: int
    out_s: float | None
    """Day until which the stock lasts on usual days 19 times in 20, Unix time."""

    @property
    def litres(self) -> Span:
        """Return the fuel that the trip takes, L."""
        return self.need.litres

    @property
    def reserve_l(self) -> float:
        """Return what is to be aboard beyond the middle of what the trip takes, L."""
        return self.aboard_l - (self.litres.median or 0.0)

    @property
    def containers(self) -> int:
        """Return the whole containers that suffice for the trip 19 times in 20."""
        return math.ceil((self.litres.high or 0.0) / self.container_l - 1e-9)

    @property
    def containers_aboard(self) -> int:
        """Return the whole containers to have aboard at departure, the reserve included."""
        return math.ceil(self.aboard_l / self.container_l - 1e-9)

    @property
    def buy(self) -> int:
        """Return the whole containers to buy; without a known stock, all of them."""
        short = self.aboard_l - (self.stock_l or 0.0)
        return max(math.ceil(short / self.container_l - 1e-9), 0)

    @property
    def order_by_s(self) -> float | None:
        """Return the last day to order: so long before departure, or before the stock is used."""
        by = self.depart_s if self.depart_s is not None else self.out_s
        return None if by is None or self.buy == 0 else by - self.delivery_d * DAY_S

    def document(self) -> dict[str, object]:
        """Return the figures under their published keys."""
        need, trip = self.need, self.need.trip
        return {
            "days": trip.days,
            "days_under_way": trip.under_way_d,
            "days_at_anchor": trip.at_anchor_d,
            "watts": trip.watts,
            "litres": _rounded(need.litres),
            "kwh": round(need.kwh, 3),
            "ah_per_day_under_way": _rounded(need.load_ah),
            "days_under_way_seen": None if need.days_seen is None else round(need.days_seen, 1),
            "few_days_seen": need.few,
            "charger_flat_out": need.flat_out,
            "containers": self.containers,
            "reserve_days": self.reserve_d,
            "reserve_litres": round(self.reserve_l, 2),
            "aboard_litres": round(self.aboard_l, 2),
            "aboard_containers": self.containers_aboard,
            "stock_litres": None if self.stock_l is None else round(self.stock_l, 2),
            "buy_containers": self.buy,
            "delivery_days": self.delivery_d,
            "depart": iso(self.depart_s),
            "order_by": iso(self.order_by_s),
        }


def _rounded(span: Span) -> dict[str, float | None]:
    ends = {"low": span.low, "median": span.median, "high": span.high}
    return {name: None if v is None else round(v, 2) for name, v in ends.items()}


def provision(
    stock: Stock,
    trip: Trip,
    kinds: Kinds | None,
    charger: ChargerNow,
    battery_v: float,
    *,
    reserve_d: int,
    spare_l: float,
    depart_s: float | None,
    delivery_d: int,
) -> Provision | None:
    """Return what to have aboard and to buy; None where the load of the trip is not known.

    Parameters
    ----------
    stock
        What is known of the fuel.
    trip, kinds, charger, battery_v
        As in :func:`need`.
    reserve_d
        Days under way beyond the trip that the fuel is to last for.
    spare_l
        Fuel aboard in sealed containers, L.
    depart_s
        Unix time of departure, if it is named.
    delivery_d
        Days from order to delivery.
    """
    taken = need(trip, kinds, charger, stock.per_kwh, battery_v)
    longer = need(trip.longer(reserve_d), kinds, charger, stock.per_kwh, battery_v)
    if taken is None or longer is None:
        return None
    left = stock.left_l
    return Provision(
        taken,
        reserve_d,
        longer.litres.high or 0.0,
        None if left is None else left + spare_l,
        stock.container_l,
        depart_s,
        delivery_d,
        stock.out_s,
    )
