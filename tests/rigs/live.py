"""Looks at a running daemon: by its live snapshot, as the dashboard would, and by its memory."""

import time
from pathlib import Path

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


def resident_kib(daemon):
    """Return the memory that a process holds, KiB, as the kernel tells it."""
    status = Path(f"/proc/{daemon.pid}/status").read_text(encoding="ascii")
    return int(next(x for x in status.splitlines() if x.startswith("VmRSS")).split()[1])
