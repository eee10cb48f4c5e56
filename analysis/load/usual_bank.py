"""What is taken for granted of a house bank that is not configured in full."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from logger.config import Config

    Floats = NDArray[np.float64]


#: Rested voltage of an empty 12 V lead-acid block, and its rise from there to full, V (Bode 1977 at
#: usual densities: 11.89 to 12.67 V).
EMPTY_V, SWING_V = 11.89, 0.78
#: Sealed blocks stand higher than free acid by so much when rested, V (common practice, no source).
SEALED_V = 0.12
#: Real capacity over the label, at the end of life (80 %) and new (common practice, no source).
HOLDS = (0.75, 1.05)
#: Where no capacity is configured, a bank holds the load of so many mean days; and the standard
#: deviation of the logarithm of that (common practice, no source: 1.5 to 6 days).
USUAL_DAYS, CAPACITY_SD = 3.0, 0.4
#: Usual charging voltage of a 12 V block, V (sizing step 3 of common practice).
CHARGING_V = 13.2
#: Charge efficiency over usual cycles of a house bank and its uncertainty (one standard deviation).
#: Lead-acid: 0.85 to 0.95 (common practice, no source for one number); above 0.95 low down, falling
#: off near full (Stevens & Corey 1996, Sandia), and the small currents of these chargers reach the
#: taper late. LFP 0.99. The log itself does not tell it: a load that changes between charging and
#: rest looks the same.
EFFICIENCY = {
    "flooded": (0.92, 0.045),
    "agm": (0.92, 0.045),
    "gel": (0.92, 0.045),
    "lfp": (0.99, 0.005),
}


def efficiency_of(config: Config) -> tuple[float, float]:
    """Return the charge efficiency and its standard deviation."""
    told = config.battery.charge_efficiency
    usual, spread = EFFICIENCY[config.battery.chemistry]
    return (usual, spread) if told is None else (told, 0.01)


def usual_bank_ah(supplied_ah: Floats, days: Floats) -> float:
    """Return a bank that holds some mean days: where its capacity is not configured, Ah."""
    return 24.0 * USUAL_DAYS * float(supplied_ah.sum() / max(days.sum(), 1e-9))
