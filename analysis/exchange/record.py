"""The record of an exchange: one event that names both units, their hours, and who did it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.errors import UsageError
from logger.event import EXCHANGE, LONGEST_NAME, clean_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from logger.event import Event

#: Longest serial number, characters: what fits one line of the sheet (our choice).
_LONGEST_SERIAL = 60
_TEXT = re.compile(
    r"old: serial (.*?), ([\d.]+) W, counter (?:([\d.]+) h|not known); "
    r"new: serial (.*?), ([\d.]+) W, counter ([\d.]+) h; by (.*)"
)


@dataclass(frozen=True, slots=True)
class Unit:
    """A charger at the exchange. ``serial`` is empty and ``counter_h`` None where not known."""

    serial: str
    rated_w: float
    counter_h: float | None


@dataclass(frozen=True, slots=True)
class Exchange:
    """Which unit went, which came, and who did it."""

    old: Unit
    new: Unit
    who: str

    def text(self) -> str:
        """Return the text of the event; the counter's reset stands in it."""
        old, new = self.old, self.new
        return (
            f"old: serial {old.serial or 'not known'}, {plain(old.rated_w)} W, counter "
            f"{counter_words(old.counter_h)}; new: serial {new.serial}, {plain(new.rated_w)} W, "
            f"counter {counter_words(new.counter_h)}; by {self.who}"
        )


def counter_words(counter_h: float | None) -> str:
    """Return an hour counter as a person reads it, with its tenths."""
    return "not known" if counter_h is None else f"{plain(counter_h, 1)} h"


def plain(value: float, places: int = 3) -> str:
    """Return a figure with so many places, without zeros at its end; ':g' keeps six digits only."""
    return f"{value:.{places}f}".rstrip("0").rstrip(".")


def checked(exchange: Exchange) -> Exchange:
    """Return the exchange with its texts on one line.

    Raises
    ------
    UsageError
        If a figure cannot be true, or a name is missing or endless.
    """
    serials = [clean_text(unit.serial).replace(",", " ") for unit in (exchange.old, exchange.new)]
    who = clean_text(exchange.who)
    if not serials[1] or max(map(len, serials)) > _LONGEST_SERIAL:
        raise UsageError(
            f"the serial number of the new unit is needed, in at most {_LONGEST_SERIAL} characters"
        )
    if not who or len(who) > LONGEST_NAME:
        raise UsageError(f"say who exchanged it, in at most {LONGEST_NAME} characters (--by)")
    for unit in (exchange.old, exchange.new):
        if not 1.0 <= unit.rated_w <= 20000.0:
            raise UsageError(f"a rated output of {plain(unit.rated_w)} W: accepted: 1 to 20000 W")
        if unit.counter_h is not None and not 0.0 <= unit.counter_h <= 1.0e6:
            raise UsageError(f"a counter of {plain(unit.counter_h, 1)} h: accepted: 0 to 1000000 h")
    return Exchange(
        Unit(serials[0], exchange.old.rated_w, exchange.old.counter_h),
        Unit(serials[1], exchange.new.rated_w, exchange.new.counter_h or 0.0),
        who,
    )


def recorded(events: Iterable[Event]) -> list[tuple[float, Exchange]]:
    """Return (Unix time, exchange) of each recorded exchange that was not struck, oldest first."""
    found = []
    for event in sorted(events, key=lambda e: e.time_s):
        told = _TEXT.fullmatch(event.text) if event.kind == EXCHANGE and not event.struck else None
        if told is None:
            continue
        serial = "" if told[1] == "not known" else told[1]
        old = Unit(serial, float(told[2]), None if told[3] is None else float(told[3]))
        new = Unit(told[4], float(told[5]), float(told[6]))
        if all(math.isfinite(unit.rated_w) for unit in (old, new)):
            found.append((event.time_s, Exchange(old, new, told[7])))
    return found
