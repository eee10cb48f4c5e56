"""What is said of a load that the log does not tell well, and on what it rests."""

from dataclasses import replace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.load.charge_kept import Kept
from analysis.load.doubts import KEPT_SD, doubts
from analysis.load.result import LoadResult, Month
from analysis.show.screen.load import lines

NONE = np.empty(0)
DAYS = np.full(30, 40.0)
FOUND = LoadResult(
    ah=Span(38.0, 40.0, 42.0), ah_median=40.0, ah_p90=44.0, ah_p95=46.0, voltage_v=12.8,
    days_used=30, days_left_out={}, method="balance", withheld=None,
    months=(Month("2024-06", 30, 40.0, 512.0),), levels=(), daily_ah=DAYS,
    daily_s=86400.0 * np.arange(30.0), draw_ah=DAYS[None], efficiency=0.94,
)  # fmt: skip


def test_the_shares_kept_are_said_to_be_of_the_charge_below_the_ceiling():
    kept = Kept(NONE, NONE, overall=0.94, low=0.86, high=0.97, load_sd=1.01 * KEPT_SD)
    (said,) = doubts(kept, sunny=False)
    assert "Of the charge below the charge ceiling it keeps 86 to 97 %." in said
    assert doubts(replace(kept, load_sd=0.99 * KEPT_SD), sunny=False) == ()


@pytest.mark.parametrize(
    ("method", "told"),
    [("balance", "below the charge ceiling the bank keeps 94 % of the charge"),
     ("battery_current", None)],
)  # fmt: skip
def test_the_screen_names_the_share_kept_only_where_the_load_rests_on_it(method, told):
    shown = " ".join(" ".join(lines(replace(FOUND, method=method), 80)).split())
    assert "charge efficiency" not in shown
    assert ("bank keeps" in shown) == (told is not None)
    assert told is None or told in shown
