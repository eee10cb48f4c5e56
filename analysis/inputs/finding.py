"""A finding about the inputs: what was expected, what was seen, since when, and what to do."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

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


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings, the worst first; those of one severity keep their order."""
    return tuple(sorted(findings, key=lambda f: _ORDER.index(f.severity)))


def series(
    name: str, unit: str, time_s: Floats, values: Floats, expected: float | None = None
) -> Series:
    """Return at most 200 points of values over time, each the median of its neighbours."""
    keep = np.isfinite(time_s) & np.isfinite(values)
    time_s, values = time_s[keep], values[keep]
    if len(values) > 200:
        parts = np.array_split(np.arange(len(values)), 200)
        time_s = np.array([time_s[p].mean() for p in parts])
        values = np.array([np.median(values[p]) for p in parts])
    return Series(name, unit, time_s, values, expected)
