"""Looks at a running daemon: by its live snapshot, as the dashboard would, and by its memory."""

import time
from contextlib import suppress
from functools import cache
from pathlib import Path

from analysis.history.history import load_history
from logger.errors import EbbwattError
from logger.system.onlookers import Onlooker
from logger.system.snapshot import read_snapshot, snapshot_path

#: A simulated boat that speaks ten times a second and is committed each second.
QUICK = """\
[charger]
label = "aft locker"
rated_w = 110
{charger}
[store]
commit_s = 1
commit_rest_s = 1

[log]
interval_s = 0.1

[source]
kind = "simulated"
seed = 7
"""


def live(folder, more_than=0, session=None, limit_s=200.0):
    """Return the snapshot of ``folder``'s daemon once it has more readings than that.

    ``session`` waits for the daemon's start of that number.
    """

    path = snapshot_path(folder / "ebbwatt.db")

    def found():
        _onlooker(path).look()
        snapshot = read_snapshot(path)
        if snapshot is None or session not in {None, snapshot.session}:
            return None
        return snapshot if snapshot.readings > more_than else None

    return wait_for(found, limit_s)


def link_lost(folder):
    """Return the snapshot once the daemon of ``folder`` has noticed that its link is gone."""

    path = snapshot_path(folder / "ebbwatt.db")

    def found():
        _onlooker(path).look()
        snapshot = read_snapshot(path)
        return snapshot if snapshot is not None and snapshot.link == "waiting" else None

    return wait_for(found)


def stored_since(folder, since_s):
    """Return the newest interval in the store once it ends later than that, Unix time.

    Of it the mean voltage, V, the mean current, A, and the running hours are given.
    """

    def found():
        with suppress(EbbwattError):  # nothing is committed yet
            history = load_history(folder / "ebbwatt.db")
            if len(history) and history.end_s[-1] > since_s:
                current_a = history.charge_c[-1] / history.duration_s[-1]
                return history.voltage_mean_v[-1], current_a, history.runtime_h[-1]
        return None

    return wait_for(found)


@cache
def _onlooker(snapshot):
    """Return who looks on for the rest of the test's process: the daemon then does not dawdle."""
    return Onlooker(snapshot)


def wait_for(condition, limit_s=200.0):
    """Return what the condition returns once it is true."""
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        if found := condition():
            return found
        time.sleep(0.02)
    raise AssertionError("waited in vain")


def resident_kib(daemon, which="VmRSS"):
    """Return the memory that a process holds, KiB, as the kernel tells it; VmHWM: its most ever."""
    status = Path(f"/proc/{daemon.pid}/status").read_text(encoding="ascii")
    return int(next(x for x in status.splitlines() if x.startswith(which)).split()[1])
