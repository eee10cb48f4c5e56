"""The resistance that the standard allows a cable; a size that no cable has is told by its line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.physics import conductor_ohm
from logger.errors import UsageError

if TYPE_CHECKING:
    from logger.config import Config


def iec_ohm(config: Config) -> float | None:
    """Return the highest resistance of the cable there and back at 20 degC, ohm; None without one.

    Raises
    ------
    ConfigError
        If the cross-section is neither a nominal one of IEC 60228 nor an AWG size.
    """
    wiring = config.wiring
    if wiring is None:
        return None
    try:
        return conductor_ohm(wiring.cross_section_mm2, 2.0 * wiring.length_m, tinned=wiring.tinned)
    except UsageError as error:
        raise config.document.error(str(error), "wiring", "cross_section_mm2") from None
