"""Raw readings: compressed hours in a ring of bounded size; the intervals stay for ever.

They serve to look closely, and to condense again with other settings. An hour is one of the
session's own clock, so a correction of the wall time (an offset of the session) does not touch
packed hours. Readings are gathered in memory, packed when their hour is over or the logger ends,
and written with the next commit. A power cut costs the running hour, and the one before if its
commit was still to come. The device's own time (``utc_s``) is not kept. Merging and salvage leave
raw readings out.

Each hour is a row of the table ``raw`` whose columns are packed as :mod:`logger.store.blocks`
describes, with byte-shuffled differences. At more than one reading a second an hour takes several
rows with one ``slot``; the ring drops whole slots. This module uses the standard library only,
because the daemon packs.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.durations import HOUR_S
from logger.errors import StoreError
from logger.reading import OperatingState, Reading
from logger.store.blocks import pack_column, unpack_column

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator

    from logger.store.reader import Reader

HOUR_MS = round(1000.0 * HOUR_S)
#: Most readings of one row: it bounds the memory for fast readings to half a megabyte.
ROW_READINGS = 4096
#: Channels, each with the factor to its stored integer; the same factors as for intervals.
SCALES = {
    "voltage_v": 1000,
    "current_a": 1000,
    "runtime_h": 3600,
    "temperature_c": 100,
    "battery_current_a": 1000,
    "fuel_l": 1000,
}
#: Packed columns of the table, in order.
COLUMNS = (
    "time_ms",
    "state",
    "voltage_mv",
    "current_ma",
    "runtime_s",
    "temperature_cc",
    "battery_current_ma",
    "fuel_ml",
)

_STATES = tuple(OperatingState)
#: Stands for an absent value while readings are gathered.
_ABSENT = -(2**63)
#: Larger numbers are not exact in floating point; no charger has them.
_LARGEST = 2.0**53
_NAMES = ", ".join(COLUMNS)
_NEWEST = "SELECT slot, session, hour FROM raw WHERE slot = (SELECT max(slot) FROM raw) LIMIT 1"
_INSERT = (
    f"INSERT INTO raw (slot, session, hour, readings, {_NAMES}) "  # noqa: S608 - our own names
    f"VALUES (?, ?, ?, ?, {', '.join('?' * len(COLUMNS))})"
)


@dataclass(frozen=True, slots=True)
class PackedHour:
    """Readings of one hour, or a part of them, ready to be written.

    ``hour`` is the number of the hour on the session's clock; ``keep`` how many the ring holds.
    """

    keep: int
    hour: int
    readings: int
    columns: tuple[bytes | None, ...]


class RawHours:
    """Gathers readings and hands over each hour, packed, when it is over.

    Parameters
    ----------
    keep
        Number of hours that the ring holds; 0 keeps nothing.
    hand_over
        Receives each packed hour.
    """

    def __init__(self, keep: int, hand_over: Callable[[PackedHour], None]) -> None:
        self._keep = keep
        self._hand_over = hand_over
        self._hour = 0
        self._columns = tuple(array("q") for _ in COLUMNS)

    def add(self, reading: Reading) -> None:
        """Keep one reading; it must be later than the one before."""
        if not self._keep or not abs(reading.time_s) * 1000.0 < _LARGEST:
            return
        time_ms = round(reading.time_s * 1000.0)
        hour = time_ms // HOUR_MS
        if hour != self._hour or len(self._columns[0]) >= ROW_READINGS:
            self.flush()
            self._hour = hour
        times, states, *channels = self._columns
        times.append(time_ms)
        states.append(_STATES.index(reading.state))
        for column, (name, scale) in zip(channels, SCALES.items(), strict=True):
            column.append(_scaled(getattr(reading, name), scale))

    def flush(self) -> None:
        """Hand over the gathered readings."""
        if not (count := len(self._columns[0])):
            return
        packed = tuple(
            pack_column([None if v == _ABSENT else v for v in column], shuffled=True)
            for column in self._columns
        )
        for column in self._columns:
            del column[:]
        self._hand_over(PackedHour(self._keep, self._hour, count, packed))


def _scaled(value: float | None, scale: int) -> int:
    if value is None or not abs(value) * scale < _LARGEST:
        return _ABSENT
    return round(value * scale)


def write_hour(connection: sqlite3.Connection, session: int, packed: PackedHour) -> None:
    """Add one hour inside a transaction, and drop the oldest beyond the size of the ring."""
    slot, *whose = connection.execute(_NEWEST).fetchone() or (0,)
    if whose != [session, packed.hour]:
        slot += 1
    # Delete first: the new hour then takes the place of the oldest, and the file does not grow.
    connection.execute("DELETE FROM raw WHERE slot <= ?", (slot - packed.keep,))
    connection.execute(_INSERT, (slot, session, packed.hour, packed.readings, *packed.columns))


def raw_readings(
    reader: Reader, fitting: int, since_s: float = -_LARGEST, until_s: float = _LARGEST
) -> Iterator[Reading]:
    """Yield the kept raw readings of a fitting within a span, in order of time.

    Parameters
    ----------
    reader
        The database.
    fitting
        Number of the fitting.
    since_s, until_s
        The span, Unix seconds: from the first up to but not including the second.

    Raises
    ------
    StoreError
        If the database cannot be read, or an hour in it is damaged.
    """
    clocks = reader.clocks()
    placed = sorted(
        (hour * HOUR_MS + offset_ms, number, offset_ms)
        for number, session, hour in reader.raw_hours(fitting)
        if (clock := clocks.get(session)) is not None
        for offset_ms in (clock.offset_ms,)
    )
    for start_ms, number, offset_ms in placed:
        if start_ms >= until_s * 1000.0 or start_ms + HOUR_MS <= since_s * 1000.0:
            continue
        for reading in _unpacked(reader, number, offset_ms):
            if since_s <= reading.time_s < until_s:
                yield reading


def _unpacked(reader: Reader, number: int, offset_ms: int) -> Iterator[Reading]:
    count, *packed = reader.raw_hour(number, COLUMNS)
    try:
        columns = [unpack_column(column, count, shuffled=True) for column in packed]
        states = [_STATES[state or 0] for state in columns[1]]
    except (ValueError, IndexError) as error:
        raise StoreError(
            f"{reader.path}: raw readings, row {number}: {error}; the intervals do not need them: "
            f"export without --raw"
        ) from error
    for state, time_ms, *channels in zip(states, columns[0], *columns[2:], strict=True):
        values: dict[str, Any] = {
            name: None if value is None else value / scale
            for (name, scale), value in zip(SCALES.items(), channels, strict=True)
        }
        yield Reading(((time_ms or 0) + offset_ms) / 1000.0, state=state, **values)
