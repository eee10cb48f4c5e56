"""How far apart the readings in a log came, and what a wrong setting of it has cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logger.sources.spacing import LONGEST_SPACING_S, rounded, wrong_words

if TYPE_CHECKING:
    from analysis.history.history import History
    from logger.config import LogConfig

#: Readings that stand alone matter from this share of the time on: the odd one beside a gap does
#: no harm.
MATTERS = 0.05
#: Fewer readings tell of no rhythm.
_FEWEST = 10


@dataclass(frozen=True, slots=True)
class LogSpacing:
    """What the stored intervals tell of the spacing of the readings behind them."""

    usual_s: float | None
    """Spacing inside intervals, the one in which three quarters of the time lie, s."""
    alone: int
    """Readings with a gap on either side, over which nothing could be added up."""
    alone_s: float | None
    """Their usual distance, s."""
    lost: float
    """Share of the time that was read that lies between them."""

    def words(self, log: LogConfig) -> str:
        """Say what is wrong and what to do; empty where nothing is."""
        if self.alone_s is not None and self.lost >= MATTERS:
            return (
                f"{self.alone:,} readings stand alone, {rounded(self.alone_s):g} s apart: the "
                f"settings made a gap of each, and {self.lost:.0%} of the time is not counted. "
                f"Take gap_s out of [log] and write interval_s = {rounded(self.alone_s):g}, or "
                f"leave both out; then import the recording again"
            )
        return wrong_words(log, self.usual_s)


def log_spacing(history: History) -> LogSpacing:
    """Measure the spacing of the readings in a log."""
    long = history.duration_s > 0.0
    counted = long & (history.readings > 1)
    usual_s = None
    if int(history.readings[counted].sum()) >= _FEWEST:
        each_s = history.duration_s[counted] / history.readings[counted]
        order = np.argsort(each_s)
        passed_s = np.cumsum(history.duration_s[counted][order])
        usual_s = float(each_s[order][np.searchsorted(passed_s, 0.75 * passed_s[-1])])
    alone_at_s = history.start_s[~long & (history.readings > 0)]
    apart_s = np.diff(alone_at_s)
    apart_s = apart_s[(apart_s > 0.0) & (apart_s <= LONGEST_SPACING_S)]
    if len(apart_s) < _FEWEST:
        return LogSpacing(usual_s, len(alone_at_s), None, 0.0)
    between_s, read_s = float(apart_s.sum()), float(history.duration_s.sum())
    return LogSpacing(
        usual_s, len(alone_at_s), float(np.median(apart_s)), between_s / (between_s + read_s)
    )
