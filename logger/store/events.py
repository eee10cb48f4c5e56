"""Events: what people and the logger noted, kept for ever; wrong ones are struck, never erased."""

from __future__ import annotations

from dataclasses import dataclass

#: Kinds that a person records with ``ebbwatt event add``.
PERSON_KINDS = ("fuel", "service", "renewal", "replacement", "note")
#: Kinds that the logger records by itself.
LOGGER_KINDS = (
    "power_cut",
    "clock_correction",
    "clock_unknown",
    "refused",
    "gap",
    "store_damaged",
    "store_full",
    "source_lost",
    "counter_reset",
)


@dataclass(frozen=True, slots=True)
class Event:
    """One event. ``amount`` is litres for fuel, seconds or a count for the logger's own kinds."""

    id: int
    time_s: float
    """Unix time, corrected like everything else of its session."""
    kind: str
    amount: float | None = None
    text: str = ""
    struck: bool = False
