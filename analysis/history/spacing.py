"""How far apart the readings in a log are, and how much a wrong ``interval_s`` has cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.history import STATE_CODE
from logger.reading import RUN_STATES
from logger.sections import LOG
from logger.sources.spacing import LONGEST_SPACING_S, TIME_SHARE, rounded, wrong_words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History
    from logger.config import LogConfig

#: Least share of the time that single readings must cost for a warning: one reading beside a gap is
#: normal (judgement, no source).
MATTERS = 0.05
#: Fewest readings that show a spacing (judgement, no source).
_FEWEST = 10
#: Above this current a charger runs, A: the logger tells by the same band (``current_band_a``).
_FLOWS_A: float = LOG.default("current_band_a")
_RUNS = tuple(STATE_CODE[state] for state in RUN_STATES)


@dataclass(frozen=True, slots=True)
class LogSpacing:
    """The spacing of the readings, as far as the stored intervals show it."""

    usual_s: tuple[float | None, float | None]
    """Spacing inside intervals, at rest and in runs, s: three quarters of the time have this or a
    closer one."""
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
        return wrong_words(log, *self.usual_s)


def log_spacing(history: History) -> LogSpacing:
    """Measure the spacing of the readings in a log."""
    long = history.duration_s > 0.0
    counted = long & (history.readings > 0)
    with np.errstate(invalid="ignore"):
        flows = np.abs(history.charge_c) > _FLOWS_A * history.duration_s
    running = flows | np.isin(history.state, _RUNS)
    usual_s = (_usual_s(history, counted & ~running), _usual_s(history, counted & running))
    alone_at_s = history.start_s[~long & (history.readings > 0)]
    apart_s = np.diff(alone_at_s)
    apart_s = apart_s[(apart_s > 0.0) & (apart_s <= LONGEST_SPACING_S)]
    if len(apart_s) < _FEWEST:
        return LogSpacing(usual_s, len(alone_at_s), None, 0.0)
    between_s, read_s = float(apart_s.sum()), float(history.duration_s.sum())
    return LogSpacing(
        usual_s, len(alone_at_s), float(np.median(apart_s)), between_s / (between_s + read_s)
    )


def _usual_s(history: History, where: NDArray[np.bool_]) -> float | None:
    """Return the spacing in which three quarters of the time of some intervals lie, s."""
    if int(history.readings[where].sum()) < _FEWEST:
        return None
    each_s = history.duration_s[where] / history.readings[where]
    order = np.argsort(each_s)
    passed_s = np.cumsum(history.duration_s[where][order])
    return float(each_s[order][np.searchsorted(passed_s, TIME_SHARE * passed_s[-1])])
