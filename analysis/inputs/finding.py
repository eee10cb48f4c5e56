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
    """How much a finding weighs."""

    NOTE = "note"
    """Worth knowing; the figures stand."""
    DOUBT = "doubt"
    """The figures are wider or qualified for it, and somebody should look."""
    STOP = "stop"
    """Nothing can be concluded from such data."""


_ORDER = (Severity.STOP, Severity.DOUBT, Severity.NOTE)


@dataclass(frozen=True, slots=True)
class Series:
    """What was seen over time, for a small plot: a few hundred points at most."""

    name: str
    unit: str
    time_s: Floats
    values: Floats
    expected: float | None = None
    """What it should have been, drawn as a line."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding; texts are whole sentences for a person."""

    code: str
    severity: Severity
    since_s: float | None
    """Unix time from which on it was seen; None where it was always so."""
    text: str
    what_to_do: str
    expected: str
    """In numbers."""
    seen: str
    """In numbers."""
    series: Series | None = field(default=None, compare=False)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings, the worst first; equals stay in their order."""
    return tuple(sorted(findings, key=lambda f: _ORDER.index(f.severity)))


def series(
    name: str, unit: str, time_s: Floats, values: Floats, expected: float | None = None
) -> Series:
    """Return at most 200 points of a course, each the median of its neighbours in order of time."""
    keep = np.isfinite(time_s) & np.isfinite(values)
    time_s, values = time_s[keep], values[keep]
    if len(values) > 200:
        parts = np.array_split(np.arange(len(values)), 200)
        time_s = np.array([time_s[p].mean() for p in parts])
        values = np.array([np.median(values[p]) for p in parts])
    return Series(name, unit, time_s, values, expected)
