"""Marks and stretches of a log that is drawn by hand on the grid of five minutes."""

from dataclasses import replace
from datetime import UTC

import numpy as np
import pytest

from analysis.history.runs import find_runs
from analysis.load.sources.other_sources import STEP_S, Grid
from analysis.load.stretches import (
    PARTS,
    Open,
    Pieces,
    Spans,
    by_cell,
    charge_by_cell,
    find_open,
    find_pieces,
    find_spans,
    float_marks,
    nearby,
    rise_between,
    weights,
)
from tests.support.boats.drawn_cycles import boat
from tests.support.boats.plain_log import RATED_W, RUNNING, log

HOUR = 12


def bare(count, **known):
    """Return a grid of rest at 12.5 V; flags are given by their cells."""
    cells = {
        name: np.zeros(count, dtype=bool) for name in ("running", "aided", "limited", "in_float")
    }
    unknown = known.pop("unknown", slice(0, 0))
    volts = known.pop("volts", np.full(count, 12.5))
    for name, where in known.items():
        cells[name][where] = True
    told = np.ones(count, dtype=bool)
    told[unknown] = False
    return Grid(
        150.0, volts, 8.0 * cells["running"], cells["running"], told, cells["aided"], 1,
        cells["limited"], cells["in_float"], UTC,
    )  # fmt: skip


def test_charge_is_spread_over_the_cells_by_time():
    runs, grid = boat(2)
    charge = charge_by_cell(runs, grid)
    assert charge.sum() == pytest.approx(2 * 48.0)
    running = grid.running
    # 8 A for five minutes; only at an edge of the run less.
    assert np.median(charge[running]) == pytest.approx(8.0 / 12.0)
    assert charge[~running].sum() < 2 * 8.0 / 12.0
    # Half of a record of ten minutes that lasts over a cell's edge belongs to either side.
    odd = np.zeros(len(runs.log))
    odd[0] = 3600.0
    spread = by_cell(runs, grid, odd)
    assert spread.sum() == pytest.approx(1.0)
    begin = (runs.log.start_s[0] - (grid.start_s - 150.0)) / STEP_S
    expected = np.interp(np.arange(4), [begin, begin + 2.0], [0.0, 1.0])
    assert spread[:3] == pytest.approx(np.diff(expected))
    odd[0] = np.nan
    assert by_cell(runs, grid, odd).sum() == 0.0


def test_stretches_go_from_start_to_full_and_back():
    runs, grid = boat(4)
    found = find_spans(runs, grid)
    # Four starts and four ends: up, down, up, down, up, down, up.
    assert found.swing.tolist() == [1.0, -1.0] * 3 + [1.0]
    assert found.joined.tolist() == [False] + [True] * 6
    assert (found.first[1:] == found.last[:-1]).all()
    assert found.charge_ah[::2] == pytest.approx(np.full(4, 48.0), abs=0.7)
    assert found.charge_ah[1::2] == pytest.approx(np.zeros(3), abs=0.7)
    assert (found.last - found.first).tolist() == [72, 216, 72, 216, 72, 216, 72]
    # A gap, or help, in the second stretch takes it out, and the third has lost its neighbour.
    for name in ("known", "aided"):
        flags = getattr(grid, name).copy()
        middle = int(found.first[1]) + 50
        flags[middle] = name == "aided"
        broken = find_spans(runs, replace(grid, **{name: flags}))
        assert broken.swing.tolist() == [1.0, 1.0, -1.0, 1.0, -1.0, 1.0], name
        assert broken.joined.tolist() == [False, False, True, True, True, True], name
    assert len(find_spans(*boat(0 + 1))) == 1


