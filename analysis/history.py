"""The stored log of one fitting as arrays, in order of true time: what all analysis starts from."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

from logger.reading import OperatingState

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from logger.store.events import Event
    from logger.store.reader import Fitting

#: Code of each operating state in ``History.state``: its place in the enumeration.
STATES = tuple(OperatingState)
STATE_CODE = {state: code for code, state in enumerate(STATES)}


@dataclass(frozen=True, slots=True)
class History:
    """Intervals of one fitting as columns; each array has shape (n,), ordered by ``start_s``.

    An absent value is NaN. ``start_s`` is Unix time (UTC), corrected where the board learnt it.
    ``clock_known`` is False where an interval could only be placed between its neighbours.
    ``session`` numbers the logging sessions: hours counters and clocks are continuous inside one.
    """

    start_s: NDArray[np.float64]
    duration_s: NDArray[np.float64]
    state: NDArray[np.int8]
    readings: NDArray[np.int64]
    charge_c: NDArray[np.float64]
    energy_j: NDArray[np.float64]
    voltage_min_v: NDArray[np.float64]
    voltage_max_v: NDArray[np.float64]
    voltage_mean_v: NDArray[np.float64]
    voltage_last_v: NDArray[np.float64]
    runtime_h: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    battery_charge_c: NDArray[np.float64]
    fuel_l: NDArray[np.float64]
    session: NDArray[np.int64]
    clock_known: NDArray[np.bool_]
    fitting: Fitting
    events: tuple[Event, ...] = ()

    def __len__(self) -> int:
        """Return the number of intervals."""
        return len(self.start_s)

    @property
    def end_s(self) -> NDArray[np.float64]:
        """End of each interval, Unix time."""
        return self.start_s + self.duration_s

    def select(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> History:
        """Return the intervals picked by a mask or by indices, in that order."""
        columns = {
            f.name: getattr(self, f.name)[keep]
            for f in fields(self)
            if f.name not in {"fitting", "events"}
        }
        return History(**columns, fitting=self.fitting, events=self.events)
