"""Joins the readings of two sources by their times.

The first source sets the pace: each of its readings is given with the nearest one of the other
source beside it, if that lies within ``join_s``. A channel comes from the first source that gives
it. Where the first source is silent, the readings of the other are given alone::

    first    |    |    |                   |    |
    second     |    |    |    |    |    |    |
    given    12   12   12     2    2    2  12   12

Nothing is made up: a value is never carried further than ``join_s``.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from logger.reading import CHANNELS, OperatingState

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.reading import Reading

#: Readings of a source that are held at most; at one a second that is an hour.
MOST_WAITING = 3600


class Joiner:
    """Takes the readings of two sources, each in order of time, and gives the joined ones.

    Parameters
    ----------
    join_s
        For each source, how far in time its readings count, s.
    compare
        Told each pair of readings of one time: the first source's, then the other's.
    dropped
        Told why, for each reading that is dropped: none of its values is given.

    Attributes
    ----------
    down
        For each source, whether its link is known to give nothing now: nobody waits for it.
    """

    def __init__(
        self,
        join_s: tuple[float, float],
        compare: Callable[[Reading, Reading], None],
        dropped: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.down = [False, False]
        self._join_s = join_s
        self._compare = compare
        self._dropped = dropped
        self._waiting: tuple[deque[Reading], deque[Reading]] = (deque(), deque())
        self._newest_s = [-math.inf, -math.inf]
        self._given_s = -math.inf  # the newest reading of the first source that was given
        self._last_s = -math.inf  # the newest reading that was given
        # Of the second source, no longer waiting; the oldest goes where there are too many: the
        # nearest partner of a reading still to come is among the newest.
        self._partners: deque[Reading] = deque(maxlen=MOST_WAITING)

    @property
    def waits(self) -> bool:
        """Tell whether any reading waits."""
        return bool(self._waiting[0] or self._waiting[1])

    @property
    def held(self) -> int:
        """How many readings are in memory."""
        return len(self._waiting[0]) + len(self._waiting[1]) + len(self._partners)

    def add(self, which: int, reading: Reading) -> None:
        """Take a reading of source 0 or 1; the oldest is dropped where too many wait."""
        waiting = self._waiting[which]
        if len(waiting) >= MOST_WAITING:
            waiting.popleft()
            self._dropped("too many readings waited for the other source")
        waiting.append(reading)
        self._newest_s[which] = max(self._newest_s[which], reading.time_s)

    def ready(self, now_s: float, wait_s: float) -> list[Reading]:
        """Return the readings that can be given, in order of time.

        Parameters
        ----------
        now_s
            The time now, on the clock of the readings.
        wait_s
            How long after its time a reading may still arrive.
        """
        given: list[Reading] = []
        first, second = self._waiting
        while first or second:
            if first and (not second or first[0].time_s <= second[0].time_s):
                time_s = first[0].time_s
                known = self._newest_s[1] >= time_s or self.down[1]
                if not known and now_s < time_s + wait_s:
                    break
                self._give(given, self._joined(first.popleft()))
            elif (alone := self._alone(second[0].time_s, now_s, wait_s)) is None:
                break
            else:
                reading = second.popleft()
                self._partners.append(reading)
                if alone:
                    self._give(given, reading)
                self._forget_partners(self._last_s)
        return given

    def _give(self, given: list[Reading], reading: Reading) -> None:
        """Give a reading, unless a later one was given while nobody waited for it."""
        if reading.time_s > self._last_s:
            self._last_s = reading.time_s
            given.append(reading)
        else:
            self._dropped("came after a later reading of the other source was logged")

    def _forget_partners(self, before_s: float) -> None:
        """Forget what no reading of that time or later can be joined with."""
        while self._partners and self._partners[0].time_s < before_s - self._join_s[1]:
            self._partners.popleft()

    def rest(self) -> list[Reading]:
        """Return whatever still waits, without waiting any longer."""
        return self.ready(math.inf, 0.0)

    def _alone(self, time_s: float, now_s: float, wait_s: float) -> bool | None:
        """Tell whether the first source has nothing near this time; None if it may still come."""
        join_s = self._join_s[0]
        if self._given_s >= time_s - join_s:
            return False
        first = self._waiting[0]
        if first:
            return first[0].time_s > time_s + join_s
        if self.down[0] or now_s >= time_s + join_s + wait_s:
            return True
        return None

    def _joined(self, reading: Reading) -> Reading:
        self._given_s = time_s = reading.time_s
        join_s = self._join_s[1]
        self._forget_partners(time_s)
        near = [*self._partners]
        for partner in self._waiting[1]:
            if partner.time_s > time_s + join_s:
                break
            near.append(partner)
        nearest = min(near, key=lambda p: abs(p.time_s - time_s), default=None)
        if nearest is None or abs(nearest.time_s - time_s) > join_s:
            return reading
        self._compare(reading, nearest)
        return merged(reading, nearest)


def merged(first: Reading, second: Reading) -> Reading:
    """Return the first reading, completed by the second where it has no value."""
    values: dict[str, Any] = {
        name: value
        for name in (*CHANNELS, "utc_s")
        if getattr(first, name) is None and (value := getattr(second, name)) is not None
    }
    joined = replace(first, **values)
    if first.state is OperatingState.UNKNOWN and not first.word:
        return replace(joined, state=second.state, word=second.word)
    return joined
