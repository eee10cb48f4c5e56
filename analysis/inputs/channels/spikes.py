"""Short peaks above what any charger gives: disturbances of the current, left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.inputs.finding import Finding, Severity, series
from analysis.inputs.rated import MOST

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Flags = NDArray[np.bool_]

#: Peaks of fewer intervals, or of a smaller part of the flow, are left out and not told: a surge
#: after a start, a single disturbed reading (judgement, no source).
_FEWEST, _LEAST_SHARE = 20, 0.002
#: Power flows above this part of rated.
_FLOWS = 0.1


def peaks(log: History, rated_w: float) -> tuple[Finding | None, Flags]:
    """Return the finding about peaks, if there are many, and the intervals that are peaks.

    Where the output stands above what a charger gives for an hour, ``rated.above_rated`` tells it:
    this is for what lasts minutes.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        part = log.energy_j / log.duration_s / rated_w
        over, flows = part > MOST, part > _FLOWS
    count = int(over.sum())
    if count < max(_FEWEST, _LEAST_SHARE * int(flows.sum())):
        return None, over
    since_s = float(log.start_s[np.argmax(over)])
    high, total_h = float(np.median(part[over])), float(log.duration_s[over].sum()) / 3600.0
    finding = Finding(
        "current_peaks",
        Severity.NOTE,
        since_s,
        f"The output jumps to {100.0 * high:.0f} % of rated and back {count} times, first on "
        f"{day(since_s)}. No charger gives that. These {total_h:.1f} h are left out.",
        "Look for a loose plug or a poor earth of the current sensor, and for a large load or "
        "another charger that switches on the same cable.",
        f"at most {100.0 * MOST:.0f} % of rated",
        f"{count} peaks of about {100.0 * high:.0f} %, {total_h:.1f} h together",
        series(
            "peaks of the output", "% of rated", log.start_s[over], 100.0 * part[over], 100.0 * MOST
        ),
        asks=True,
    )
    return finding, over
