"""``ebbwatt log``: one supervised loop from source to store, with a live snapshot beside it.

It runs in the foreground for a service manager. It ends with status 0 on SIGTERM, SIGINT or SIGHUP,
or when a finite source (a recording) has ended; and with 1 if intervals could not be written at the
end. Committed intervals are never lost.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from logger import __version__
from logger.clock import BoardClock, ClockKeeper, SystemClock
from logger.recorder import Recorder
from logger.sources import is_unsealed, open_source, patient
from logger.sources.link.supervision import LinkState, LinkStatus, best_of, supervise
from logger.store.faults import CUT_WORDS
from logger.store.file_format.carried import carry
from logger.store.lock import StoreLock
from logger.store.records import SessionStart
from logger.store.writer import Writer
from logger.system.notify import Notifier
from logger.system.onlookers import Onlookers
from logger.system.signals import end_with, nothing_happens
from logger.system.snapshot import Snapshot, SnapshotFile, snapshot_path
from logger.system.waking import woken

if TYPE_CHECKING:
    from collections.abc import Coroutine

    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.base import Source

log = logging.getLogger("ebbwatt")

#: A reading renews the snapshot if the last one is at least this old, s: once a second for readings
#: of 1 Hz, without a wake-up of its own.
RENEW_S = 0.9
#: Without readings the snapshot is renewed after this time, s.
SILENT_S = 2.0
#: While nobody watches, readings are collected and handled together at this spacing, s: each
#: wake-up costs as much as several readings (measured: tests/bench/RESULTS.md).
HOLD_S = 7.5
#: Notices kept for the dashboard.
_MOST_NOTICES = 5


def run(config: Config) -> int:
    """Log until the source is exhausted or a signal comes; return the exit status.

    Raises
    ------
    logger.errors.EbbwattError
        If the configuration or the database is wrong, or the source gives up for good.
    """
    nothing_happens()
    return asyncio.run(Daemon(config).run())


class Daemon:
    """One process that logs one source into one database.

    Parameters
    ----------
    config
        The configuration.
    clock
        The board's clocks, this machine's if left out.
    """

    def __init__(self, config: Config, clock: BoardClock | None = None) -> None:
        self.config = config
        self._notices: list[str] = []
        self._link_notices: dict[str, str] = {}
        self.clock = clock or SystemClock()
        self.source: Source = open_source(config)
        self._keeper = ClockKeeper(self.clock) if self.source.live else None
        session = (
            SessionStart(self.source.describe(), self.clock.wall_s(), version=__version__)
            if self._keeper is None
            else self._keeper.session(self.source.describe())
        )
        session = replace(session, configuration=carry(config.document.data))
        self._lock = StoreLock(config.store.path, self._tell)
        self._lock.hold()
        try:
            self.writer = Writer(config.store.path, config.charger, session, self._tell)
        except BaseException:
            self._lock.release()
            raise
        self.recorder = Recorder(
            patient(config, self.source),
            self.writer,
            self.source.refusals,
            unsealed=is_unsealed(self.source),
        )
        self._statuses: dict[str, LinkStatus] = {}
        self._newest_s = 0.0
        self._renewed_s = 0.0
        self._described = self.source.describe()
        self._blind = False
        self._spacing_told = False
        self._judged_s: tuple[float | None, float | None] = (None, None)
        self._snapshot = snapshot_path(config.store.path)
        self._onlookers = Onlookers(self._snapshot)
        self._live_file = SnapshotFile(self._snapshot)
        # The hold divides commit_s, so that a commit falls on the end of a hold.
        commit_s = config.store.commit_s
        self._longest_hold_s = commit_s / math.ceil(commit_s / HOLD_S)
        self._hold_s = 0.0
        self._fresh = False
        self._wake = asyncio.Event()
        self._notifier = Notifier()
        if self.writer.cut_before is not None:
            log.warning(CUT_WORDS[self.writer.cut_before])
        if self._keeper is not None:
            self._keeper.begin(self.writer)

    async def run(self) -> int:
        """Run until the end; see :func:`run`."""
        loop = asyncio.get_running_loop()
        reading = loop.create_task(self._drive(), name="source")
        end_with(reading.cancel)
        beat = loop.create_task(self._beat(), name="beat")
        self._notifier.ready()
        log.info("logging %s into %s", self.source.describe(), self.config.store.path)
        try:
            done, _ = await asyncio.wait({reading, beat}, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                if not task.cancelled():
                    task.result()
        finally:
            self._notifier.stopping()
            reading.cancel()
            beat.cancel()
            await asyncio.gather(reading, beat, return_exceptions=True)
            await self.source.close()
            for last in self.source.rest():
                self.recorder.take(last)
            self.recorder.finish()
            self._tell_spacing()
            newest = self.recorder.newest
            # Close the session even if no reading came, so that it does not count as cut short.
            self.writer.close(self.writer.start.started_s if newest is None else newest.time_s)
            if not self._blind:
                with contextlib.suppress(OSError):
                    self._snapshot.unlink()
            self._onlookers.close()
            self._lock.release()
        log.info(
            "ended: %d readings, %d refused", self.recorder.readings, self.source.refusals.total
        )
        return 1 if self.writer.waiting else 0

    def _drive(self) -> Coroutine[Any, Any, None]:
        """Return what reads the source, or both of two sources, until the end."""
        if self.config.sources:
            from logger.sources.several.together import Together

            if isinstance(self.source, Together):
                self.source.tell = self._tell
                return self.source.drive(self._take, self._note)
        return supervise(self.source, self._take, self._note)

    def _take(self, reading: Reading) -> None:
        self.recorder.take(reading)
        now_s = self.clock.boottime_s()
        self._newest_s = reading.time_s if self.source.live else now_s
        if self._keeper is not None:
            self._keeper.hear(reading)
        if now_s - self._renewed_s >= RENEW_S:
            self._fresh = True
            self._wake.set()

    def _note(self, status: LinkStatus) -> None:
        which = status.source
        self._statuses[which] = status
        reason = status.reason and f", {status.reason}"
        log.debug("link%s: %s%s", which and f" {which}", status.state, reason)
        if status.notice:
            log.warning("%s: %s", which or self.source.describe(), status.notice)
        if status.state is LinkState.WAITING:
            self.recorder.spacing.link_lost()
        # The dashboard shows what is wrong with the link until it is live again.
        if status.state is LinkState.LIVE:
            self._link_notices.pop(which, None)
        elif status.notice:
            self._link_notices[which] = f"{which}: {status.notice}" if which else status.notice
        self._renew()

    def _link(self) -> tuple[str, str]:
        """Return the state of the link, of two that of the better one, and why it is not live."""
        return best_of(self._statuses.values())

    def _tell(self, notice: str) -> None:
        """Show a notice in the journal and on the dashboard."""
        log.warning("%s", notice)
        self._notices = [*self._notices[1 - _MOST_NOTICES :], notice]

    def _tell_spacing(self) -> None:
        """Tell once if readings come at another spacing than the configuration says."""
        each_s = self.recorder.spacing.each_s
        if self._spacing_told or each_s == self._judged_s:
            return
        self._judged_s = each_s
        if words := self.recorder.spacing.wrong_words():
            self._spacing_told = True
            self._tell(words)

    async def _beat(self) -> None:
        """Renew the snapshot after readings, and at least every ``SILENT_S`` without any."""
        loop = asyncio.get_running_loop()
        while True:
            silent_s = min(SILENT_S + self._hold_s, self._notifier.period_s)
            left_s = self._renewed_s + silent_s - self.clock.boottime_s()
            if self._fresh or left_s <= 0.0:
                self._renew()
                continue
            self._wake.clear()
            await woken(self._wake, loop.time() + left_s)

    def _renew(self) -> None:
        """Commit if it is time, check the clocks, write the snapshot, notify the service manager.

        While somebody watches, readings are handled as they come. The notification shows that the
        loop runs and that the writer has returned. A silent charger does not stop it, because that
        is not a fault of this process.
        """
        self._fresh = False
        self._hold_s = 0.0 if self._onlookers.present() else self._longest_hold_s
        self.source.hold(self._hold_s)
        self._lock.hold()
        self.recorder.tick(self._hold_s)
        if self._keeper is not None and (corrected := self._keeper.look(self.writer)):
            self._tell(corrected)
        self._tell_spacing()
        self._renewed_s = self.clock.boottime_s()
        try:
            self._live_file.write(self._now())
        except OSError as error:
            # Without the snapshot the dashboard shows nothing new, but logging continues.
            if not self._blind:
                self._tell(f"{self._snapshot}: cannot be written: {error.strerror}")
            self._blind = True
        else:
            self._blind = False
        self._notifier.alive(self._renewed_s, self._state)

    def _state(self) -> str:
        """Return the state in a few words, for the service manager."""
        link, _ = self._link()
        waiting = self.writer.waiting
        return f"{link}; {self.recorder.readings} readings; {waiting} intervals wait for the disk"

    def _now(self) -> Snapshot:
        now_s = self.clock.boottime_s()
        recorder, (link, link_reason) = self.recorder, self._link()
        offset_s = 0.0 if self._keeper is None else self._keeper.belief.offset_s
        return Snapshot(
            boottime_s=now_s,
            written_s=now_s + offset_s if self._keeper else self.clock.wall_s(),
            boot_id=self.clock.boot_id(),
            session=self.writer.session,
            source=self._described,
            link=link,
            link_reason=link_reason,
            reading=recorder.newest,
            reading_age_s=None if recorder.newest is None else now_s - self._newest_s,
            open_energy_j=recorder.open_energy_j(),
            energy_j=recorder.energy_j(),
            waiting_intervals=self.writer.waiting,
            readings=recorder.readings,
            refused=dict(self.source.refusals.by_reason),
            notices=(*self._notices, *self._link_notices.values()),
            gap_s=recorder.spacing.gap_s,
            state_since_utc_s=(
                None if recorder.state_since_s is None else recorder.state_since_s + offset_s
            ),
        )
