"""The account of hours: each hour counts once, and all of them add up."""

from types import SimpleNamespace

import numpy as np
import pytest

from analysis.assessment.account import NOTHING_H, count_runs, hours_account
from analysis.health.run_table import Limit


def outputs(rows, left_out_h=None):
    """Runs of (run number, limit, whether used, hours kept, reason) and what was left out."""
    begun, limit, used, kept, reason = zip(*rows, strict=True)
    runs = SimpleNamespace(begun_s=np.array(begun, dtype=float))
    return runs, SimpleNamespace(
        limit=list(limit),
        used=np.array(used),
        kept_h=np.array(kept, dtype=float),
        reason=list(reason),
        left_out_h=left_out_h or {},
    )


THREE = [
    (1, Limit.SOURCE, True, 4.0, ""),
    (1, Limit.BATTERY, True, 2.0, ""),  # the same run, cut at midnight
    (2, Limit.BATTERY, True, 5.0, ""),
    (3, Limit.UNUSABLE, False, 0.5, "left out: too short"),
    (4, Limit.UNUSABLE, False, 0.25, "left out: too short"),
    (5, Limit.HEAT, True, 1.0, ""),
]


def test_a_run_counts_once_under_the_limit_of_its_best_piece():
    runs, out = outputs(THREE)
    by_limit = {limit: count_runs(runs, out, limit) for limit in Limit}
    assert by_limit[Limit.SOURCE] == 1
    assert by_limit[Limit.HEAT] == 1
    assert by_limit[Limit.BATTERY] == 1
    assert by_limit[Limit.UNUSABLE] == 2
    assert sum(by_limit.values()) == 5, "all runs of the log"


def test_hours_add_up_by_hand():
    runs, out = outputs(THREE, {"starting": 1.5, "warming up": 3.0})
    rows = hours_account(20.0, runs, out)
    assert [(r.what, r.hours, r.used, r.runs) for r in rows] == [
        ("source", 4.0, True, 1),
        ("heat", 1.0, True, 1),
        ("battery", 7.0, True, 1),
        ("warming up", 3.0, False, None),
        ("power not measured", pytest.approx(2.75), False, None),
        ("starting", 1.5, False, None),
        ("runs left out whole (too short)", 0.75, False, 2),
    ]
    assert sum(row.hours for row in rows) == pytest.approx(20.0)


def test_a_hundredth_of_an_hour_is_no_row():
    for hours, rows in ((NOTHING_H, 1), (1.01 * NOTHING_H, 2)):
        runs, out = outputs(
            [(1, Limit.SOURCE, True, 4.0, ""), (1, Limit.UNUSABLE, False, hours, "too short")]
        )
        assert len(hours_account(4.0 + hours, runs, out)) == rows
    # So with what is left over.
    runs, out = outputs([(1, Limit.SOURCE, True, 4.0, "")])
    assert len(hours_account(4.0 + 0.99 * NOTHING_H, runs, out)) == 1
    assert len(hours_account(4.0 + 1.01 * NOTHING_H, runs, out)) == 2


def test_nothing_is_left_over_where_all_is_told():
    runs, out = outputs([(1, Limit.SOURCE, True, 4.0, "")])
    assert [row.what for row in hours_account(4.0, runs, out)] == ["source"]
    assert [row.what for row in hours_account(4.009, runs, out)] == ["source"]
    assert [row.what for row in hours_account(4.011, runs, out)] == ["source", "power not measured"]
    assert [row.what for row in hours_account(3.989, runs, out)] == ["source", "power not measured"]


def test_a_log_without_a_run_has_no_account():
    runs = SimpleNamespace(begun_s=np.array([]))
    out = SimpleNamespace(
        limit=[], used=np.array([], bool), kept_h=np.array([]), reason=[], left_out_h={}
    )
    assert hours_account(0.0, runs, out) == ()
    assert count_runs(runs, out, Limit.SOURCE) == 0


def test_runs_left_out_whole_are_told_by_their_reasons():
    rows = [
        (1, Limit.SOURCE, True, 4.0, ""),
        (2, Limit.UNUSABLE, False, 0.0, "left out: too short"),
        (3, Limit.UNUSABLE, False, 0.0, "left out: still warming up"),
        (4, Limit.UNUSABLE, False, 0.0, "left out: too short"),
    ]
    used, lost = hours_account(4.0, *outputs(rows))
    assert (used.limit, lost.limit) == (Limit.SOURCE, None)
    assert lost.what == "runs left out whole (too short; still warming up)"
    assert (lost.hours, lost.runs) == (0.0, 3)
    # A piece of a run that counts by another piece is no run; its hours, if any, are told.
    rows = [(1, Limit.SOURCE, True, 4.0, ""), (1, Limit.UNUSABLE, False, 0.009, "left out: x")]
    assert [row.what for row in hours_account(4.0, *outputs(rows))] == ["source"]
    rows[1] = (1, Limit.UNUSABLE, False, 0.011, "left out: x")
    (_, piece) = hours_account(4.011, *outputs(rows))
    assert (piece.what, piece.hours, piece.runs) == ("runs left out whole (x)", 0.011, 0)
