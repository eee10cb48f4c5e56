"""How far apart the readings in a log are, and how much a wrong ``interval_s`` has cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from logger.sources.spacing import LONGEST_SPACING_S, rounded, wrong_words

if TYPE_CHECKING:
    from analysis.history.history import History
    from logger.config import LogConfig

#: Least share of the time that single readings must cost for a warning: one reading beside a gap is
#: normal (judgement, no source).
MATTERS = 0.05
#: Fewest readings that show a spacing (judgement, no source).
_FEWEST = 10


@dataclass(frozen=True, slots=True)
class LogSpacing:
    """The spacing of the readings, as far as the stored intervals show it."""

    usual_s: float | None
    """Spacing inside intervals, s: three quarters of the time have this spacing or a closer one."""
    alone: int
    """Number of readings with a gap on either side, so that no time was counted for them."""
    alone_s: float | None
    """Usual time between those readings, s."""
    lost: float
    """Share of the time that lies between those readings and was not counted."""

    def words(self, log: LogConfig) -> str:
        """Say what is wrong and what to do; empty where nothing is wrong."""
        if self.alone_s is not None and self.lost >= MATTERS:
            return (
                f"{self.alone:,} readings stand alone, {rounded(self.alone_s):g} s apart: the "
                f"settings count each step between them as a gap, so {self.lost:.0%} of the time "
                f"is not counted. Delete gap_s from [log] and write interval_s = "
                f"{rounded(self.alone_s):g}, or delete both; then import the recording again"
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
