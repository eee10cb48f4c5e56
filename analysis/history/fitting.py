"""What belongs to one fitting: its time, its events, and the settings that are about its charger.

Chargers of one label follow one another. Where an event records the exchange, it ends the time of
the old charger and begins that of the new one. What was logged after it into the old charger's log,
because the logger had not been restarted, is the new one's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from logger.config import UnitConfig, carried_config
from logger.errors import ConfigError
from logger.event import EXCHANGE

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from logger.config import Config
    from logger.event import Event
    from logger.store.reader import Fitting

#: Kinds of event from before the exchange that still count for the new charger: the container stays
#: aboard, a remark may explain what comes later, and the check list has its own first day.
_STAY_ABOARD = ("fuel", "note", "check")
#: Sections of the configuration that are about the charger itself.
_OF_CHARGER = ("charger", "unit")


@dataclass(frozen=True, slots=True)
class FittingTime:
    """From when to when a charger was fitted, Unix time; infinite where no event records it."""

    begin_s: float = -math.inf
    end_s: float = math.inf
    before: Fitting | None = None
    """The charger that was there before it."""

    def events(self, events: Iterable[Event]) -> tuple[Event, ...]:
        """Return the events that count for this charger."""
        return tuple(
            e
            for e in events
            if e.time_s < self.end_s and (e.time_s > self.begin_s or e.kind in _STAY_ABOARD)
        )


def time_of(
    fitting: Fitting, known: Sequence[Fitting], config: Config, events: Iterable[Event]
) -> FittingTime:
    """Return from when to when a charger was fitted, by the exchanges that are recorded.

    Parameters
    ----------
    fitting, known
        The charger's fitting, and all fittings of the log.
    config
        Names the charger that is fitted now, of which nothing may be logged yet; the days of
        fitting are of its time zone.
    events
        The events of the log.
    """
    at_s: dict[str, float] = {}  # by day of the calendar; the last exchange of a day counts
    for event in sorted(events, key=lambda e: e.time_s):
        if event.kind == EXCHANGE and not event.struck:
            day = datetime.fromtimestamp(event.time_s, config.boat.zone).date()
            at_s[day.isoformat()] = event.time_s
    own = fitting.fitted or ""  # a charger whose day nobody knows was there before the dated ones
    of_label = {f.fitted or "": f for f in known if f.label == fitting.label}
    days = [day for day in of_label if day]
    if config.charger.label == fitting.label and config.charger.fitted is not None:
        days.append(config.charger.fitted.isoformat())
    earlier, later = [d for d in of_label if d < own], [d for d in days if d > own]
    began_s = _near(at_s, own) if own else None
    ended_s = _near(at_s, min(later)) if later else None
    return FittingTime(
        -math.inf if began_s is None else began_s,
        math.inf if ended_s is None else ended_s,
        of_label[max(earlier)] if earlier else None,
    )


def _near(at_s: dict[str, float], day: str) -> float | None:
    """Return the exchange of a day of fitting (ISO date), else that of a day beside it.

    Who records it by hand may be a day late, and a boat may change her time zone.
    """
    fitted = date.fromisoformat(day)
    days = (fitted + timedelta(days=apart) for apart in (0, 1, -1))
    return next((at_s[d.isoformat()] for d in days if d.isoformat() in at_s), None)


def of_fitting(config: Config, fitting: Fitting, carried: str | None) -> Config:
    """Return the configuration as it holds for a charger that is not the configured one.

    Parameters
    ----------
    config
        The configuration of today; what it says of boat and battery stays.
    fitting
        The charger's fitting.
    carried
        The configuration that was in use with that charger, as the log carries it; None where it
        carries none. Then serial number, type, design life and the figures of the manual are not
        known, since those of the configuration are another charger's.
    """
    data = config.document.data
    try:
        own = None if carried is None else carried_config(config.store.path, carried)
    except ConfigError:  # of a later version, or damaged
        own = None
    day = None if fitting.fitted is None else date.fromisoformat(fitting.fitted)
    if own is None:
        charger = replace(config.charger, serial="", type="", design_life_h=None)
        unit, tables = UnitConfig(), {}
    else:
        charger, unit, tables = own.charger, own.unit, own.document.data
    charger = replace(charger, label=fitting.label, rated_w=fitting.rated_w, fitted=day)
    said = {name: tables[name] for name in _OF_CHARGER if name in tables}
    said["charger"] = said.get("charger", {}) | {"label": charger.label, "rated_w": charger.rated_w}
    if day is not None:
        said["charger"]["fitted"] = day
    rest = {name: table for name, table in data.items() if name not in _OF_CHARGER}
    document = replace(config.document, data=rest | said)
    return replace(config, charger=charger, unit=unit, document=document)
