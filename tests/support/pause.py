"""Pauses the measuring of coverage in this process: pure Python takes five times as long with it.

For a simulated boat that lives, or long work that is measured elsewhere on a small log.
"""

import contextlib

from coverage import Coverage


@contextlib.contextmanager
def coverage_paused():
    """Measure no coverage for a while."""
    if (measuring := Coverage.current()) is None:
        yield
        return
    measuring.stop()
    try:
        yield
    finally:
        measuring.start()
