"""Which size of charger carries this boat, new and at the end of its life.

The steps follow the order of IEEE 1013 (load, autonomy, capacity with its adjustments), a practice
written for solar systems. The factors are common practice, no source: charge efficiency, 13.2 V
while charging, bank used to half (lead-acid) or 80 % (LFP), bank worn out at 80 % of its capacity.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.load.usual_bank import CHARGING_V
from analysis.sizing.reasons import reasons
from analysis.sizing.result import Fitted, LargerLoad, Need, Sizing, UnitOnBoat

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.sizing.candidates import Audit, Unit

    Floats = NDArray[np.float64]

#: Days that the bank must last without the charger (common practice, no source).
AUTONOMY_D = 2.0
#: Part of its capacity that a bank gives in use, by chemistry; the docstring says why.
DEPTH = {"flooded": 0.5, "agm": 0.5, "gel": 0.5, "lfp": 0.8}
#: Capacity at which a bank is worn out, part of its rating (common practice, no source).
BANK_WORN = 0.8
#: Multiples of the load for which a size is recommended: as it is, and after the usual additions
#: (judgement, no source).
GROWTHS = (1.0, 1.2, 1.5)
#: Standard deviation of the logarithm of the days of one kind, where only an audit is known
#: (common practice, no source).
AUDIT_SCATTER = 0.2
#: Days of a spell of one kind (common practice, no source).
SPELL_D = 5
#: Least output that a fitted unit is sized with, fraction of rated: it avoids a division by zero.
_LEAST_OUTPUT = 0.05
#: Seed of the audit's days, so that the same audit gives the same size.
_SEED = 20240609


def supply_wh(load_ah: Floats, efficiency: float, blocks: int) -> Floats:
    """Return the energy that the charger must deliver for loads in Ah a day, Wh (steps 2 and 3)."""
    return np.asarray(load_ah / efficiency * CHARGING_V * blocks, dtype=np.float64)


def bank_ah(load_ah: float, chemistry: str, autonomy_d: float = AUTONOMY_D) -> float:
    """Return the capacity of a bank for a load (step 4), Ah."""
    return load_ah * autonomy_d / DEPTH[chemistry] / BANK_WORN


def audit_days(audit: Audit, passage_share: float, count: int = 4000) -> Floats:
    """Return loads of days drawn from an audit, Ah, with the usual scatter."""
    rng = np.random.default_rng(_SEED)
    # Days of one kind come in spells: passages and anchorages last some days.
    spells = rng.permutation(np.arange(count // SPELL_D) < round(passage_share * count / SPELL_D))
    passage = np.repeat(spells, SPELL_D)
    level = np.where(passage, audit.passage_ah, audit.rest_ah)
    factor = np.exp(AUDIT_SCATTER * rng.standard_normal(count) - 0.5 * AUDIT_SCATTER**2)
    return np.asarray(level * factor, dtype=np.float64)


def size(
    need: Need,
    units: tuple[Unit, ...],
    *,
    end_fraction: float,
    decline_per_1000h: float | None = None,
    fuel_price: float | None = None,
    with_fuel: bool = True,
    today: Fitted | None = None,
) -> Sizing:
    """Find how each unit serves this boat, and recommend one.

    Parameters
    ----------
    need
        What the boat needs.
    units
        Candidates and the fitted one.
    end_fraction
        Output at which a unit is replaced, fraction of rated (the replacement limit).
    decline_per_1000h
        Decline of output, fraction of rated per 1000 h, as seen on the fitted unit.
    fuel_price
        Price of a litre of fuel.
    with_fuel
        False for chargers without fuel.
    today
        The fitted unit as it is; None where that is not known: then it counts as new.
    """
    # Of two of one size the fitted one comes first, because it need not be bought.
    ordered = tuple(sorted(units, key=lambda u: (u.rated_w, not u.fitted, u.label)))
    judged = tuple(
        _judge(
            need, u, end_fraction, decline_per_1000h, fuel_price,
            with_fuel=with_fuel, today=today if u.fitted else None,
        )
        for u in ordered
    )  # fmt: skip
    choice = tuple(u for u in ordered if not (u.fitted and today is not None and today.due))
    chosen = _smallest(need, choice, end_fraction, 1.0)
    fitted = next((u for u in ordered if u.fitted), None)
    grown = tuple(
        LargerLoad(
            load,
            _smallest(need, choice, end_fraction, load),
            None if fitted is None else _carried(need, fitted.rated_w * end_fraction, load),
        )
        for load in GROWTHS
    )
    return Sizing(
        need,
        judged,
        chosen,
        tuple(reasons(need.limit_w, judged, chosen, end_fraction, today)),
        grown,
        bank_ah(need.load_ah, need.chemistry),
    )


def _smallest(need: Need, units: tuple[Unit, ...], end: float, growth: float) -> str | None:
    """Return the smallest unit that still carries the boat at the replacement limit."""
    for unit in units:
        if unit.rated_w * end >= growth * need.limit_w:
            return unit.label
    return None


def _carried(need: Need, watts: float, growth: float = 1.0) -> float:
    """Return the share of days on which an output carries the boat with its bank."""
    return need.lived.days_carried(watts, growth)


def _judge(
    need: Need,
    unit: Unit,
    end: float,
    decline: float | None,
    fuel_price: float | None,
    *,
    with_fuel: bool,
    today: Fitted | None,
) -> UnitOnBoat:
    begin = 1.0 if today is None else max(today.output, _LEAST_OUTPUT)
    last = min(end, begin)
    mean_w = unit.rated_w * 0.5 * (begin + last)
    delivered = np.minimum(need.supply_wh, 24.0 * mean_w)
    hours_a_day = float(delivered.mean()) / mean_w
    hours = hours_a_day * need.days_a_year
    # Fuel per kWh goes as one over the cell voltage. This is its mean over a steady decline to the
    # limit, over that of a new unit.
    older = math.log(begin / last) / (begin - last) if last < begin else 1.0 / begin
    kwh = float(delivered.mean()) / 1000.0 * need.days_a_year
    # What the fitted unit uses is measured: no model says it better.
    seen = None if today is None else today.l_per_kwh
    per_kwh = unit.l_per_kwh * older if seen is None else seen
    litres = kwh * per_kwh if with_fuel else None
    design_h = unit.design_life_h
    if today is not None:
        design_h = math.inf if today.design_left_h is None else max(today.design_left_h, 0.0)
    design = design_h / hours if hours > 0.0 else math.inf
    declined = None
    if decline is not None and decline > 0.0 and hours > 0.0:
        declined = (begin - last) / decline * 1000.0 / hours
    if today is not None and today.remaining_h is not None and hours > 0.0:
        declined = today.remaining_h / hours
    lasts = min(design, declined if declined is not None else math.inf)
    fuel = litres * fuel_price if litres is not None and fuel_price is not None else None
    price = cost = None
    if unit.price is not None:
        price = unit.price / lasts if lasts < math.inf else 0.0
        cost = price + (fuel or 0.0)
    return UnitOnBoat(
        unit,
        _carried(need, unit.rated_w * begin),
        _carried(need, unit.rated_w * last),
        hours_a_day,
        hours,
        design,
        declined,
        litres,
        cost,
        price,
        fuel,
    )
