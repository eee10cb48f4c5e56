"""An estimate: a figure with the two ends of its 90 % interval."""

from __future__ import annotations

from dataclasses import dataclass

#: Quantile of the normal distribution: 90 % lie within this many standard deviations of the mean.
Z90 = 1.645
#: Standard deviation of a normal distribution over its median absolute deviation: 1 over its
#: quantile at 0.75 (Hampel 1974, JASA 69:383-393).
MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True)
class Span:
    """A figure with the two ends of its 90 % interval; None where it cannot be known."""

    low: float | None = None
    median: float | None = None
    high: float | None = None
