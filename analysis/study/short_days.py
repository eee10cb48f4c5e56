"""Finds what a boat's load really asks of her charger: her true bank, lived with many outputs.

The boat lives her own days again (loads, weather, engine and shore power alike) with her own bank
and her own rules of start and stop, but with a charger whose available output is constant and whose
fuel never ends. A day of the season is short if the bank falls below its usable share on it and the
charger ran: under a light load, as nobody is aboard, a charger starts at a deeper bank than usual,
and no output could help before. The limit is the output at which one day in twenty is short.

Nothing of the program's own search for the limit (:mod:`analysis.load.bank`) is used here: the bank
is that of the simulator, in steps of five minutes.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from logger.sources.boat.days import in_season
from logger.sources.boat.model import Sensors
from logger.sources.boat.run import Voyage

if TYPE_CHECKING:
    from logger.sources.boat.model import BoatModel

#: What a bank may give, part of its capacity: one half of a lead-acid bank, for the sake of its
#: life; LFP the middle of 0.78 to 0.9 (common practice, no source).
USABLE = {"flooded": 0.5, "agm": 0.5, "gel": 0.5, "lfp": 0.84}
#: Where the charger starts only lower than that, a bank is short when it falls this much below the
#: start of that run, part of its capacity (as the limit is defined in METHOD.md).
BELOW_START = 0.10
#: Share of short days in the season at the limit.
SHORT = 0.05
#: Days in season over which the boat lives again; at least one whole season.
SEASON_DAYS = 360
#: The search moves by this factor, ends at this relative width, and looks no further than these
#: outputs, of rated.
_STRIDE, WIDTH, _LEAST, _MOST = 1.5, 0.03, 0.03, 2.0
_STEP_S = 300.0


def short_share(model: BoatModel, output: float, enough: float = math.inf) -> float:
    """Return the share of days in season on which the bank is short; NaN without a season.

    Parameters
    ----------
    model
        The boat; her days are those from the beginning of her log.
    output
        Available output of the charger, constant, fraction of rated.
    enough
        The simulation ends when the share is surely above this; what is returned then is at least
        that, and may be too small.
    """
    # The engine that an owner starts because the bank is low is no help to count on.
    habits = replace(model.habits, laid_up="silent", rescue_below=0.0)
    # Hardly anything is read: only the truth of the days counts.
    sensors = Sensors(spacing_s=_STEP_S, rest_spacing_s=_STEP_S, dropout=0.97)
    charger = replace(model.charger, container_l=0.0, horizon_h=1.0)
    lived = Voyage(replace(model, charger=charger, habits=habits, sensors=sensors))
    lived.course = [output, output]
    length = _days(model)
    season = sum(in_season(habits, _day_of_year(model, day)) for day in range(length))
    usable = 1.0 - USABLE[model.battery.chemistry]
    seen, short, started = 0, 0, math.nan
    for _ in lived.readings(days=length):
        if short > enough * season:
            break
        for day in lived.days[seen:-1]:
            started = day.start_soc if math.isfinite(day.start_soc) else started
            short += day.running_h > 0.0 and day.least_soc < floor_after(started, usable)
            seen += 1
    return short / season if season else math.nan


def floor_after(started: float, usable: float) -> float:
    """Return the state of charge below which a day is short.

    Parameters
    ----------
    started
        State of charge at the charger's latest start; NaN before the first.
    usable
        State of charge at which the usable share has been drawn.
    """
    return usable if math.isnan(started) else min(usable, started - BELOW_START)


def needed_output(model: BoatModel, guess: float) -> float:
    """Return the output at which one day in twenty is short, fraction of rated.

    It is infinite if no output of the search is enough.

    Parameters
    ----------
    model
        As in :func:`short_share`.
    guess
        Where the search begins.
    """

    def enough(output: float) -> bool:
        return short_share(model, output, SHORT) <= SHORT

    low = min(max(0.8 * guess, _LEAST), _MOST)
    while low > _LEAST and enough(low):
        low = max(low / _STRIDE, _LEAST)
    high = low * _STRIDE
    while not enough(high):
        if high >= _MOST:
            return math.inf
        low, high = high, high * _STRIDE
    while high / low > 1.0 + WIDTH:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if enough(middle) else (middle, high)
    return math.sqrt(low * high)


def _days(model: BoatModel) -> int:
    """Return for how many days from the beginning the boat lives again: whole years of her use."""
    a_year = sum(in_season(model.habits, day) for day in range(1, 366))
    return 365 * max(math.ceil(SEASON_DAYS / max(a_year, 1)), 1)


def _day_of_year(model: BoatModel, day: int) -> int:
    return (model.start + timedelta(days=day)).timetuple().tm_yday