def test_a_start_by_hand_and_a_run_that_does_not_fill_make_no_mark():
    runs, grid = boat(6)
    plain = find_spans(runs, grid)
    # The third run starts 0.13 V above the usual voltage.
    volts = grid.volts.copy()
    begin = int(plain.first[4])
    volts[begin - 1] += 0.13
    found = find_spans(runs, replace(grid, volts=volts))
    assert found.swing.tolist() == [1.0, -1.0, 1.0, 0.0, -1.0, 1.0, -1.0, 1.0, -1.0, 1.0]
    volts[begin - 1] -= 0.02
    assert len(find_spans(runs, replace(grid, volts=volts))) == len(plain)
    # The third run ends 0.21 V below the usual voltage; then 0.19 V.
    for below, swings in ((0.21, 10), (0.19, 11)):
        volts = grid.volts.copy()
        volts[plain.last[4] - 1] = 14.2 - below
        assert len(find_spans(runs, replace(grid, volts=volts))) == swings
    # Help in the last moments of the third run: it does not say that the bank is full.
    aided = grid.aided.copy()
    aided[plain.last[4] - 1] = True
    helped = find_spans(runs, replace(grid, aided=aided))
    assert helped.first.tolist() == np.delete(plain.first, [4, 5]).tolist()
    # A start that the log did not see.
    seen = np.arange(6) != 2
    assert len(find_spans(replace(runs, start_seen=seen), grid)) == 10


def test_what_is_usual_is_so_for_a_time():
    values = np.r_[np.full(30, 1.0), np.full(30, 2.0)]
    told = np.ones(60, dtype=bool)
    told[5] = False
    values[5] = 99.0
    found = nearby(values, told, 50.0)
    assert found[[0, 5, 16]].tolist() == [1.0, 1.0, 1.0]
    assert found[[45, 59]].tolist() == [2.0, 2.0]
    # Twelve on either side: the 90 % quantile moves as soon as three of twenty-five are high.
    high = nearby(values, told, 90.0)
    assert np.flatnonzero(high > 1.5)[0] == 30 - 12 + 2
    assert nearby(values, np.zeros(60, dtype=bool), 50.0).tolist() == [0.0] * 60
    few = nearby(np.array([1.0, 2.0, 4.0]), np.ones(3, dtype=bool), 50.0)
    # At either end the last value stands for those beyond.
    assert few.tolist() == [1.0, 2.0, 4.0]


def test_float_marks_stand_at_both_ends_and_each_day():
    grid = bare(100 * HOUR, in_float=slice(10, 10 + 50 * HOUR))
    # Fifty hours: after 24 and 48 hours, and the last cell.
    assert float_marks(grid).tolist() == [10, 10 + 288, 10 + 576, 10 + 599]
    assert float_marks(bare(100, in_float=slice(10, 10 + 2 * HOUR))).tolist() == []
    assert float_marks(bare(100, in_float=slice(10, 11 + 2 * HOUR))).tolist() == [10, 34]
    # None within an hour of the end.
    for more, marks in ((6, [10, 303]), (12, [10, 309]), (13, [10, 298, 310])):
        assert float_marks(bare(600, in_float=slice(10, 298 + more))).tolist() == marks
    helped = bare(100, in_float=slice(10, 60), aided=slice(10, 60))
    assert float_marks(helped).tolist() == []


def test_voltage_is_compared_where_the_charger_runs_nearly_all_the_time():
    volts = np.linspace(12.0, 13.0, 101)
    grid = bare(101, volts=volts, running=slice(0, 91))
    # From the mean of the first hour to that of the last.
    assert rise_between(grid, 0, 100) == pytest.approx(0.01 * (93.5 + 1.0 - 6.5))
    assert rise_between(bare(101, volts=volts, running=slice(0, 90)), 0, 100) is not None
    assert rise_between(bare(101, volts=volts, running=slice(0, 89)), 0, 100) is None


NO_SPANS = Spans(*(np.empty(0, dtype=np.intp),) * 2, *(np.empty(0),) * 2, np.empty(0, dtype=bool))


def hard(**known):
    """Return runs and grid of five days without a stop."""
    plain = log(runs=20, run_h=6.0, rest=0, apart_d=0.25)
    runs = find_runs(replace(plain, state=np.full(len(plain), RUNNING, np.int8)), RATED_W)
    grid = bare(5 * 288, running=slice(0, None), volts=np.linspace(12.0, 12.5, 5 * 288), **known)
    return runs, replace(grid, start_s=float(runs.log.start_s[0]) + 150.0)


