"""A finding about the inputs: what was expected, what was seen, since when, and what to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.use import day_edges
from analysis.units import owner
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]


class Severity(StrEnum):
    """How serious a finding is."""

    NOTE = "note"
    """Worth knowing; it changes no figure."""
    DOUBT = "doubt"
    """It widens or qualifies the figures, and somebody should look into it."""
    STOP = "stop"
    """Nothing can be concluded from such data."""


_ORDER = (Severity.STOP, Severity.DOUBT, Severity.NOTE)


@dataclass(frozen=True, slots=True)
class Series:
    """Values over time for a small plot: a few hundred points at most."""

    name: str
    unit: str
    time_s: Floats
    values: Floats
    expected: float | None = None
    """The expected value, drawn as a line."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding; texts are whole sentences for a person."""

    code: str
    severity: Severity
    since_s: float | None
    """Unix time since when it was seen; None where it was always so."""
    text: str
    what_to_do: str
    expected: str
    """What the data should show, with numbers."""
    seen: str
    """What they show, with numbers."""
    series: Series | None = field(default=None, compare=False)
    asks: bool = False
    """Whether somebody should act on it although it is a note."""


def stops(findings: Iterable[Finding]) -> bool:
    """Tell whether nothing can be concluded from the data, by what was found."""
    return any(f.severity is Severity.STOP for f in findings)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings, the worst first; those of one severity keep their order."""
    return tuple(sorted(findings, key=lambda f: _ORDER.index(f.severity)))


def by_day(name: str, unit: str, history: History, part: Floats, whole: Floats | None) -> Series:
    """Return hours by local day, or their part of other hours in per cent, for a small plot.

    Parameters
    ----------
    name, unit
        What is shown.
    history
        Gives the time of each interval.
    part
        Seconds of each interval that count, shape (n,).
    whole
        Seconds of each interval that the part is of; None for hours. A day without any is left out.
    """
    begin_s = history.start_s[0] if len(history) else 0.0
    end_s = history.start_s[-1] if len(history) else 0.0
    # A day before the first interval: that the midnight before it is among them.
    midnights = day_edges(begin_s - 1.1 * DAY_S, end_s, owner().zone)
    first = np.searchsorted(history.start_s, midnights)
    day = np.flatnonzero(np.diff(first, append=len(history)))
    seconds = np.add.reduceat(part, first[day])
    middle_s = midnights[day] + 0.5 * DAY_S
    if whole is None:
        return series(name, unit, middle_s, seconds / 3600.0)
    all_s = np.add.reduceat(whole, first[day])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(all_s > 0.0, 100.0 * seconds / all_s, np.nan)
    return series(name, unit, middle_s, share, 100.0)


def series(
    name: str, unit: str, time_s: Floats, values: Floats, expected: float | None = None
) -> Series:
    """Return at most 200 points of values over time, each as it was measured.

    The middle of every few is taken, not their median: of a charger that is off half of the time
    the median is a value that never was.
    """
    told = np.flatnonzero(np.isfinite(time_s) & np.isfinite(values))
    if len(told) > 200:
        told = told[((np.arange(200) + 0.5) * len(told) / 200.0).astype(np.intp)]
    return Series(name, unit, time_s[told], values[told], expected)
