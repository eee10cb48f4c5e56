"""The two units of the last exchange as the log knows them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.assessment.case import Case
from analysis.exchange.record import recorded
from analysis.history.history import load_fitting
from analysis.installation.check import check_fitting
from logger.errors import UsageError
from logger.store.reader import Reader

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.exchange.record import Exchange
    from analysis.installation.result import Figures, FitCheck
    from logger.config import Config

#: Running hours of the old unit's end and of the new one's beginning that are compared.
COMPARED_H = 20.0


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
    check: FitCheck
    """The installation as the old unit left it."""


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
    earlier = [f for f in known if new is None or f.id != new.id]
    if not earlier:
        raise UsageError("the log holds no other charger than the one that is fitted")
    old_case = Case(*load_fitting(config, earlier[-1].id))
    check = check_fitting(old_case, COMPARED_H)
    begin = None
    if new is not None:
        begin = check_fitting(Case(*load_fitting(config, new.id)), COMPARED_H).first
    return Exchanged(
        time_s,
        exchange,
        charger.label,
        old_case.assessment,
        check.latest or check.first,
        begin,
        check,
    )
