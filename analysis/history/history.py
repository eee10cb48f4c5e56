"""The stored log of one fitting as arrays, in order of true time. All analysis starts from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.history.columns import load_columns
from analysis.history.fitting import FittingTime, of_fitting, time_of
from analysis.history.possible import possible
from logger.reading import OperatingState
from logger.recordings.times import CALENDAR_END_S, EARLIEST_S, latest_s
from logger.store.placement import Placed
from logger.store.reader import COLUMNS, Fitting, Reader

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from logger.config import Config
    from logger.event import Event

#: Code of each operating state in ``History.state``: its place in the enumeration.
STATES = tuple(OperatingState)
STATE_CODE = {state: code for code, state in enumerate(STATES)}


@dataclass(frozen=True)
class History:
    """Intervals of one fitting as columns; each array has shape (n,), ordered by ``start_s``.

    An absent value is NaN. ``start_s`` is Unix time (UTC), corrected once the board knew the time.
    ``clock_known`` is False where an interval could only be placed between its neighbours.
    ``session`` numbers the logging sessions: hours counters and clocks are continuous inside one.
    """

    start_s: NDArray[np.float64]
    duration_s: NDArray[np.float64]
    state: NDArray[np.int8]
    readings: NDArray[np.integer]
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
    session: NDArray[np.integer]
    clock_known: NDArray[np.bool_]
    fitting: Fitting
    events: tuple[Event, ...] = ()
    store_id: str = ""
    """Random id of the database; empty where it was not loaded from one."""
    impossible: int = 0
    """Intervals of imports that were left out: their dates cannot be true."""

    def __len__(self) -> int:
        """Return the number of intervals."""
        return len(self.start_s)

    # Checks ask for it once a run: to add up the whole log each time was a seventh of a report.
    @cached_property
    def end_s(self) -> NDArray[np.float64]:
        """End of each interval, Unix time."""
        return self.start_s + self.duration_s

    @cached_property
    def usual_v(self) -> float:
        """Median of the mean voltages, V; NaN where none was measured."""
        told = self.voltage_mean_v[np.isfinite(self.voltage_mean_v)]
        return float(np.median(told)) if len(told) else math.nan

    def select(self, keep: NDArray[np.bool_] | NDArray[np.intp] | slice) -> History:
        """Return the intervals picked by a mask, by indices in their order, or by a slice."""
        columns = {f.name: getattr(self, f.name)[keep] for f in fields(self) if f.name not in _ONCE}
        return replace(self, **columns)


#: Fields that are of the whole log, not of each interval.
_ONCE = ("fitting", "events", "store_id", "impossible")
#: Stored column, its column here, and the divisor from the stored integer to the unit here.
_SCALES = (
    ("charge_mc", "charge_c", 1000.0),
    ("energy_mj", "energy_j", 1000.0),
    ("voltage_min_mv", "voltage_min_v", 1000.0),
    ("voltage_max_mv", "voltage_max_v", 1000.0),
    ("voltage_mean_mv", "voltage_mean_v", 1000.0),
    ("voltage_last_mv", "voltage_last_v", 1000.0),
    ("runtime_s", "runtime_h", 3600.0),
    ("temperature_cc", "temperature_c", 100.0),
    ("battery_charge_mc", "battery_charge_c", 1000.0),
    ("fuel_ml", "fuel_l", 1000.0),
)


def load_history(path: Path, fitting: int | None = None) -> History:
    """Load the log of one fitting (the newest by default) with every event.

    Raises
    ------
    StoreError
        If the database cannot be read or holds no such fitting.
    """
    with Reader(path) as reader:
        return read_history(reader, reader.fitting(fitting))


def load_fitting(config: Config, number: int | None = None) -> tuple[History, Config]:
    """Load the log of one fitting, with the configuration as it holds for that charger.

    Without a number it is the fitting that the configuration names, else the newest one. For any
    fitting but the configured one, what belongs to the charger comes from the log, so that an
    earlier charger is compared with its own nameplate. Where an exchange is recorded, what came
    after it is the new charger's; see :mod:`analysis.history.fitting`.

    Raises
    ------
    StoreError
        If the database cannot be read or holds no such fitting.
    """
    charger = config.charger
    fitted = None if charger.fitted is None else charger.fitted.isoformat()
    with Reader(config.store.path) as reader:
        known = reader.fittings()
        ours = next((f for f in known if (f.label, f.fitted) == (charger.label, fitted)), None)
        if number is None and not known:
            nobody = Fitting(0, charger.label, charger.rated_w, fitted)
            return read_history(reader, nobody), config
        if number is None and ours is not None:
            number = ours.id
        fitting = reader.fitting(number)
        history = read_history(reader, fitting)
        carried = None if fitting == ours else reader.configuration(fitting.id)
        time = time_of(fitting, known, config, history.events)
        history = _with_rows_before(reader, history, time)
    if fitting != ours:
        config = of_fitting(config, fitting, carried)
    history = replace(history, events=time.events(history.events))
    if len(history) and history.start_s[-1] >= time.end_s:
        history = history.select(history.start_s < time.end_s)
    return history, config


def _with_rows_before(reader: Reader, history: History, time: FittingTime) -> History:
    """Add what was logged of a charger into the log of the one before it."""
    if time.before is None or not np.isfinite(time.begin_s):
        return history
    first_id = reader.first_id_since(time.before.id, time.begin_s)
    early = read_history(reader, time.before, first_id)
    early = early.select(early.start_s >= time.begin_s)
    if len(early) == 0:
        return history
    columns: dict[str, Any] = {
        f.name: np.concatenate((getattr(early, f.name), getattr(history, f.name)))
        for f in fields(history)
        if f.name not in _ONCE
    }
    both = replace(history, **columns)
    return both.select(np.argsort(both.start_s, kind="stable"))


def read_history(reader: Reader, fitting: Fitting, first_id: int = 0) -> History:
    """Load the rows of a fitting from ``first_id`` on, with every event."""
    column = load_columns(reader, fitting.id, COLUMNS, first_id)
    good = possible(column)
    wrong = len(good) - int(np.count_nonzero(good))
    if wrong:
        column = {name: values[good] for name, values in column.items()}
    session = _whole(column.pop("session"))
    clocks, unknown = reader.clocks(), Placed(0, known=False)
    # Rows of a session follow one another, so one clock offset serves a long stretch of rows.
    opens = np.flatnonzero(np.diff(session, prepend=-1))
    ids, lengths = session[opens], np.diff(opens, append=len(session))
    placed = [clocks.get(int(i), unknown) for i in ids]
    offset_ms = np.array([p.offset_ms for p in placed], dtype=float)
    clock_known = np.array([p.known for p in placed], dtype=bool)
    start_s = column.pop("start_ms") + np.repeat(offset_ms, lengths)
    start_s /= 1000.0
    history = History(
        start_s=start_s,
        duration_s=_scaled(column.pop("duration_ms"), 1000.0),
        state=column.pop("state").astype(np.int8),
        readings=_whole(column.pop("readings")),
        **{ours: _scaled(column.pop(stored), scale) for stored, ours, scale in _SCALES},
        session=session,
        clock_known=np.repeat(clock_known, lengths),
        fitting=fitting,
        events=tuple(event for event in reader.events() if 0.0 <= event.time_s < CALENDAR_END_S),
        store_id=reader.name(),
        impossible=wrong,
    )
    history = _without_impossible(reader, history)
    start_s = history.start_s
    if np.all(start_s[1:] >= start_s[:-1]):
        return history
    return history.select(np.argsort(start_s, kind="stable"))


def _without_impossible(reader: Reader, history: History) -> History:
    """Leave out what an import dated as it cannot be; a board's own clock is placed elsewhere."""
    imported = [s.id for s in reader.sessions(history.fitting.id) if s.boot_id is None]
    odd = (history.start_s < EARLIEST_S) | (history.end_s > latest_s())
    if odd.any():
        odd &= np.isin(history.session, imported)
    if not odd.any():
        return history
    return replace(history.select(~odd), impossible=history.impossible + int(odd.sum()))


def _whole(values: NDArray[np.float64]) -> NDArray[np.integer]:
    """Return whole numbers in four bytes each, or in eight where one needs them."""
    narrow = values.max(initial=0.0) <= np.iinfo(np.int32).max
    return values.astype(np.int32 if narrow else np.int64)


def _scaled(values: NDArray[np.float64], divisor: float) -> NDArray[np.float64]:
    """Divide in place, to save a copy of a million rows; a read-only column is all NaN."""
    if values.flags.writeable:
        values /= divisor
    return values