def test_days_without_marks_are_cut_into_pieces():
    runs, grid = hard()
    found = find_pieces(runs, grid, NO_SPANS)
    assert found.first.tolist() == [0, 288, 576, 864, 1152]
    assert found.last.tolist() == [288, 576, 864, 1152, 1440]
    less = find_pieces(*hard(unknown=slice(1439, 1440)), NO_SPANS)
    assert less.last.tolist() == [288, 576, 864, 1439], "less than two days stay whole"
    charge = charge_by_cell(runs, grid)
    assert found.charge_ah == pytest.approx([charge[a : a + 288].sum() for a in found.first])
    # 0.5 V in five days: 0.1 V a day, less the hour at which the means are taken.
    assert found.rise_v[:3] == pytest.approx(np.full(3, 0.5 * (288 - 12) / 1439), rel=1e-6)
    # A stretch between marks is left out; what is left of less than half a day, too.
    inside = replace(NO_SPANS, first=np.array([130]), last=np.array([1300]))
    assert find_pieces(runs, grid, inside).first.tolist() == []
    inside = replace(NO_SPANS, first=np.array([144]), last=np.array([1296]))
    assert find_pieces(runs, grid, inside).first.tolist() == [0, 1296]


def test_help_spoils_the_voltage_for_three_hours():
    runs, grid = hard(aided=slice(100, 200), unknown=slice(1000, 1010))
    found = find_pieces(runs, grid, NO_SPANS)
    assert found.first.tolist() == [236, 524, 1010]
    assert found.last.tolist() == [524, 1000, 1440]


def test_the_ends_of_open_stretches_are_guessed():
    runs, grid = boat(4)
    spans = find_spans(runs, grid)
    none = find_open(runs, grid, spans)
    # Eighteen hours of rest before the first start and after the last end.
    assert none.first.tolist() == [0, spans.last[-1]]
    assert none.last.tolist() == [spans.first[0], len(grid.volts)]
    # A start is one swing below full; unknown is half of it, with the spread of a uniform one.
    assert none.swing == pytest.approx([0.5 - 1.0, 0.0 - 0.5])
    assert none.sd == pytest.approx([np.hypot(0.29, 0.1)] * 2)
    # Help in a rest of eighteen hours, of one hour or of a night: nearly full, then the start.
    for hours, depth, sd in ((1, 0.1, 0.3), (4, 0.1, 0.3), (5, -0.2, 0.25)):
        aided = grid.aided.copy()
        begin = int(spans.first[1]) + 2
        aided[begin : begin + hours * HOUR] = True
        helped = replace(grid, aided=aided)
        found = find_open(runs, helped, find_spans(runs, helped))
        at = found.first.tolist().index(begin + hours * HOUR)
        assert found.swing[at] == pytest.approx(depth - 1.0)
        assert found.sd[at] == pytest.approx(np.hypot(sd, 0.1))
    # Less than half a day tells nothing.
    aided = grid.aided.copy()
    aided[spans.first[1] + 2 : spans.first[1] + 2 + 7 * HOUR] = True
    helped = replace(grid, aided=aided)
    found = find_open(runs, helped, find_spans(runs, helped))
    assert found.first.tolist() == [0, spans.last[-1]]


def test_hours_of_a_stretch_by_day_and_by_part_of_the_day():
    # The grid begins at midnight of 1970-01-03; two days and a half.
    grid = replace(bare(720, running=slice(36, 72)), start_s=2 * 86400.0 + 150.0)
    spans = replace(NO_SPANS, first=np.array([0, 276]), last=np.array([72, 600]))
    days, parts, first = weights(spans, grid, 0.5)
    assert first == 2
    # Three hours of rest and three of running, of which half counts.
    assert days == pytest.approx(np.array([[4.5, 0.0, 0.0], [1.0, 24.0, 2.0]]))
    assert parts.shape == (2, PARTS)
    assert parts[0] == pytest.approx([3.0, 1.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert parts[1] == pytest.approx([5.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 4.0])
    by_cell_kept = np.where(np.arange(720) < 54, 1.0, 0.0)
    assert weights(spans, grid, by_cell_kept)[0][0] == pytest.approx([4.5, 0.0, 0.0])
    # A last cell of its own day has a column.
    alone = replace(bare(289), start_s=150.0)
    assert weights(replace(NO_SPANS, first=np.array([0]), last=np.array([289])), alone, 1.0)[
        0
    ] == pytest.approx(np.array([[24.0, 1 / 12]]))
    none = weights(Pieces(NO_SPANS.first, NO_SPANS.last, np.empty(0), np.empty(0)), grid, 1.0)
    assert none[0].shape == (0, 3)
    assert weights(Open(NO_SPANS.first, NO_SPANS.last, *(np.empty(0),) * 2), grid, 1.0)[2] == 2
