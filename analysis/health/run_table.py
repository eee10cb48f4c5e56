"""One row per run: its output, what limited it, and whether the estimate uses it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


class Limit(StrEnum):
    """What set the current in a stretch of running."""

    SOURCE = "source"
    BATTERY = "battery"
    HEAT = "heat"
    UNUSABLE = "unusable"


@dataclass(frozen=True, slots=True)
class RunTable:
    """One row per run, arrays of shape (n,), ordered by time; NaN where not known."""

    start_s: NDArray[np.float64]
    """Unix time of the start."""
    hours: NDArray[np.float64]
    """Length of the run, h."""
    runtime_h: NDArray[np.float64]
    """Running hours of this fitting at the middle of the stretch that was used."""
    fraction: NDArray[np.float64]
    """Available output at the reference condition, fraction of rated. For a battery-limited run it
    is the lower bound."""
    standard_error: NDArray[np.float64]
    limit: tuple[Limit, ...]
    """What limited the stretch that gave the run's figure."""
    used: NDArray[np.bool_]
    """Whether the run entered the estimate (as a value or as a lower bound)."""
    reason: tuple[str, ...]
    """Why it was used as a value or a bound, or left out: a phrase for the reader of the report."""
    energy_kwh: NDArray[np.float64]
    charge_ah: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    opens: NDArray[np.bool_] | None = None
    """Whether a row begins a run: long runs are cut into days. None means each row does."""

    def __len__(self) -> int:
        """Return the number of runs."""
        return len(self.start_s)
