"""Times in recordings: which can be true, and in what unit numbers of them are."""

from __future__ import annotations

import math
import re
import time
from datetime import UTC, datetime

from logger.durations import DAY_S
from logger.reading import CLOCK_UNSET_BEFORE_S
from logger.refusals import shown

#: No recording of this trade is older (2000-01-01); an earlier date is a clock that was never set.
EARLIEST_S = 946684800.0
#: While the board's own clock was never set, it cannot tell what lies ahead (2100-01-01).
_LATEST_S = 4102444800.0
#: The year 10000, at which calendars of four digits end.
CALENDAR_END_S = 253402300800.0
#: What a number of the time since 1970 may count, and how many of it make a second. The times that
#: can be true do not overlap between them.
UNITS = {"seconds": 1.0, "milliseconds": 1e3, "microseconds": 1e6, "nanoseconds": 1e9}
#: A numeral: ``float`` takes more than measured values need, such as 1_000, nan and other scripts.
_NUMERAL = re.compile(r"\s*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*", re.ASCII)


def numeral(text: str, decimal: str = ".") -> float | None:
    """Return the value of a numeral, None if the text is none; infinite where it is too large.

    The other decimal mark is refused, never taken as a separator of thousands.
    """
    if decimal == ",":
        text = text.replace(",", ".") if "." not in text else ""
    return float(text) if _NUMERAL.fullmatch(text) else None


def latest_s(now_s: float | None = None) -> float:
    """Return the latest time that a recording can hold: now and a day, for clocks and zones."""
    now_s = time.time() if now_s is None else now_s
    return now_s + DAY_S if now_s >= CLOCK_UNSET_BEFORE_S else _LATEST_S


def parse_time(value: object, decimal: str = ".") -> float:
    """Return Unix seconds of an ISO 8601 time with offset, or a number as it stands.

    Raises
    ------
    ValueError
        With a reason that names what is accepted.
    """
    if isinstance(value, str):
        text = value.strip()
        number = numeral(text, decimal)
        return _iso_seconds(text) if number is None else _finite(number, value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _finite(float(value), value)
    # Told as a bad value, not a bad type: it stands in somebody's file.
    raise ValueError(f"time {shown(value)} is neither ISO 8601 nor Unix seconds")


class Times:
    """The times of one recording; its first number tells the unit of all.

    Parameters
    ----------
    earliest_s, latest
        What can be true, Unix seconds.
    decimal
        Decimal mark of the numbers.

    Attributes
    ----------
    unit
        One of :data:`UNITS`; empty until a number was read.
    """

    def __init__(
        self, earliest_s: float = EARLIEST_S, latest: float | None = None, decimal: str = "."
    ) -> None:
        self.earliest_s = earliest_s
        self.latest_s = latest_s() if latest is None else latest
        self.unit = ""
        self._decimal = decimal

    def seconds(self, value: object) -> float:
        """Return Unix seconds of what a row says.

        Raises
        ------
        ValueError
            With a reason that names what is accepted.
        """
        found = parse_time(value, self._decimal)
        if isinstance(value, str) and numeral(value, self._decimal) is None:
            if not self.earliest_s <= found <= self.latest_s:
                raise ValueError(self._beyond(value))
            return found
        return self._counted(found, value)

    def scale(self, first: float) -> float:
        """Return how many units of a number make a second, by the first number of the file."""
        if not self.unit:
            self.unit = next((unit for unit in UNITS if self._can_be(first, unit)), "")
        return UNITS.get(self.unit, 1.0)

    def _can_be(self, number: float, unit: str) -> bool:
        return self.earliest_s <= number / UNITS[unit] <= self.latest_s

    def _counted(self, number: float, value: object) -> float:
        scale = self.scale(number)
        if self.unit and self._can_be(number, self.unit):
            return number / scale
        other = next((unit for unit in UNITS if self._can_be(number, unit)), "")
        if other:
            raise ValueError(
                f"time {shown(value)} is in {other}, the rows before it are in {self.unit}"
            )
        raise ValueError(self._beyond(value))

    def _beyond(self, value: object) -> str:
        earliest, latest = (
            datetime.fromtimestamp(s, UTC).date() for s in (self.earliest_s, self.latest_s)
        )
        return f"time {shown(value)} is not a believable time: accepted are {earliest} to {latest}"


def _finite(number: float, value: object) -> float:
    if not math.isfinite(number):
        raise ValueError(f"time {shown(value)} is not a believable time in Unix seconds")
    return number


def _iso_seconds(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"time {shown(text)} is neither ISO 8601 with an offset nor Unix seconds; write "
            f"2026-05-03T14:05:30Z or +02:00"
        ) from None
    if moment.tzinfo is None:
        raise ValueError(
            f"time {shown(text)} has no offset; write 2026-05-03T14:05:30Z or +02:00"
        ) from None
    return moment.timestamp()
