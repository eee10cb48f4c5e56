"""Keeps the rows that wait for a commit, and reports while the disk is full or write-protected."""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.errors import StoreUnwritableError
    from logger.store.raw import PackedHour

    Row = tuple[int | None, ...]
    EventRow = tuple[int, str, float | None, str]

#: Most intervals held in memory, about 3 MB: three days of steady running, a month of rest.
MOST_HELD = 5000
#: Most events held: a fault that repeats must not fill the memory.
MOST_EVENTS = 500
#: Most packed hours of raw readings held, some 10 kB each.
MOST_HOURS = 64


class Waiting:
    """Rows that are not committed yet, without their session; if there are too many, the newest.

    ``dropped`` counts the dropped intervals, ``dropped_raw`` the dropped raw readings.
    """

    def __init__(self) -> None:
        self.rows: deque[Row] = deque()
        self.events: deque[EventRow] = deque(maxlen=MOST_EVENTS)
        self.hours: deque[PackedHour] = deque()
        self.dropped = self.dropped_raw = 0

    def __bool__(self) -> bool:
        """Tell whether anything waits."""
        return bool(self.rows or self.events or self.hours)

    def add(self, row: Row) -> None:
        """Keep one row; drop the oldest if there are too many."""
        if len(self.rows) >= MOST_HELD:
            self.rows.popleft()
            self.dropped += 1
        self.rows.append(row)

    def add_event(self, event: EventRow) -> None:
        """Keep one event."""
        self.events.append(event)

    def add_hour(self, packed: PackedHour) -> bool:
        """Keep one hour of raw readings, and drop the oldest if there are too many.

        Returns whether the limit is reached.
        """
        if len(self.hours) >= MOST_HOURS:
            self.dropped_raw += self.hours.popleft().readings
        self.hours.append(packed)
        return len(self.hours) >= MOST_HOURS

    def newest_ms(self, otherwise: int) -> int:
        """Return the end of the newest row on the session's clock."""
        if not self.rows:
            return otherwise
        start_ms, duration_ms = self.rows[-1][:2]
        return (start_ms or 0) + (duration_ms or 0)

    def clear(self) -> None:
        """Forget the rows after their commit."""
        self.rows.clear()
        self.events.clear()
        self.hours.clear()
        self.dropped = self.dropped_raw = 0

    def losses(self) -> str:
        """Say how much was dropped."""
        raw = f" and {self.dropped_raw} raw readings" if self.dropped_raw else ""
        return f"{self.dropped} intervals{raw} lost"


class Shortage:
    """A time in which the store cannot be written; it is reported at its beginning and its end.

    Parameters
    ----------
    tell
        Receives a line for a person.
    """

    def __init__(self, tell: Callable[[str], None]) -> None:
        self._tell = tell
        self._since_s: float | None = None
        self._since_ms = 0
        self._kind = ""

    @property
    def lasts(self) -> bool:
        """Tell whether writing failed the last time."""
        return self._since_s is not None

    def begins(self, reason: StoreUnwritableError, at_ms: int) -> None:
        """Note that writing failed; ``at_ms`` is on the session's clock."""
        if self.lasts:
            return
        self._since_s, self._since_ms, self._kind = time.monotonic(), at_ms, reason.kind
        self._tell(f"{reason}. Logging goes on in memory, up to {MOST_HELD} intervals.")

    def events(self, waiting: Waiting) -> list[EventRow]:
        """Return the events of the shortage: none, one, or a second one for raw readings."""
        if self._since_s is None:
            return []
        words = self._words(waiting)
        events: list[EventRow] = [(self._since_ms, self._kind, float(waiting.dropped), words)]
        if waiting.dropped_raw:
            events.append((self._since_ms, "raw_dropped", float(waiting.dropped_raw), words))
        return events

    def ends(self, waiting: Waiting) -> None:
        """Note that writing succeeded."""
        if self._since_s is None:
            return
        self._tell(f"The log can be written again: {self._words(waiting)}.")
        self._since_s = None

    def _words(self, waiting: Waiting) -> str:
        lasted_s = time.monotonic() - (self._since_s or 0.0)
        return f"after {lasted_s / 60.0:.0f} min, {waiting.losses()}"
