"""Which stored intervals can be true: each column on either side of what it may hold."""

import numpy as np
import pytest

from analysis.history.possible import possible
from logger.reading import OperatingState

ROW = {
    "start_ms": 1.7e12, "duration_ms": 6e4, "state": 3.0, "readings": 60.0, "session": 1.0,
    "charge_mc": 480_000.0, "voltage_mean_mv": np.nan,
}  # fmt: skip
LAST = len(OperatingState) - 1


@pytest.mark.parametrize(
    ("column", "good", "wrong"),
    [
        ("start_ms", [-1e15, 0.0, 1e15], [np.nan, -1.1e15, 1.1e15, np.inf]),
        ("duration_ms", [0.0, 1e12], [np.nan, -1.0, 1.1e12]),
        ("state", [0.0, LAST], [np.nan, -1.0, LAST + 1.0]),
        ("readings", [0.0, 1e12], [np.nan, -1.0, 1.1e12]),
        ("session", [0.0, 1.0], [np.nan, -1.0, 1.1e15]),
        # What was not measured is absent, which takes nothing from the rest of its interval.
        ("charge_mc", [np.nan, -1e15, 1e15], [-1.1e15, 1.1e15, np.inf]),
        ("voltage_mean_mv", [np.nan, 13_150.0], [1e300]),
    ],
)
def test_a_row_is_possible_where_each_column_is(column, good, wrong):
    values = np.array([*good, *wrong])
    columns = {name: np.full(len(values), value) for name, value in ROW.items()}
    columns[column] = values
    assert possible(columns).tolist() == [True] * len(good) + [False] * len(wrong)


def test_one_wrong_row_makes_no_other_wrong():
    columns = {name: np.full(3, value) for name, value in ROW.items()}
    columns["duration_ms"][0] = -1.0
    columns["charge_mc"][2] = 1e300
    assert possible(columns).tolist() == [False, True, False]
