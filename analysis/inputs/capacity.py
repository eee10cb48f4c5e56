"""Is the capacity in the configuration one that this bank can have: kWh for Ah, a wrong bank."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.inputs.finding import Finding, Severity, series

if TYPE_CHECKING:
    from analysis.inputs.gain import Cycles

#: Drawn from the bank in an ordinary rest: beyond this part of its capacity it cannot be true. A
#: new bank may hold a tenth more than it is sold for (common practice, no source).
MOST = 1.15
#: Cycles that tell an ordinary rest (our choice, the least of which the middle is steady).
_FEWEST = 8


def capacity_finding(cycles: Cycles, capacity_ah: float | None, volts: float) -> Finding | None:
    """Return a finding where the bank gave more between two runs than it can hold.

    Parameters
    ----------
    cycles
        Runs with the rests behind them that nothing else took part in.
    capacity_ah
        As configured, Ah.
    volts
        Usual voltage of the bank, V.
    """
    if capacity_ah is None or len(cycles.time_s) < _FEWEST:
        return None
    # The load, by the charge of a run over the whole cycle, for as long as the charger rests.
    amps = cycles.current_a * cycles.run_h / (cycles.run_h + cycles.rest_h)
    drawn_ah = amps * cycles.rest_h
    usual_ah = float(np.median(drawn_ah))
    if usual_ah <= MOST * capacity_ah:
        return None
    kwh_ah = 1000.0 * capacity_ah / volts
    unit = ""
    if usual_ah <= MOST * kwh_ah:
        unit = f" In kilowatt-hours, {capacity_ah:g} kWh would be {kwh_ah:.0f} Ah."
    return Finding(
        "capacity_too_small",
        Severity.DOUBT,
        None,
        f"[battery] capacity_ah = {capacity_ah:g} cannot be true: between two runs the bank gives "
        f"{usual_ah:.0f} Ah.{unit} Load, charge and days of fuel depend on it.",
        "Write the capacity of the whole bank in ampere-hours at the 20 h rate: the sum of all "
        "batteries in parallel, as printed on them.",
        f"at most {MOST * capacity_ah:.0f} Ah between two runs",
        f"{usual_ah:.0f} Ah",
        series("drawn between two runs", "Ah", cycles.time_s, drawn_ah, capacity_ah),
    )
