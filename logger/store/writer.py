"""The one writer: keeps new intervals in memory and commits them in few, synchronised transactions.

The number of commits sets the wear of a memory card. So a commit is made at most every
``commit_s``, and the write-ahead log is never truncated while running.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Self

from logger.errors import StoreDamagedError, StoreError, StoreUnwritableError
from logger.store.blocks import pack
from logger.store.faults import session_cut_short
from logger.store.files import BUSY_TIMEOUT_S, DAMAGED_WORDS, open_writer, translated
from logger.store.identity import OpenFile, Standing, keep_contents
from logger.store.raw import write_hour
from logger.store.records import (
    INSERT_EVENT,
    INSERT_INTERVAL,
    SessionStart,
    begin_session,
    correct_boot,
    interval_row,
)
from logger.store.repair.leftovers import find_leftovers
from logger.store.repair.mending import Mending
from logger.store.shortage import Shortage, Waiting

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from logger.config import ChargerConfig
    from logger.interval import Interval
    from logger.store.raw import PackedHour

#: Size of SQLite's page cache in a live session, KiB; ``_connect`` has the reason.
CACHE_KIB = 512
#: Longest wait of a live session for another program's write, s: it tries again a minute later.
_PATIENCE_S = 1.0


class Writer:
    """Writes one session of one fitting. Use as a context manager, or call ``close``.

    A live session survives a full or write-protected disk: the newest rows stay in memory, dropped
    rows are counted, and rows and counts are written when there is room. The same holds while a
    damaged file is set aside and its readable part is copied into a new one. The whole file is
    checked beside the running session. A recording can be read again, so there each of these is an
    error.

    Parameters
    ----------
    path
        The database.
    charger
        The fitting that is logged.
    session
        Start of the session.
    tell
        Receives messages for a person: once when trouble begins, once when it is over.

    Raises
    ------
    StoreError
        On opening and on committing; uncommitted rows stay in memory.
    """

    def __init__(
        self,
        path: Path,
        charger: ChargerConfig,
        session: SessionStart,
        tell: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.path = path
        self.start = session
        #: Ids in the file; 0 until the session could be begun there.
        self.session = self.fitting = 0
        #: If the live session before ended without notice: the kind of event that tells why.
        self.cut_before: str | None = None
        self._charger = charger
        self._connection: sqlite3.Connection | None = None
        self._file: OpenFile | None = None
        self._patience_s = _PATIENCE_S
        self._begun = False
        self._waiting = Waiting()
        self._offset: tuple[int, int] | None = None
        #: The offset that was written last; a new file gets it, too.
        self._known_offset: tuple[int, int] | None = None
        self._shortage = Shortage(tell) if session.boot_id is not None else None
        self._tell = tell
        self._mending = Mending(path, charger)
        for found in find_leftovers(path):
            tell(found)
            self._waiting.add_event((self._newest_ms(), "store_damaged", None, found))
        self._attempt(self._begin)
        if self._shortage is not None and not self._mending.mending:
            self._mending.check()

    def add(self, interval: Interval) -> None:
        """Keep an interval for the next commit."""
        self._waiting.add(interval_row(interval))

    def add_hour(self, packed: PackedHour) -> None:
        """Keep an hour of raw readings for the next commit; a recording commits if many wait.

        While the disk is full, the newest hours stay in memory; the oldest are dropped and counted.
        """
        if self._waiting.add_hour(packed) and self._shortage is None:
            self.commit()

    @property
    def waiting(self) -> int:
        """Number of intervals that are not committed yet."""
        return len(self._waiting.rows)

    @property
    def stuck(self) -> bool:
        """Tell whether nothing can be written for now."""
        return self._mending.mending or (self._shortage is not None and self._shortage.lasts)

    @property
    def must_commit(self) -> bool:
        """Tell whether an event waits, or writing must be tried again."""
        return bool(self._waiting.events) or self.stuck or self._mending.needs_attention

    def add_event(
        self, at_s: float, kind: str, amount: float | None = None, text: str = ""
    ) -> None:
        """Keep an event of this session for the next commit; ``at_s`` is on its clock."""
        self._waiting.add_event((round(at_s * 1000.0), kind, amount, text))

    def offset_of_boot(self) -> tuple[float, int] | None:
        """Return offset and quality of an earlier session of this boot, None if there is none."""
        if self._connection is None:
            return None
        with translated(self.path):
            row = self._connection.execute(
                "SELECT offset_ms, offset_quality FROM sessions WHERE id <> ? AND boot_id = "
                "(SELECT boot_id FROM sessions WHERE id = ?) ORDER BY offset_quality DESC, id DESC",
                (self.session, self.session),
            ).fetchone()
        return None if row is None else (row[0] / 1000.0, row[1])

    def set_offset(self, offset_s: float, quality: int) -> None:
        """Correct the offset of every session of this boot, and the dates of its fittings."""
        self._offset = (round(offset_s * 1000.0), quality)
        self._attempt(self._write)

    def commit(self) -> None:
        """Write all waiting rows, in one synchronised transaction."""
        if self._waiting or self._offset is not None or self._mending.needs_attention:
            self._attempt(self._write)

    def close(self, ended_s: float | None = None) -> None:
        """Commit the waiting rows, mark the session as ended if ``ended_s`` is given, and close."""
        # This is the last try, so wait longer for another program's write.
        self._patience_s = BUSY_TIMEOUT_S
        self._be_patient()
        try:
            self._mending.wait()
            self.commit()
            if ended_s is not None:
                self._attempt(lambda: self._end(round(ended_s * 1000.0)))
        finally:
            self._disconnect()
            self._mending.close()
            if self._shortage is not None and self.waiting:
                self._tell(f"{self.path}: {self.waiting} intervals could not be written")

    def __enter__(self) -> Self:
        """Return the writer itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Commit and close, without marking the session as ended."""
        self.close()

    def _attempt(self, work: Callable[[], None]) -> None:
        """Run one piece of writing; a live session notes why it failed instead of raising."""
        if self._shortage is None:
            work()
            return
        try:
            if self._is_whole():
                work()
        except StoreUnwritableError as error:
            self._shortage.begins(error, self._newest_ms())
        except StoreDamagedError:
            # Tell it once: on a full disk the mending is tried again and again.
            if not self._shortage.lasts:
                self._tell(
                    f"{self.path}: is damaged and will be set aside; logging goes on in memory"
                )
            self._disconnect()
            self._mending.mend()

    def _is_whole(self) -> bool:
        """Tell whether the file may be written; it may not while it is being mended."""
        if self._mending.damaged():
            raise StoreDamagedError(f"{self.path}: {DAMAGED_WORDS}")
        if not self._mending.mending:
            return True
        salvaged = self._mending.mended()
        if salvaged is None:
            return False
        self._tell(str(salvaged))
        self._waiting.add_event(
            (self._newest_ms(), "store_damaged", float(salvaged.lost), str(salvaged))
        )
        return True

    def _newest_ms(self) -> int:
        return self._waiting.newest_ms(round(self.start.started_s * 1000.0))

    def _disconnect(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = None
        if self._file is not None:
            self._file.close()
        self._file = None

    def _be_patient(self) -> None:
        if self._connection is not None and self._shortage is not None:
            self._connection.execute(f"PRAGMA busy_timeout = {self._patience_s * 1000.0:.0f}")

    def _look_at_file(self) -> None:
        """Save the content of a file that was deleted, moved or replaced since the last commit."""
        if self._connection is None or self._file is None:
            return
        standing = self._file.standing()
        if standing is Standing.THERE:
            return
        if self._shortage is None:
            raise StoreError(
                f"{self.path}: {standing.value} while it was written; run the command again"
            )
        said = keep_contents(self._connection, self._file, standing)
        self._disconnect()
        self._tell(said)
        self._waiting.add_event((self._newest_ms(), "store_replaced", None, said))

    def _connect(self) -> sqlite3.Connection:
        try:
            connection = open_writer(self.path)
        except (StoreUnwritableError, StoreDamagedError):
            raise
        except StoreError as error:
            if self._shortage is None or not self._begun:
                raise
            # Another file has taken the name. Keep the waiting rows and try again later.
            raise StoreUnwritableError(str(error)) from error
        self._connection, self._file = connection, OpenFile(self.path)
        if self._shortage is not None:
            self._be_patient()
            # A commit touches few pages; SQLite's default cache of 2 MB would only cost memory.
            connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        return connection

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """Give a connection inside one transaction in which the session has begun."""
        self._look_at_file()
        connection = self._connection
        if connection is None:
            connection = self._connect()
            if not self._is_known(connection):
                self.session = 0
        before = self.session
        try:
            with translated(self.path), connection:
                connection.execute("BEGIN IMMEDIATE")
                if not self.session:
                    self._begin_in(connection)
                yield connection
        except StoreError:
            self.session = before
            raise
        self._begun = True
        if self._file is not None:
            self._file.committed()

    def _is_known(self, connection: sqlite3.Connection) -> bool:
        """Tell whether the file holds this session; a mended file may have lost it."""
        with translated(self.path):
            row = connection.execute(
                "SELECT 1 FROM sessions WHERE id = ? AND boot_id IS ? AND started_ms = ?",
                (self.session, self.start.boot_id, round(self.start.started_s * 1000.0)),
            ).fetchone()
        return row is not None

    def _begin(self) -> None:
        with self._transaction():
            pass

    def _begin_in(self, connection: sqlite3.Connection) -> None:
        """Begin the session, again if the file in which it had begun is no longer there."""
        cut = None if self._begun else session_cut_short(connection, self.start.boot_id)
        if cut is not None:
            before, at_ms, self.cut_before = cut
            connection.execute(INSERT_EVENT, (before, at_ms, self.cut_before, None, ""))
        self.fitting, self.session = begin_session(connection, self._charger, self.start)
        if self._known_offset is not None:
            correct_boot(connection, self.session, *self._known_offset)

    def _write(self) -> None:
        waiting, shortage = self._waiting, self._shortage
        with self._transaction() as connection:
            connection.executemany(INSERT_INTERVAL, ((self.session, *row) for row in waiting.rows))
            pack(connection, most=1)
            for hour in waiting.hours:
                write_hour(connection, self.session, hour)
            events = list(waiting.events)
            if shortage is not None:
                events += shortage.events(waiting)
            connection.executemany(INSERT_EVENT, ((self.session, *event) for event in events))
            if self._offset is not None:
                correct_boot(connection, self.session, *self._offset)
        if shortage is not None:
            shortage.ends(waiting)
        waiting.clear()
        self._known_offset = self._offset or self._known_offset
        self._offset = None

    def _end(self, ended_ms: int) -> None:
        with self._transaction() as connection:
            connection.execute(
                "UPDATE sessions SET ended_ms = ? WHERE id = ?", (ended_ms, self.session)
            )
