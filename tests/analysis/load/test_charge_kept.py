"""What a bank keeps of its charge: reckoned by hand, and on boats whose truth is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

from analysis.history.history import load_history
from analysis.history.runs import find_runs
from analysis.load.charge_kept import (
    DRAWS,
    FLOAT_A_PER_AH,
    FULL_SHARE,
    KNEE,
    LOW_SHARE,
    Books,
    Curve,
    depth_by_voltage,
    draw_capacity,
    find_kept,
    less_to_and_fro,
    told,
)
from analysis.load.daily import daily_load
from analysis.load.sources.other_sources import Grid
from analysis.load.stretches import Spans
from analysis.statistics.windows import window
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.boats.bank_boats import draw
from tests.support.boats.bank_lives import intervals, live

KINDS = ("plain", "deep", "profile", "nearly_full", "float", "solar", "shore", "engine")


@pytest.fixture(scope="module")
def lived():
    """A boat of each kind, over one season, on a seed that nothing was tuned on."""
    boats = {kind: replace(draw(3, 77, kind), seasons=1, season_d=120) for kind in KINDS}
    lives = live(list(boats.values()), with_limit=False)
    return {k: (one[0], one[1:]) for k, one in zip(KINDS, lives, strict=True)}


def load_of(boat, history):
    return daily_load(find_runs(history, boat.rated_w), boat.config())


@pytest.mark.parametrize("kind", KINDS)
def test_the_interval_holds_what_the_boat_drew(lived, kind):
    boat, (history, truth) = lived[kind]
    found = load_of(boat, history)
    drawn = truth.load_ah[truth.alone].mean() if truth.alone.any() else truth.load_ah.mean()
    assert found.boat_ah.low < drawn < found.boat_ah.high
    # Nothing is off by more than a factor of 1.5 without a word.
    assert abs(np.log(found.ah.median / drawn)) < np.log(1.5) or found.doubts


def test_a_bank_that_is_kept_nearly_full_is_spoken_of(lived):
    boat, (history, _) = lived["nearly_full"]
    found = load_of(boat, history)
    assert any("nearly full" in said for said in found.doubts)
    # With a constant 0.92 the figure was far beyond the truth, and its interval was narrow.
    assert found.ah.high / found.ah.low > 1.35
    assert found.document()["doubts"] == list(found.doubts)


def test_the_sun_is_spoken_of_and_only_where_it_shines(lived):
    for kind in KINDS:
        boat, (history, _) = lived[kind]
        said = any("solar" in text for text in load_of(boat, history).doubts)
        assert said == (kind == "solar"), kind


def test_a_charger_that_floats_is_no_other_source(lived):
    boat, (history, truth) = lived["float"]
    found = load_of(boat, history)
    assert found.days_left_out["other_source"] <= 0.1 * len(truth.load_ah)
    assert found.ah.median == pytest.approx(truth.load_ah.mean(), rel=0.15)


def test_the_log_of_such_a_boat_goes_through_the_store(lived, tmp_path):
    boat, (history, _) = lived["deep"]
    short = history.select(np.arange(40 * 288))
    path = tmp_path / "ebbwatt.db"
    with Writer(
        path, boat.config().charger, SessionStart("import", float(short.start_s[0]))
    ) as writer:
        for number, interval in enumerate(intervals(short)):
            writer.add(interval)
            if number % 1000 == 0:
                writer.commit()
    stored = load_of(boat, load_history(path))
    assert stored.ah.median == pytest.approx(load_of(boat, short).ah.median, rel=1e-3)


def test_the_curves_hold_what_is_published():
    # Stevens and Corey (1996), A Study of Lead-Acid Battery Efficiency Near Top-of-Charge, Sandia:
    # above 95 % low down; below 50 % above 90 % (the latter from memory).
    curve = Curve.drawn(np.random.default_rng(1))
    ones = np.ones(len(curve.low))
    deep = curve.mean(0.2 * ones, 0.6 * ones)
    assert (deep > 0.95).all()
    top = curve.mean(0.9 * ones, ones)
    assert np.quantile(top, 0.2) < 0.5 < np.quantile(top, 0.9)
    # By hand: a straight fall from s to f over the whole rise needs ln(s / f) / (s - f) of charge.
    one = Curve(*(np.array([v]) for v in (0.96, 0.8, 0.4, 1.0)))
    by_hand = (0.96 - 0.4) / np.log(0.96 / 0.4)
    assert one.mean(np.array([0.8]), np.array([1.0]))[0] == pytest.approx(by_hand, rel=0.03)
    assert (LOW_SHARE[0], KNEE[0], FULL_SHARE[0]) < (LOW_SHARE[1], KNEE[1], FULL_SHARE[1])


def test_a_window_put_together_from_halves_is_the_window():
    values = np.random.default_rng(5).normal(size=60)
    values[[3, 20, 21]] = np.nan
    for newest, oldest in ((0, 0), (0, 12), (3, 36), (24, 27), (1, 80)):
        padded = np.concatenate((np.full(oldest, values[0]), values))
        by_hand = [np.fmin.reduce(padded[i : i + oldest - newest + 1]) for i in range(len(values))]
        assert np.array_equal(window(values, newest, oldest, np.fmin), by_hand, equal_nan=True)


ONES = np.ones(DRAWS)


def grid_of(running, limited, volts, in_float=None):
    count = len(volts)
    no = np.zeros(count, dtype=bool)
    return Grid(
        0.0, np.asarray(volts, dtype=float), 8.0 * running, running, ~no, no, 1, limited,
        no if in_float is None else in_float,
    )  # fmt: skip


def cycle(count=4, off=168, bulk=96, top=24):
    """Return grid, charge and spans of cycles: down for 14 h, up for 8 h and 2 h at the ceiling."""
    each = off + bulk + top
    at = np.tile(np.arange(each), count)
    running, limited = at >= off, at >= off + bulk
    volts = np.where(limited, 14.2, np.where(running, 13.5, 12.4))
    charge = np.where(limited, 4.0 / 12.0, 8.0 * running / 12.0)  # 8 A, at the ceiling 4 A
    begin = each * np.arange(count)
    first = np.sort(np.r_[begin, begin + off])
    last = np.r_[first[1:], each * count]
    spans = Spans(
        first, last, np.zeros(2 * count), np.resize([-1.0, 1.0], 2 * count),
        np.arange(2 * count) > 0,
    )  # fmt: skip
    return grid_of(running, limited, volts), charge, spans


def test_a_configured_share_moves_the_load_by_the_time_at_rest():
    grid, _, spans = cycle()
    kept = told(grid, spans, 0.9)
    assert (kept.overall, kept.low, kept.high) == (0.9, 0.89, 0.91)
    assert kept.by_cell.tolist() == [0.9] * len(grid.volts)
    assert not kept.lost_ah.any()
    # L = eta Q / (T_off + eta T_on): 14 h off, 10 h on; its logarithm changes with eta by
    # 1 / eta - T_on / (T_off + eta T_on), for an error of 0.01.
    assert kept.load_sd == pytest.approx(0.01 * (1.0 / 0.9 - 10.0 / (14.0 + 9.0)))
    # Only cells within the stretches count: here the first way down alone, or the first way up.
    up = Spans(*(getattr(spans, n)[1:2] for n in Spans.__slots__))
    assert told(grid, up, 0.9).load_sd == 0.0
    first = Spans(*(getattr(spans, n)[:1] for n in Spans.__slots__))
    assert told(grid, first, 0.9).load_sd == pytest.approx(0.01 / 0.9)


def test_hours_and_charge_between_marks():
    grid, charge, spans = cycle()
    books = Books.of(grid, charge, spans)
    assert (books.off_h, books.bulk_h, books.top_h) == pytest.approx((56.0, 32.0, 8.0))
    assert (books.float_h, books.fulls) == (0.0, 4.0)
    assert books.bulk_ah == pytest.approx(256.0)
    assert books.top_ah == pytest.approx(32.0 * ONES)
    assert books.charge_ah == pytest.approx(288.0 * ONES)
    assert (books.on_h, books.hours) == pytest.approx((40.0, 96.0))
    assert (books.full_off_h, books.full_share, books.full_top_h) == pytest.approx((56.0, 1.0, 8.0))
    assert books.full_top_ah == pytest.approx(32.0 * ONES)
    # Three ways down and four up count as three and a half of each.
    fewer = Spans(*(getattr(spans, n)[1:] for n in Spans.__slots__))
    books = Books.of(grid, charge, fewer)
    assert books.fulls == 3.5
    assert (books.off_h, books.bulk_h) == pytest.approx((14.0 * 3.5, 8.0 * 3.5))
    # Without any way down each counts as it is; without either there is one full battery.
    up = Spans(*(getattr(spans, n)[1::2] for n in Spans.__slots__))
    books = Books.of(grid, charge, up)
    assert (books.fulls, books.bulk_h, books.off_h) == (2.0, 32.0, 0.0)
    level = replace(up, swing=np.zeros(4))
    books = Books.of(grid, charge, level)
    assert (books.fulls, books.bulk_h, books.full_share) == (1.0, 32.0, 0.0)


def test_time_in_float_is_that_below_absorption():
    grid, charge, spans = cycle()
    volts = np.where(grid.limited, 13.6, grid.volts)
    assert Books.of(replace(grid, volts=volts), charge, spans).float_h == pytest.approx(8.0)
    books = Books.of(replace(grid, volts=volts), charge, spans)
    # In eight hours of float a full bank takes 1 A: 8 Ah of the 32.
    less = books.less_float(1.0 * ONES)
    assert less.top_ah == pytest.approx(24.0 * ONES)
    assert less.full_top_ah == pytest.approx(24.0 * ONES)
    # No more than half of what was given there.
    assert books.less_float(9.0 * ONES).top_ah == pytest.approx(16.0 * ONES)


def test_how_much_is_given_at_the_ceiling():
    grid, charge, spans = cycle()
    books = Books.of(grid, charge, spans)
    # 32 of 288 Ah, less than two fifths.
    assert books.much_at_the_ceiling == 0.0
    much = replace(books, top_ah=256.0 * ONES)
    assert much.much_at_the_ceiling == pytest.approx(0.5 - 0.4)
    # Half of that time in float does not count.
    floats = replace(much, float_h=4.0)
    assert floats.much_at_the_ceiling == pytest.approx(0.0)
    assert replace(much, top_ah=768.0 * ONES, float_h=4.0).much_at_the_ceiling == pytest.approx(
        384.0 / 640.0 - 0.4
    )


def test_the_share_kept_of_a_bank_with_a_given_curve():
    grid, charge, spans = cycle()
    books = Books.of(grid, charge, spans)
    flat = Curve(0.96 * ONES, 0.8 * ONES, 0.96 * ONES, 0.95 * ONES)
    low, high = books.shares(flat, 0.3 * ONES, 2.0 * ONES, 200.0 * ONES)
    assert low == pytest.approx(0.96 * ONES)
    # At the ceiling 8 Ah a time, less 2 A for two hours: 3.84 Ah kept of 4, for 10 Ah of room.
    filled = 0.96 * 4.0 / 10.0
    assert high == pytest.approx(0.96 * (1.0 - math.exp(-filled)) / filled * ONES)
    # A load above what the ceiling gives leaves nothing over for the bank to lose.
    assert books.shares(flat, 0.3 * ONES, 9.0 * ONES, 200.0 * ONES)[1] == pytest.approx(0.96 * ONES)
    # A bank that is hardly drawn reaches the ceiling half of the way up.
    falls = Curve(1.0 * ONES, 0.9 * ONES, 0.5 * ONES, 0.95 * ONES)
    shallow = books.shares(falls, 0.08 * ONES, 2.0 * ONES, 200.0 * ONES)[0]
    over = falls.mean(0.92 * ONES, 0.96 * ONES)
    assert shallow == pytest.approx(over)
    # Charge in stretches that do not end full goes in from 0.5 to 0.85.
    half = replace(books, full_share=0.25)
    partly = half.shares(falls, 0.08 * ONES, 2.0 * ONES, 200.0 * ONES)[0]
    assert partly == pytest.approx(0.25 * over + 0.75 * 1.0)


def test_a_curve_falls_from_its_knee_to_full():
    one = Curve(*(np.array([v]) for v in (0.98, 0.8, 0.3, 0.95)))
    begin, end = np.array([0.7]), np.array([0.95])

    def share(at):
        return 0.98 - 0.68 * max(at - 0.8, 0.0) / 0.2

    needed = integrate.quad(lambda at: 1.0 / share(at), 0.7, 0.95, points=[0.8])[0]
    assert one.mean(begin, end)[0] == pytest.approx(0.25 / needed, rel=0.01)
    assert one.mean(np.array([0.2]), np.array([0.7]))[0] == pytest.approx(0.98)
    earlier = one.reached_earlier(np.array([0.1]))
    assert earlier.ceiling_at[0] == pytest.approx(0.85)
    assert earlier.knee is one.knee


def test_a_load_to_and_fro_passes_through_the_bank():
    # The load is normal about 5 A with a spread of 4 A; the charger gives 8 A. Of what goes in
    # while the load is below, a tenth is lost; what comes out has to be given again.
    into = integrate.quad(
        lambda a: max(8.0 - a, 0.0) * math.exp(-0.5 * ((a - 5.0) / 4.0) ** 2), -60.0, 60.0,
        points=[8.0], limit=200,
    )[0] / (4.0 * math.sqrt(2.0 * math.pi))  # fmt: skip
    found = less_to_and_fro(np.array([0.9]), np.array([5.0]), 8.0, np.array([0.8]))
    assert found[0] == pytest.approx(1.0 - 0.1 * into / 3.0, rel=1e-6)
    # A steady load passes nothing twice; one above the charger everything, many times.
    assert less_to_and_fro(np.array([0.9]), np.array([5.0]), 8.0, np.array([0.0]))[0] == (
        pytest.approx(0.9)
    )
    assert less_to_and_fro(np.array([0.9]), np.array([20.0]), 8.0, np.array([0.8]))[0] == 0.05
    # At 9.9 A of 10 the mean that goes in is taken as a fiftieth: 0.2 A.
    near = less_to_and_fro(np.array([0.99]), np.array([9.9]), 10.0, np.array([0.0]))[0]
    assert near == pytest.approx(0.99)
    assert less_to_and_fro(np.array([0.9]), np.array([1.0]), 0.0, np.array([0.0]))[0] > 0.0


def test_the_capacity_is_about_the_label_or_three_days_of_the_load():
    grid, charge, spans = cycle()
    books = Books.of(grid, charge, spans)
    rng = np.random.default_rng(1)
    label = draw_capacity(200.0, books, rng)
    # From three quarters to a twentieth more than the label says.
    assert (label.min(), label.max()) == pytest.approx((150.0, 210.0), abs=1.0)
    usual = draw_capacity(None, books, rng)
    # 0.85 of 288 Ah in 96 h for three days, within exp(0.4).
    assert np.median(usual) == pytest.approx(0.85 * 3.0 * 72.0, rel=0.06)
    assert np.log(usual).std() == pytest.approx(0.4, rel=0.1)


def test_the_depth_by_the_voltage_at_the_starts():
    grid, _, spans = cycle()
    # 12.40 V at a start, 0.04 V of it the loads': 12.44 V of 11.89 to 12.67 V is a depth of 0.295.
    assert depth_by_voltage(grid, spans, "flooded") == pytest.approx(1.0 - 0.55 / 0.78)
    # Sealed blocks stand 0.12 V higher.
    assert depth_by_voltage(grid, spans, "agm") == pytest.approx(1.0 - 0.43 / 0.78)
    # Starts end a way down or begin one up; without any nothing is told.
    none = replace(spans, swing=np.zeros(len(spans)))
    assert depth_by_voltage(grid, none, "agm") is None
    nan = replace(grid, volts=np.full(len(grid.volts), np.nan))
    assert depth_by_voltage(nan, spans, "agm") is None
    for volts, depth in ((13.4, 0.02), (11.0, 0.9)):
        flat = replace(grid, volts=np.full(len(grid.volts), volts))
        assert depth_by_voltage(flat, spans, "agm") == depth


def test_shares_of_a_bank_that_cycles_deeply(monkeypatch):
    grid, charge, spans = cycle()
    kept = find_kept(grid, charge, spans, 200.0, "agm")
    running, top = grid.running & ~grid.limited, grid.limited
    # Nearly all below the ceiling, less at it; the cells carry those two figures.
    assert set(kept.by_cell[running]) == {kept.overall}
    assert 0.7 < kept.low < kept.overall < kept.high < 1.0
    (at_top,) = set(kept.by_cell[top])
    assert at_top < kept.overall
    assert not kept.lost_ah.any()
    # The balance closes: what is kept feeds the load, of which the charger carries its part.
    supplied = kept.overall * 256.0 + at_top * 32.0
    load = supplied / (56.0 + kept.overall * 32.0 + at_top * 8.0)
    assert 2.5 < load < 0.9 * 288.0 / 96.0 * 1.1
    assert 0.0 < kept.load_sd < 0.1
    # In float all of the current is the load's, but for what a full bank takes.
    volts = np.where(top, 13.6, grid.volts)
    floats = find_kept(replace(grid, volts=volts, in_float=top), charge, spans, 200.0, "agm")
    assert set(floats.by_cell[top]) == {1.0}
    # 0.6 mA for each Ah (1.26 times as much in the mean of the draws) of 180 Ah.
    expected = 0.0006 * math.exp(0.5 * 0.7**2) * 180.0
    assert 12.0 * floats.lost_ah[top][0] == pytest.approx(expected, rel=0.15)
    # Free acid takes more.
    assert FLOAT_A_PER_AH["flooded"] == pytest.approx(2.5 * FLOAT_A_PER_AH["gel"])
    # What it takes there is not given back: no more than half of the charge at the ceiling.
    asked = []
    plain = Books.less_float
    monkeypatch.setattr(
        Books, "less_float", lambda books, amps: asked.append(amps) or plain(books, amps)
    )
    find_kept(replace(grid, volts=volts, in_float=top), charge, spans, 200.0, "agm")
    assert np.median(asked[0]) == pytest.approx(0.0006 * 180.0, rel=0.1)
    assert np.log(asked[0]).std() == pytest.approx(0.7, rel=0.1)


def test_the_load_is_what_is_kept_over_the_time_in_which_the_bank_feeds_it(monkeypatch):
    grid, charge, spans = cycle()
    flat = Curve(0.96 * ONES, 0.8 * ONES, 0.96 * ONES, 0.95 * ONES)
    monkeypatch.setattr(Curve, "drawn", lambda rng: flat)
    monkeypatch.setattr("analysis.load.charge_kept.LOAD_SWING", (0.0, 0.0))
    loads = []
    plain = Books.shares
    monkeypatch.setattr(
        Books, "shares",
        lambda books, curve, depth, load, capacity: (
            loads.append((load, capacity)) or plain(books, curve, depth, load, capacity)
        ),
    )  # fmt: skip
    kept = find_kept(grid, charge, spans, 200.0, "agm")
    assert kept.overall == pytest.approx(0.96)
    # By hand: 256 Ah below the ceiling; 32 Ah at it, of which the load takes its part and the bank
    # has little room for the rest; 56 h of rest, 32 h and 8 h of running.
    load, capacity = loads[-1]
    # The ceiling is reached at 0.95 or earlier, as a charger of 8 A does, but not below the middle
    # of the charge.
    reached = 0.95 - 1.8 * np.clip(8.0 / capacity - 0.015, 0.0, 0.1)
    room = 1.0 - np.maximum(reached, 1.0 - 0.5 * load * 14.0 / capacity)
    filled = 0.96 * np.maximum(32.0 - load * 8.0, 0.0) / 4.0 / (room * capacity)
    high = 0.96 * (1.0 - np.exp(-filled)) / filled
    expected = (0.96 * 256.0 + high * 32.0) / (56.0 + 0.96 * 32.0 + high * 8.0)
    assert load == pytest.approx(expected, rel=0.01)
    (at_top,) = set(kept.by_cell[grid.limited])
    assert min(high) <= at_top <= max(high)


def test_a_large_charger_reaches_the_ceiling_earlier(monkeypatch):
    asked = []
    plain = Curve.reached_earlier
    monkeypatch.setattr(
        Curve, "reached_earlier", lambda curve, by: asked.append(by) or plain(curve, by)
    )
    grid, charge, spans = cycle()
    find_kept(grid, charge, spans, 200.0, "agm")
    # 8 A on 150 to 210 Ah: 1.8 times what is beyond 0.015 of the capacity.
    assert (asked[0].min(), asked[0].max()) == pytest.approx(
        (1.8 * (8 / 210 - 0.015), 1.8 * (8 / 150 - 0.015)), abs=3e-4
    )
    # A small one on a large bank does not, and a very large one by 0.18 at most.
    find_kept(grid, charge, spans, 2000.0, "agm")
    assert not asked[1].any()
    find_kept(grid, charge, spans, 20.0, "agm")
    assert set(asked[2]) == {1.8 * 0.1}


def test_the_loads_that_the_curves_give_spread_as_told():
    grid, charge, spans = cycle()
    kept = find_kept(grid, charge, spans, 200.0, "agm")
    # Mostly at the ceiling, what a worn bank takes there decides: 0.9 for each part beyond 0.4.
    top = np.where(grid.limited, 12.0 * charge, charge)
    much = find_kept(grid, top, spans, 200.0, "agm")
    part = 384.0 / 640.0 - 0.4
    assert much.load_sd > 0.9 * part
    assert much.load_sd < 0.9 * part + 3.0 * kept.load_sd
    # The same log gives the same figure.
    assert find_kept(grid, charge, spans, 200.0, "agm").load_sd == kept.load_sd


def test_the_load_swings_about_the_current_of_the_charger(monkeypatch):
    asked = []
    monkeypatch.setattr(
        "analysis.load.charge_kept.less_to_and_fro",
        lambda share, load, charger_a, swing: asked.append((charger_a, swing)) or share,
    )
    grid, charge, spans = cycle()
    find_kept(grid, charge, spans, 200.0, "agm")
    # 256 Ah in 32 h below the ceiling; the load's swing is a fifth of it to all of it.
    assert [charger_a for charger_a, _ in asked] == pytest.approx([8.0] * len(asked))
    assert (asked[0][1].min(), asked[0][1].max()) == pytest.approx((0.2, 1.0), abs=0.02)
