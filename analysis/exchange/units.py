"""The two units of the last exchange as the log knows them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.exchange.record import recorded
from analysis.history.history import load_fitting, read_history
from analysis.installation.check import check_fitting, last_figures
from logger.durations import DAY_S
from logger.errors import UsageError
from logger.store.reader import Reader

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.exchange.record import Exchange
    from analysis.installation.result import Figures
    from logger.config import Config

#: Running hours of the old unit's end and of the new one's beginning that are compared (our
#: choice).
COMPARED_H = 20.0
#: The counter is looked for in so many days before the exchange first: a unit that rests is
#: still read every ten minutes (our choice).
_END_OF_LOG_D = 7.0


@dataclass(frozen=True, slots=True)
class Exchanged:
    """The last exchange, and what the log holds of both units."""

    time_s: float
    """Unix time."""
    exchange: Exchange
    label: str
    old: Assessment
    """The old unit's record at its end."""
    old_end: Figures | None
    """Its last running hours; None where the log holds too few."""
    new_begin: Figures | None
    """The new unit's first running hours; None where there are none yet."""


def last_exchange(config: Config) -> Exchanged:
    """Return the last exchange that 'ebbwatt exchange' recorded.

    Raises
    ------
    UsageError
        If none was recorded.
    StoreError
        If the log cannot be read.
    """
    with Reader(config.store.path) as reader:
        found = recorded(reader.events())
        known = reader.fittings()
    if not found:
        raise UsageError("no exchange is recorded in this log; 'ebbwatt exchange' records one")
    time_s, exchange = found[-1]
    charger = config.charger
    fitted = None if charger.fitted is None else charger.fitted.isoformat()
    new = next((f for f in known if (f.label, f.fitted) == (charger.label, fitted)), None)
    # Fittings are in order of time; the old unit is the last of them that was there before.
    earlier = known if new is None else known[: known.index(new)]
    old = next((f for f in reversed(earlier) if f.label == charger.label), None)
    if old is None:
        raise UsageError("the log holds no other charger than the one that is fitted")
    old_case = Case(*load_fitting(config, old.id))
    begin = None
    if new is not None:
        begin = check_fitting(Case(*load_fitting(config, new.id)), COMPARED_H).first
    return Exchanged(
        time_s,
        exchange,
        charger.label,
        old_case.assessment,
        last_figures(old_case, COMPARED_H),
        begin,
    )


def counter_of(config: Config, time_s: float) -> float | None:
    """Return the hour counter of the fitted unit at a time (Unix), h.

    The end of the log is read, and all of it only where no counter stands there. None where the log
    does not tell it.

    Raises
    ------
    StoreError
        If the log cannot be read.
    """
    charger = config.charger
    fitted = None if charger.fitted is None else charger.fitted.isoformat()
    with Reader(config.store.path) as reader:
        known = reader.fittings()
        named = [f for f in known if (f.label, f.fitted) == (charger.label, fitted)] or known[-1:]
        if not named:
            return None
        for since_s in (time_s - _END_OF_LOG_D * DAY_S, 0.0):
            first_id = reader.first_id_since(named[0].id, since_s)
            history = read_history(reader, named[0], first_id)
            told = np.isfinite(history.runtime_h) & (history.start_s <= time_s)
            if told.any():
                return float(history.runtime_h[told][-1])
    return None
