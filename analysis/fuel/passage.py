"""Fuel for a passage of some days under way and some at anchor.

The load of each kind of day comes from days of that kind alone. Engine and shore power are assumed
to be off; a boat that motors needs less. The energy of a day follows from its load. What goes to
the load while the charger runs has no loss; what goes through the battery loses a part (the balance
of :mod:`analysis.load.daily`, solved for the charge). The charge of a day is limited to 24 h of the
charger's current.
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

#: With fewer days of a kind than this in the last year, the output says that they are few
#: (judgement, no source).
FEW_DAYS = 10.0
#: Relative standard deviation of a passage about those of the past: other waters and weather, more
#: or fewer people aboard (judgement, no source).
PASSAGE_SD = 0.06
#: Relative standard deviation of a load from days that were taken for another kind: the first where
#: every day's kind is certain, the second times the mean doubt about them beside it. Errors of 33
#: simulated boats (METHOD.md, section Passages) were 6 % where the doubt was below 0.15, 9 % up to
#: 0.3, 17 % beyond.
KIND_SD, DOUBT_SD = 0.05, 0.4
#: Standard deviation of the change of the battery's charge over the passage, part of its capacity
#: (judgement, no source).
BATTERY_SD = 0.10
#: Relative standard deviation of a load that the user names, W (judgement).
WATTS_SD = 0.05
#: Relative scatter of single days about such a load (judgement; logs show about as much).
_WATTS_SCATTER = 0.15
#: The last running hours that give the charger's present voltage and current, h: a few weeks of use
#: (judgement, no source).
_RECENT_H = 200.0
#: The charger runs round the clock if the median energy is at least this part of its most (our
#: choice).
_FLAT_OUT = 0.98
#: Seed of the random generator, so that the same log gives the same fuel.
_SEED = 20240612


@dataclass(frozen=True, slots=True)
class Trip:
    """The passage asked for. ``watts``, if given, replaces the loads from the log."""

    under_way_d: int
    at_anchor_d: int = 0
    watts: float | None = None

    @property
    def days(self) -> int:
        """Return the total number of days."""
        return self.under_way_d + self.at_anchor_d

    def longer(self, days: int) -> Trip:
        """Return the trip with more days under way."""
        return Trip(self.under_way_d + days, self.at_anchor_d, self.watts)


@dataclass(frozen=True, slots=True)
class ChargerNow:
    """Voltage and current that the charger gives now, and the battery behind it."""

    volts: float
    """Mean voltage while it charges."""
    amps: float
    """Mean current over its latest running."""
    efficiency: float
    """Charge efficiency of the battery: charge out over charge in."""
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
    """Return the energy that the charger delivers on days with a mean load, kWh.

    It solves ``load = efficiency x charge / (rest + efficiency x running)`` for the charge, where
    ``running`` is the charge over the charger's current. The charge is at most 24 h of its current.
    """
    eta = charger.efficiency
    asked_ah = 24.0 * load_a / eta / (1.0 + load_a / charger.amps * (1.0 / eta - 1.0))
    return np.minimum(asked_ah, 24.0 * charger.amps) * charger.volts / 1000.0


@dataclass(frozen=True, slots=True)
class Need:
    """Fuel that a trip needs."""

    trip: Trip
    litres: Span
    kwh: float
    """Median of its energy, kWh."""
    load_ah: Span
    """Mean load of a day under way, Ah."""
    volts: float
    """Voltage of that load: it turns Ah into Wh."""
    days_seen: float | None
    """Days under way in the last year that gave the load; None where the user named the load."""
    flat_out: bool
    """Whether the charger runs round the clock and still gives less than the boat draws."""

    @property
    def few(self) -> bool:
        """Whether the load comes from few days."""
        return self.days_seen is not None and self.days_seen < FEW_DAYS

    @property
    def load_wh(self) -> Span:
        """Return the mean load of a day under way, Wh."""
        load, volts = self.load_ah, self.volts
        return Span(
            *(None if ah is None else volts * ah for ah in (load.low, load.median, load.high))
        )


def need(
    trip: Trip, kinds: Kinds | None, charger: ChargerNow, per_kwh: Floats, battery_v: float
) -> Need | None:
    """Return the fuel for a trip; None where neither the log nor the user gives the load.

    Parameters
    ----------
    trip
        Days under way and at anchor, and the load where the user names it, W.
    kinds
        Load of each kind of day from the log.
    charger
        The charger as it is now.
    per_kwh
        Draws of litres per kWh, shape (n,).
    battery_v
        Voltage of the load: it turns watts into amperes.
    """
    rng = np.random.default_rng(_SEED)
    count = len(per_kwh)
    if trip.watts is not None:
        level = np.full((count, 3), trip.watts / battery_v)
        level *= np.exp(WATTS_SD * rng.standard_normal((count, 1)))
        scatter = np.full(count, _WATTS_SCATTER)
    elif kinds is not None:
        pick = rng.integers(0, len(kinds.level_a), count)
        level, scatter = kinds.level_a[pick], kinds.scatter[pick]
        kind_sd = np.hypot(KIND_SD, DOUBT_SD * kinds.doubt)
        level = level * np.exp(kind_sd * rng.standard_normal((count, 1)))
    else:
        return None
    regime = np.exp(PASSAGE_SD * rng.standard_normal(count))
    kwh = np.zeros(count)
    for kind, days in ((UNDER_WAY, trip.under_way_d), (ANCHOR, trip.at_anchor_d)):
        mean = level[:, kind] * regime
        # The mean of many days scatters less than a single day.
        mean = mean * np.exp(scatter / math.sqrt(max(days, 1)) * rng.standard_normal(count))
        kwh += days * supply_kwh(mean, charger)
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
        battery_v,
        days_seen,
        flat_out=bool(np.median(kwh) >= _FLAT_OUT * carried),
    )


@dataclass(frozen=True, slots=True)
class Stock:
    """The fuel aboard and how it is used."""

    per_kwh: Floats
    """Draws of litres per kWh."""
    left_l: float | None
    """Least fuel left in the container in use (19 times in 20 there is more), L."""
    container_l: float
    out_s: float | None
    """Day until which the fuel lasts on usual days 19 times in 20, Unix time."""


@dataclass(frozen=True, slots=True)
class Provision:
    """Fuel to have aboard and to buy for a trip and its reserve, enough 19 times in 20."""

    need: Need
    reserve_d: int
    """Length of the reserve: days under way beyond the trip."""
    aboard_l: float
    """Fuel to have aboard at departure, for trip and reserve, L."""
    stock_l: float | None
    """Least fuel aboard (19 times in 20 there is more), in the container in use and in sealed ones,
    L; None where neither is known."""
    container_l: float
    depart_s: float | None
    """Day of departure, Unix time."""
    delivery_d: int
    out_s: float | None
    """Day until which the stock lasts on usual days 19 times in 20, Unix time."""
    caution: str | None = None
    """Why the figures are not to be relied on; a sentence."""

    @property
    def litres(self) -> Span:
        """Return the fuel that the trip needs, L."""
        return self.need.litres

    @property
    def reserve_l(self) -> float:
        """Return the fuel to have aboard beyond the median need of the trip, L."""
        return self.aboard_l - (self.litres.median or 0.0)

    @property
    def containers(self) -> int:
        """Return the number of containers that is enough for the trip 19 times in 20."""
        return math.ceil((self.litres.high or 0.0) / self.container_l - 1e-9)

    @property
    def containers_aboard(self) -> int:
        """Return the number of containers to have aboard at departure, with the reserve."""
        return math.ceil(self.aboard_l / self.container_l - 1e-9)

    @property
    def buy(self) -> int:
        """Return the number of containers to buy; where the stock is not known, all of them."""
        short = self.aboard_l - (self.stock_l or 0.0)
        return max(math.ceil(short / self.container_l - 1e-9), 0)

    @property
    def order_by_s(self) -> float | None:
        """Return the last day to order, counted back by the time of delivery.

        It counts from the departure, or from the end of the stock where no departure is named.
        """
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
            "wh_per_day_under_way": _rounded(need.load_wh),
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
    """Return the fuel to have aboard and to buy; None where the trip's load is not known.

    Parameters
    ----------
    stock
        The fuel aboard and how it is used.
    trip, kinds, charger, battery_v
        As in :func:`need`.
    reserve_d
        Days under way beyond the trip that the fuel must last.
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
        # Of a container in use that is not known nothing counts; sealed ones were counted.
        (left or 0.0) + spare_l if left is not None or spare_l > 0.0 else None,
        stock.container_l,
        depart_s,
        delivery_d,
        stock.out_s,
    )
