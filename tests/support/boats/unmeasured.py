"""Lets a simulated boat live without coverage, with which it takes five times as long.

Tests of the simulator itself measure it.
"""

import contextlib

from coverage import Coverage


@contextlib.contextmanager
def unmeasured():
    """Measure no coverage in this process for a while."""
    if (measuring := Coverage.current()) is None:
        yield
        return
    measuring.stop()
    try:
        yield
    finally:
        measuring.start()
