"""Units and days as the owner reads them, by ``units`` and ``timezone`` of [boat].

Inside, everything is metric and Unix time. A command works for one owner and says once who
reads (:func:`read_as`); until then it is metric and UTC. A fleet has many (:func:`reading_as`).

1 US gallon = 3.785 411 784 L (exact; NIST SP 811, appendix B.8). Wire of AWG number n has a
diameter of 0.127 mm x 92^((36 - n) / 39) (ASTM B258); 1/0, 2/0, 3/0 and 4/0 stand for 0 to -3.
"""

from __future__ import annotations

import math
import re
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import tzinfo

    import numpy as np
    from numpy.typing import NDArray

    from logger.config import BoatConfig

#: One temperature, or many.
_Degrees = TypeVar("_Degrees", "float", "NDArray[np.float64]")

#: US gallon, L: 231 cubic inches of 25.4 mm, by definition.
GALLON_L = 3.785411784
#: The thickest wire that has a number: 0000.
_THICKEST = -3
#: A temperature in a text, such as "9 degC".
_CELSIUS = re.compile(r"(\d+) (deg|\N{DEGREE SIGN})C\b")


@dataclass(frozen=True, slots=True)
class Units:
    """How litres, cross-sections and temperatures are written."""

    us: bool = False

    @property
    def volume(self) -> str:
        """Return the unit of fuel."""
        return "US gal" if self.us else "L"

    @property
    def per_l(self) -> float:
        """Return how many of that unit a litre is."""
        return 1.0 / GALLON_L if self.us else 1.0

    def container(self, litres: float) -> str:
        """Write the size of a container."""
        return f"{litres * self.per_l:.3g} {self.volume}"

    @property
    def degree(self) -> str:
        """Return the unit of a temperature."""
        return "degF" if self.us else "degC"

    def degrees(self, celsius: _Degrees) -> _Degrees:
        """Return temperatures in that unit."""
        return 1.8 * celsius + 32.0 if self.us else celsius

    def litres(self, litres: float) -> str:
        """Write an amount of fuel that a person measured, with the digits it was given."""
        return f"{litres * self.per_l:.2f} {self.volume}" if self.us else f"{litres:g} L"

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return f"{self.degrees(celsius):.0f} {self.degree}"

    def cable(self, area_mm2: float) -> str:
        """Write a cross-section; by AWG number, the thickest wire of no more than that."""
        if not self.us:
            return f"{area_mm2:g} mm2"
        number = awg(area_mm2)
        return f"AWG {number}" if number > 0 else f"AWG {1 - number}/0"


def units_of(name: str) -> Units:
    """Return the units by their name in the configuration."""
    return Units(us=name == "us")


def awg(area_mm2: float) -> int:
    """Return the number of the thickest wire that has no more than a cross-section; 0 is 1/0."""
    diameter_mm = math.sqrt(4.0 * area_mm2 / math.pi)
    number = 36.0 - 39.0 * math.log(diameter_mm / 0.127, 92.0)
    return max(math.ceil(number - 1e-9), _THICKEST)


def area_mm2(number: int) -> float:
    """Return the cross-section of a wire by its AWG number."""
    diameter_mm = 0.127 * 92.0 ** ((36 - number) / 39.0)
    return float(math.pi / 4.0 * diameter_mm**2)


METRIC = Units()


@dataclass(frozen=True, slots=True)
class Owner:
    """In which zone the owner reads days, and in which units amounts."""

    zone: tzinfo = UTC
    units: Units = METRIC

    def days_of(self) -> str:
        """Say whose days the dates are."""
        name = getattr(self.zone, "key", None) or datetime.now(self.zone).tzname()
        return "UTC" if name == "UTC" else f"time zone {name}"


_owners = [Owner()]


def read_by(reader: Owner) -> None:
    """Write days and amounts from now on as this owner reads them."""
    _owners[0] = reader


def read_as(boat: BoatConfig) -> None:
    """Write days and amounts from now on as the owner of a boat reads them."""
    read_by(Owner(boat.zone, units_of(boat.units)))


@contextmanager
def reading_as(boat: BoatConfig) -> Iterator[None]:
    """Write as the owner of this boat reads, and afterwards as before."""
    before = owner()
    read_as(boat)
    try:
        yield
    finally:
        read_by(before)


@contextmanager
def days_in(zone: tzinfo) -> Iterator[None]:
    """Write days in this zone, and afterwards as before."""
    before = owner()
    read_by(replace(before, zone=zone))
    try:
        yield
    finally:
        read_by(before)


def owner() -> Owner:
    """Return the owner whose figures this process writes."""
    return _owners[0]


def in_degrees(text: str) -> str:
    """Return a fixed text with its temperatures as the owner reads them."""
    units = owner().units
    if not units.us:
        return text
    return _CELSIUS.sub(lambda m: f"{units.degrees(float(m[1])):.0f} {m[2]}F", text)


def clock_offset(time_s: float, zone: tzinfo) -> str:
    """Return what a zone's clocks show at a Unix time against UTC: 'UTC', 'UTC+13:00'.

    A time that no calendar holds, from an earlier version's import, counts as UTC.
    """
    try:
        offset = datetime.fromtimestamp(time_s, zone).strftime("%z")
    except (ValueError, OverflowError, OSError):
        return "UTC"
    return "UTC" if offset in {"+0000", ""} else f"UTC{offset[:3]}:{offset[3:5]}"
