"""From readings to committed intervals: plausibility, condenser and writer in one place.

Live logging, replay and the demo all go through here, so what is tested in one holds for all.
"""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

from logger.interval import HAIR, Condenser
from logger.plausibility import Plausibility
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

#: Intervals that may wait for a commit: bounds memory where readings come faster than real time.
MOST_WAITING = 2000
#: Times of commits that differ by less count as the same, s.
HAIR_S = 0.1
#: A word for the state that is none of ours, or a fault, is recorded at most this often, s.
WORD_AGAIN_S = 6 * 3600.0


class Recorder:
    """Takes readings in order of time and commits intervals in few transactions.

    Each commit wears the memory card, so while nothing changes at rest they are ``commit_rest_s``
    apart; while the charger runs, or anything changed, at most ``commit_s``.

    Parameters
    ----------
    config
        Plausible limits, bands and lengths, rhythm of commits.
    writer
        Where intervals go.
    refusals
        Where refused values are counted.
    now_s
        The clock by which commits are due; it never steps.

    Attributes
    ----------
    state_since_s
        Since when the state is what the newest reading says, on the session's clock.
    """

    def __init__(
        self,
        config: Config,
        writer: Writer,
        refusals: Refusals,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.writer = writer
        self.refusals = refusals
        self.readings = 0
        self.newest: Reading | None = None
        self.state_since_s: float | None = None
        self._told_s: dict[str, float] = {}
        self._plausibility = Plausibility(config.plausible, refusals)
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
            self.writer.add(closed)
            same = clean.state is closed.state and closed.duration_s >= self._longest_rest_s - HAIR
            self._changed |= not same
            if not self._live and self.writer.waiting >= MOST_WAITING:
                self.writer.commit()

    def _state_changes(self, reading: Reading) -> None:
        self.state_since_s = reading.time_s
        word = reading.word
        if not word or reading.time_s < self._told_s.get(word, -math.inf) + WORD_AGAIN_S:
            return
        if word in self._told_s or len(self._told_s) < MOST_WORDS:
            self._told_s[word] = reading.time_s
            self.writer.add_event(reading.time_s, "state_word", None, printable(word))

    def tick(self, again_in_s: float = 0.0) -> None:
        """Commit what is closed and what is open if it is time to.

        The open interval is cut in two, so that a power cut never costs more than ``commit_s`` of
        running or of anything that changed, or ``commit_rest_s`` of a rest without a change.

        Parameters
        ----------
        again_in_s
            When this will be called next: too late for a commit that falls due before.
        """
        now_s = self._now_s()
        self._refused.tick(now_s, self.spacing.usual_s)
        # In a rhythm of whole parts of the limit a hair must not decide.
        passed_s = now_s - self._committed_s + max(HAIR_S, again_in_s - HAIR_S)
        if passed_s < self._store.commit_s:
            return
        changed = self._changed or self._condenser.moved
        busy = changed or self.writer.pressed or self._condenser.is_running()
        if not busy and passed_s < self._store.commit_rest_s:
            return
        self._committed_s, self._changed = now_s, False
        # What cannot be written yet is not cut: it would only fill the memory sooner.
        if not self.writer.stuck and (cut := self._condenser.cut()) is not None:
            self.writer.add(cut)
        self.writer.commit()

    @property
    def spacing(self) -> Spacing:
        """How far apart the readings come."""
        return self._condenser.spacing

    def peek(self) -> Interval | None:
        """Return the interval that is open, as it stands."""
        return self._condenser.peek()

    def finish(self) -> None:
        """Close the open interval and commit everything."""
        self._refused.tick(self._now_s(), self.spacing.usual_s, last=True)
        if (last := self._condenser.flush()) is not None:
            self.writer.add(last)
        self._raw.flush()
        self.writer.commit()

    def _note_refused(self, amount_s: float, reasons: str) -> None:
        at_s = self.writer.start.started_s if self.newest is None else self.newest.time_s
        self.writer.add_event(at_s, "refused", amount_s, reasons)
