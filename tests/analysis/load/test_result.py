"""The keys and digits under which a load is published, and what is taken for granted of a bank."""

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.estimate import Span
from analysis.load.result import LoadResult, Month
from analysis.load.usual_bank import CAPACITY_SD, EMPTY_V, HOLDS, SWING_V, USUAL_DAYS

DAYS = np.full(30, 40.0)
FOUND = LoadResult(
    ah=Span(38.12345, 40.12345, 42.12345), ah_median=39.98765, ah_p90=44.00049, ah_p95=46.5,
    voltage_v=12.5, days_used=30, days_left_out={"gap": 2}, method="balance", withheld=None,
    months=(Month("2024-06", 12, 40.12345, 512.34567), Month("2024-07", 18, 41.0, 520.0)),
    levels=(("at rest", 20, 35.6789), ("under way", 10, 50.1234)), daily_ah=DAYS,
    daily_s=86400.0 * np.arange(30.0), draw_ah=DAYS[None], efficiency=0.94449, doubts=("why",),
)  # fmt: skip


def test_the_document_of_a_load():
    assert FOUND.document() == {
        "ah_per_day": {
            "mean": 40.123, "low": 38.123, "high": 42.123, "median": 39.988, "p90": 44.0,
            "p95": 46.5,
        },
        "wh_per_day": {
            "mean": 501.543, "low": 476.543, "high": 526.543, "median": 499.846, "p90": 550.006,
            "p95": 581.25,
        },
        "shared": False,
        "solar_ah_per_day": {"low": None, "mean": None, "high": None},
        "boat_ah_per_day": {"low": 38.123, "mean": 40.123, "high": 42.123},
        "days_used": 30,
        "days_left_out": {"gap": 2},
        "method": "balance",
        "withheld": None,
        "charge_efficiency": 0.944,
        "doubts": ["why"],
        "months": [
            {"month": "2024-06", "days": 12, "ah": 40.12, "wh": 512.3},
            {"month": "2024-07", "days": 18, "ah": 41.0, "wh": 520.0},
        ],
        "kinds_of_day": [
            {"kind": "at rest", "days": 20, "ah": 35.68},
            {"kind": "under way", "days": 10, "ah": 50.12},
        ],
    }  # fmt: skip


def test_what_is_not_known_is_none_and_said():
    few = replace(FOUND, ah_p90=None, ah_p95=None, days_used=19)
    assert few.document()["withheld"].endswith("19 in 20 need, and the log has 19 so far")
    assert few.document()["wh_per_day"]["p95"] is None
    none = replace(few, withheld="no voltage")
    assert none.document()["withheld"] == "no voltage"
    assert replace(FOUND, withheld="no voltage").document()["withheld"] == "no voltage"
    flat = replace(FOUND, voltage_v=None)
    assert set(flat.document()["wh_per_day"].values()) == {None}
    assert flat.wh(40.0) is None
    assert FOUND.wh(40.0) == 500.0
    assert FOUND.wh(None) is None
    assert (FOUND.relative_sd, len(FOUND.other_s), FOUND.bank) == (0.0, 0, None)


def test_a_usual_bank_is_that_of_the_sources_named():
    # Bode (1977): 11.89 to 12.67 V at rest from empty to full; four fifths of its label when worn.
    assert EMPTY_V == 11.89
    full_v = EMPTY_V + SWING_V
    assert full_v == pytest.approx(12.67)
    assert (0.8 - HOLDS[0], HOLDS[1] - 1.0) == pytest.approx((0.05, 0.05))
    # The load of one and a half to six days, nine times in ten (common practice, no source).
    ends = [USUAL_DAYS * math.exp(z * CAPACITY_SD) for z in (-1.645, 1.645)]
    assert ends == pytest.approx([1.5, 6.0], rel=0.06)
