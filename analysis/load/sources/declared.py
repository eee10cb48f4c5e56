"""What the configuration says of other sources (``[[other_sources]]``), for the load."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.history.runs import runs_since
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.history.runs import Runs
    from logger.other_sources import OtherSource

    Flags = NDArray[np.bool_]

#: So many days with today's sources are enough to leave out those before them.
ENOUGH_DAYS = 28.0


def since_change(runs: Runs, sources: Sequence[OtherSource]) -> Runs:
    """Return the runs since the sources that charge along were last changed.

    What such a source gives is not logged, so that the charger meets another load from then on;
    that of today is asked for. Where the change is too fresh, all is kept.
    """
    if not len(runs.log):
        return runs
    end_s = float(runs.log.end_s[-1])
    changes = [
        at_s
        for source in sources
        if not source.holds
        for at_s in (source.begin_s, source.end_s)
        if at_s < end_s - ENOUGH_DAYS * DAY_S
    ]
    return runs_since(runs, max(changes)) if changes else runs


def held_days(first: int, count: int, sources: Sequence[OtherSource]) -> Flags:
    """Return on which of ``count`` days since 1970, from the ``first`` on, one held the battery."""
    day_s = DAY_S * np.arange(first, first + count, dtype=np.float64)
    held = np.zeros(count, dtype=bool)
    for source in sources:
        if source.holds:
            held |= (day_s < source.end_s) & (day_s + DAY_S > source.begin_s)
    return held


def along(runs: Runs, sources: Sequence[OtherSource]) -> tuple[str, ...]:
    """Return a sentence for each source that charges along at the end of the log."""
    end_s = float(runs.log.end_s[-1]) if len(runs.log) else 0.0
    return tuple(
        f"Charges along, by [[other_sources]]: {source}. The load told is what that leaves for the "
        f"charger."
        for source in sources
        if not source.holds and source.begin_s < end_s <= source.end_s
    )
