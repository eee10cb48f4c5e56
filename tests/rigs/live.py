"""Waits on a running daemon by its live snapshot, as the dashboard would see it."""

import time

from logger.snapshot import read_snapshot, snapshot_path


def live(folder, more_than=0, session=None, limit_s=25.0):
    """Return the snapshot of ``folder``'s daemon once it has more readings than that.

    ``session`` waits for the daemon's start of that number.
    """
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        snapshot = read_snapshot(snapshot_path(folder / "ebbwatt.db"))
        if (
            snapshot is not None
            and snapshot.readings > more_than
            and session in {None, snapshot.session}
        ):
            return snapshot
        time.sleep(0.05)
    raise AssertionError("waited in vain")
