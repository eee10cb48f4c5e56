"""Units as the owner reads them, by the key ``units`` of [boat]; inside, everything is metric.

1 US gallon = 3.785 411 784 L (exact; NIST SP 811, appendix B.8). Wire of AWG number n has a
diameter of 0.127 mm x 92^((36 - n) / 39) (ASTM B258); 1/0, 2/0, 3/0 and 4/0 stand for 0 to -3.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

#: US gallon, L: 231 cubic inches of 25.4 mm, by definition.
GALLON_L = 3.785411784
#: The thickest wire that has a number: 0000.
_THICKEST = -3


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

    def temperature(self, celsius: float) -> str:
        """Write a temperature."""
        return f"{1.8 * celsius + 32.0:.0f} degF" if self.us else f"{celsius:.0f} degC"

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
