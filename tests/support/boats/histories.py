"""Logs made in memory, for tests of what is read from them."""

import numpy as np

from analysis.history.history import STATE_CODE, History
from logger.reading import OperatingState
from logger.store.reader import Fitting


def plain_history(start_s, step_s, volts, state):
    """Return a log of equal intervals without a gap, 6 A wherever the charger runs."""
    count = len(volts)
    start = start_s + step_s * np.arange(count)
    nan = np.full(count, np.nan)
    running = state == STATE_CODE[OperatingState.RUNNING]
    charge = np.where(running, 6.0 * step_s, 0.0)
    return History(
        start, np.full(count, step_s), state.astype(np.int8), np.full(count, 300), charge,
        charge * volts, volts, volts, volts, volts, nan, nan, nan, nan,
        np.ones(count, dtype=np.int64), np.ones(count, dtype=bool),
        Fitting(1, "aft locker", 110.0, None),
    )  # fmt: skip
