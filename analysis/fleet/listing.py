"""The list of a fleet: the ranked boats, and what the boats of each type will need."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.estimate import Span
from logger.durations import YEAR_S

if TYPE_CHECKING:
    from analysis.fleet.ranking import Boat

#: A quarter of a mean year of the calendar, s.
QUARTER_S = YEAR_S / 4.0
_NOTHING = Span()


@dataclass(frozen=True, slots=True)
class Quarter:
    """Units needed in one quarter: the mean and the ends of the 90 % interval."""

    number: int
    """1 is the quarter that begins now."""
    mean: float
    low: int
    high: int


@dataclass(frozen=True, slots=True)
class Fuel:
    """What the boats of a type use in a year, L."""

    boats: int = 0
    """Boats of which it is known."""
    litres: Span = _NOTHING
    """Of all of these together."""


@dataclass(frozen=True, slots=True)
class Group:
    """The boats of one type, and what they will need."""

    name: str
    boats: int
    old: int
    """Sisters that have passed half the loss."""
    demand: tuple[Quarter, ...]
    unknown: int
    """Boats of which no date can be told: they are not in the demand."""
    fuel: Fuel = field(default_factory=Fuel)


@dataclass(frozen=True, slots=True)
class FleetList:
    """The ranked boats and their groups."""

    boats: tuple[Boat, ...]
    groups: tuple[Group, ...]
    assessed: int
    """Boats that were assessed now; the others had not changed."""
    now_s: float
    horizon_days: int
