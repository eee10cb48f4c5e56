"""The last week of the log in plain numbers: the battery's day, and the energy of each day.

The dashboard has arrays for this; the publisher must stay small, so here are lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from analysis.physics import J_PER_KWH
from logger.durations import DAY_S
from logger.store.reader import Reader

if TYPE_CHECKING:
    from datetime import date, tzinfo
    from pathlib import Path

#: Number of days that the page shows: a week.
DAYS = 7
_COLUMNS = ("session", "start_ms", "duration_ms", "energy_mj", "voltage_mean_mv")


@dataclass(frozen=True, slots=True)
class Recent:
    """The part of the log that the page shows."""

    voltage: tuple[tuple[float, float], ...]
    """(Unix time, V) of the last 24 hours, in order of time."""
    energy_kwh: tuple[tuple[date, float | None], ...]
    """Energy of the last seven local days, today last; None for a day without a log."""
    longest_s: float
    """Length of the longest interval of the week."""
    end_s: float | None = None
    """Unix time at which the log ends."""


def read_recent(path: Path, now_s: float, zone: tzinfo) -> Recent:
    """Read the last week of the newest fitting.

    Parameters
    ----------
    path
        The database.
    now_s
        Unix time at which the week ends.
    zone
        Zone of the days.

    Raises
    ------
    StoreError
        If the database cannot be read or holds no log.
    """
    today = datetime.fromtimestamp(now_s, zone).date()
    days = [today - timedelta(days=back) for back in range(DAYS - 1, -1, -1)]
    edges = [
        datetime.combine(day, time(), tzinfo=zone).timestamp()
        for day in (*days, today + timedelta(days=1))
    ]
    energy_j, logged_s = [0.0] * DAYS, [0.0] * DAYS
    voltage: list[tuple[float, float]] = []
    longest_s = 0.0
    with Reader(path) as reader:
        fitting = reader.fitting().id
        clocks = reader.clocks()
        newest_s = reader.newest_s(fitting)
        first = reader.first_id_since(fitting, edges[0])
        for session, start_ms, length_ms, energy_mj, volts_mv in reader.intervals(
            fitting, first, 2**62, _COLUMNS
        ):
            start_s = (start_ms + clocks[int(session)].offset_ms) / 1000.0
            end_s = start_s + length_ms / 1000.0
            longest_s = max(longest_s, end_s - start_s)
            if now_s - DAY_S <= end_s <= now_s and volts_mv < 1e9:
                voltage.append(((start_s + end_s) / 2.0, volts_mv / 1000.0))
            for place in range(DAYS):
                inside_s = min(end_s, edges[place + 1]) - max(start_s, edges[place])
                if inside_s > 0.0:
                    logged_s[place] += inside_s
                    if energy_mj < 9e18 and length_ms > 0:
                        energy_j[place] += energy_mj / 1000.0 * inside_s / (length_ms / 1000.0)
    energy = tuple(
        (day, joules / J_PER_KWH if seconds > 0.0 else None)
        for day, joules, seconds in zip(days, energy_j, logged_s, strict=True)
    )
    return Recent(tuple(sorted(voltage)), energy, longest_s, newest_s)
