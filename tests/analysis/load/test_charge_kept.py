"""What a bank keeps of its charge, on boats of an independent generator whose truth is known."""

import numpy as np
import pytest

from analysis.history.history import load_history
from analysis.history.runs import find_runs
from analysis.load.charge_kept import FULL_SHARE, KNEE, LOW_SHARE, Curve
from analysis.load.daily import daily_load
from analysis.statistics.windows import window
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.boats.bank_boats import draw
from tests.support.boats.bank_lives import intervals, live

KINDS = ("plain", "deep", "profile", "nearly_full", "float", "solar", "shore", "engine")


@pytest.fixture(scope="module")
def lived():
    """A boat of each kind, over one season, on a seed that nothing was tuned on."""
    from dataclasses import replace

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
    assert found.ah.low < drawn < found.ah.high
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
