"""Takes readings to committed intervals: plausibility, condenser and writer in one place.

Live logging, replay and the demo all go through here, so a test of one holds for all.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

from logger.interval import FLOAT_SLACK, Condenser
from logger.plausibility.values import Plausibility
from logger.reading import MOST_WORDS
from logger.refusals import printable
from logger.store.faults import RefusedTime
from logger.store.raw import RawHours

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.config import Config
    from logger.interval import Interval
    from logger.reading import Reading
    from logger.refusals import Refusals
    from logger.sources.spacing import Spacing
    from logger.store.writer import Writer

#: Most intervals that wait for a commit; it bounds memory where readings come faster than real
#: time.
MOST_WAITING = 2000
#: A commit may be early by this, s: ticks divide ``commit_s`` exactly, but float sums do not.
COMMIT_SLACK_S = 0.1
#: The same state word is recorded again after this time, s: four rows a day while it lasts.
WORD_AGAIN_S = 6 * 3600.0


class Recorder:
    """Takes readings in order of time and commits intervals in few transactions.

    Each commit wears the memory card. While the charger rests and nothing changes, commits are
    ``commit_rest_s`` apart; while it runs, or after a change, at most ``commit_s``.

    Parameters
    ----------
    config
        Plausible limits, bands and lengths, spacing of commits.
    writer
        Receives the intervals.
    refusals
        Counts refused values.
    now_s
        The clock of the commits; it never steps.
    unsealed
        The source's messages carry no checksum, which their values then have to make up for.

    Attributes
    ----------
    state_since_s
        When the present state began, on the session's clock.
    """

    def __init__(
        self,
        config: Config,
        writer: Writer,
        refusals: Refusals,
        now_s: Callable[[], float] = time.monotonic,
        *,
        unsealed: bool = False,
    ) -> None:
        self.writer = writer
        self.refusals = refusals
        self.readings = 0
        self.newest: Reading | None = None
        self.state_since_s: float | None = None
        self._closed_j: float | None = None
        self._most_j: float | None = None
        self._told_s: dict[str, float] = {}
        self._plausibility = Plausibility.of(config, refusals, unsealed=unsealed)
        self._condenser = Condenser(config.log)
        self._raw = RawHours(config.store.raw_hours, writer.add_hour)
        self._store = config.store
        self._longest_rest_s = config.log.longest_rest_s
        self._changed = False
        self._now_s = now_s
        self._committed_s = now_s()
        self._live = writer.start.boot_id is not None
        self._refused = RefusedTime(
            refusals, config.log.interval_s, self._note_refused, live=self._live
        )

    def take(self, reading: Reading) -> None:
        """Check, condense and keep one reading; commit if it is time to."""
        clean = self._plausibility.clean(reading)
        if clean is None:
            return
        out_of_order = self._condenser.out_of_order
        closed = self._condenser.add(clean)
        if self._condenser.out_of_order > out_of_order:
            self.refusals.count("time does not lie after the reading before")
            return
        self.readings += 1
        last = self.newest
        if last is None or clean.state is not last.state or clean.word != last.word:
            self._state_changes(clean)
        self.newest = clean
        self._raw.add(clean)
        if closed is not None:
            self._add(closed)
            same = (
                clean.state is closed.state
                and closed.duration_s >= self._longest_rest_s - FLOAT_SLACK
            )
            self._changed |= not same
            if not self._live and self.writer.waiting >= MOST_WAITING:
                self.writer.commit()

    def _add(self, interval: Interval) -> None:
        self.writer.add(interval)
        if interval.energy_j is not None:
            self._closed_j = (self._closed_j or 0.0) + interval.energy_j

    def open_energy_j(self) -> float | None:
        """Return the energy of the open interval, J; None where none can be measured."""
        return self._condenser.energy_j()

    def energy_j(self) -> float | None:
        """Return the energy given since the start, J; None where none could be measured.

        It never falls, as a counter must: noise of a current round zero would let it.
        """
        open_j = self.open_energy_j()
        known = [part for part in (self._closed_j, open_j) if part is not None]
        if known:
            self._most_j = max(sum(known), self._most_j or 0.0)
        return self._most_j

    def _state_changes(self, reading: Reading) -> None:
        self.state_since_s = reading.time_s
        word = reading.word
        if not word or reading.time_s < self._told_s.get(word, -math.inf) + WORD_AGAIN_S:
            return
        if word in self._told_s or len(self._told_s) < MOST_WORDS:
            self._told_s[word] = reading.time_s
            self.writer.add_event(reading.time_s, "state_word", None, printable(word))

    def tick(self, again_in_s: float = 0.0) -> None:
        """Commit the closed intervals and the open one, if it is time to.

        The open interval is cut in two. So a power cut never costs more than ``commit_s`` of
        running or after a change, or ``commit_rest_s`` of a rest without change.

        Parameters
        ----------
        again_in_s
            Time until the next call: a commit that is due before then is made now.
        """
        now_s = self._now_s()
        if self._refused.is_due(now_s):
            self._refused.tick(now_s, self.spacing.usual_s)
        # Commit now what falls due before the next tick; ticks divide commit_s exactly, so allow
        # for float error.
        passed_s = now_s - self._committed_s + max(COMMIT_SLACK_S, again_in_s - COMMIT_SLACK_S)
        if passed_s < self._store.commit_s:
            return
        changed = self._changed or self._condenser.moved
        busy = changed or self.writer.must_commit or self._condenser.is_running()
        if not busy and passed_s < self._store.commit_rest_s:
            return
        self._committed_s, self._changed = now_s, False
        # While nothing can be written, do not cut: more intervals would fill the memory sooner.
        if not self.writer.stuck and (cut := self._condenser.cut()) is not None:
            self._add(cut)
        self.writer.commit()

    @property
    def spacing(self) -> Spacing:
        """How far apart the readings come."""
        return self._condenser.spacing

    def finish(self) -> None:
        """Close the open interval and commit everything."""
        self._refused.tick(self._now_s(), self.spacing.usual_s, last=True)
        if (last := self._condenser.flush()) is not None:
            self._add(last)
        self._raw.flush()
        self.writer.commit()

    def _note_refused(self, amount_s: float, reasons: str) -> None:
        at_s = self.writer.start.started_s if self.newest is None else self.newest.time_s
        self.writer.add_event(at_s, "refused", amount_s, reasons)
