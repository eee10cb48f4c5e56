"""What is taken for granted of a house bank that is not configured in full."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

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


def usual_bank_ah(supplied_ah: Floats, days: Floats) -> float:
    """Return a bank that holds some mean days: where its capacity is not configured, Ah."""
    return 24.0 * USUAL_DAYS * float(supplied_ah.sum() / max(days.sum(), 1e-9))
