"""Faults of the log itself, stored as events of its sessions; ``report`` and ``watch`` count them.

Code that notices a fault calls :meth:`logger.store.writer.Writer.add_event` with the kind of the
fault, such as ``store_full``; the next commit stores it. This module finds two of them: a session
that did not end, and data that were refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from logger.refusals import Refusals

#: Refused data are added up for this time and then stored as one event, s: 24 rows a day at most.
GATHER_S = 3600.0
#: Message at the start if the session before was cut short, by kind of event.
CUT_WORDS = {
    "power_cut": "the power was cut since the last time: up to a minute of data is lost",
    "logger_killed": "the logger ended without notice last time: up to a minute of data is lost",
}
#: The last interval of the session before is looked for among this many newest rows: a few days.
_NEAR = 10_000


def session_cut_short(
    connection: sqlite3.Connection, boot_id: str | None
) -> tuple[int, int, str] | None:
    """Find out whether the live session before this one ended without notice.

    Returns
    -------
    tuple or None
        Session, its last known instant (ms on its own clock), and the kind of event:
        ``power_cut`` if this is another boot of the board, else ``logger_killed``.
    """
    if boot_id is None:
        return None
    row = connection.execute(
        "SELECT id, boot_id, started_ms, ended_ms FROM sessions "
        "WHERE boot_id IS NOT NULL AND origin IS NULL ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if row is None or row[3] is not None:
        return None
    session, its_boot, started_ms, _ = row
    last = connection.execute(
        "SELECT start_ms + duration_ms FROM intervals WHERE session = ? AND id > "
        "(SELECT max(id) FROM intervals) - ? ORDER BY id DESC LIMIT 1",
        (session, _NEAR),
    ).fetchone()
    kind = "logger_killed" if its_boot == boot_id else "power_cut"
    return session, started_ms if last is None else last[0], kind


class RefusedTime:
    """Adds up how much data a source refused, and notes it once an hour.

    Parameters
    ----------
    refusals
        Counts of the source.
    interval_s
        Time that one refusal stands for until the spacing of the readings is found, s.
    note
        Receives the seconds of refused data and the reasons.
    live
        Whether readings come in real time: then the refused time cannot exceed the time passed.
    """

    def __init__(
        self,
        refusals: Refusals,
        interval_s: float,
        note: Callable[[float, str], None],
        *,
        live: bool,
    ) -> None:
        self._refusals = refusals
        self._interval_s = interval_s
        self._note = note
        self._live = live
        self._noted_s: float | None = None
        self._before: dict[str, int] = {}

    def is_due(self, now_s: float) -> bool:
        """Tell whether it is time for the next note, or for the first call of :meth:`tick`."""
        return self._noted_s is None or now_s - self._noted_s >= GATHER_S

    def tick(self, now_s: float, spacing_s: float | None = None, *, last: bool = False) -> None:
        """Note the data refused since the last note if an hour has passed, or at the end.

        ``now_s`` is on any clock that does not step; ``spacing_s`` is the spacing found so far.
        """
        if self._noted_s is None:
            self._noted_s = now_s
        passed_s = now_s - self._noted_s
        if passed_s < GATHER_S and not last:
            return
        self._noted_s = now_s
        now = self._refusals.by_reason
        grown = {
            reason: count - self._before.get(reason, 0)
            for reason, count in now.items()
            if count > self._before.get(reason, 0)
        }
        if not grown:
            return
        self._before = dict(now)
        spacing_s = spacing_s or self._interval_s
        refused_s = sum(grown.values()) * spacing_s
        if self._live:
            refused_s = min(refused_s, max(passed_s, spacing_s))
        reasons = sorted(grown.items(), key=lambda item: -item[1])[:3]
        self._note(
            refused_s,
            ", ".join(f"{reason} ({count} x)" for reason, count in reasons),
        )
