"""Reads the database without ever changing it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fitting:
    """One charger fitted at one time."""

    id: int
    label: str
    rated_w: float
    fitted: str | None
    """ISO date on which it was fitted, if known."""
