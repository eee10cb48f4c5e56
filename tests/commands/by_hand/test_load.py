"""Figures of `ebbwatt load`, computed by hand from what `ebbwatt export` writes."""

import re
from datetime import timedelta

import numpy as np
import pytest

from tests.support.screens.figures_told import assert_tells

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


def by_hand_a(stretches, eta):
    """Return the mean load of each stretch, A: Q eta = L (rest + eta running)."""
    return eta * stretches.charge_ah / (stretches.rest_h + eta * stretches.run_h)


@pytest.fixture(scope="module")
def days_ah(exported, stretches, said):
    """The load of each day that stretches cover, hour by hour, Ah."""
    import pandas as pd

    end = exported[0].end.iloc[-1]
    hours = pd.date_range(end - timedelta(days=730), end, freq="h")
    load_a = pd.Series(np.nan, index=hours)
    amps = by_hand_a(stretches, said["load"]["charge_efficiency"])
    for begin, stop, value in zip(stretches.begin, stretches.end, amps, strict=True):
        load_a.iloc[hours.searchsorted(begin) : hours.searchsorted(stop)] = value
    by_day = load_a.resample("D").agg(["mean", "count"])
    return 24.0 * by_day[by_day["count"] >= 18]["mean"]


def test_the_load_is_that_of_stretches_from_start_to_start(exported, said, ran, stretches):
    """Balance by hand: Q eta = L (rest + eta running) between starts, when nothing else charged."""
    intervals, _ = exported
    load = said["load"]
    eta = load["charge_efficiency"]
    total = stretches[["charge_ah", "rest_h", "run_h"]].sum()
    by_hand = 24.0 * by_hand_a(total, eta)
    assert load["ah_per_day"]["low"] < by_hand < load["ah_per_day"]["high"]
    # Below the ceiling a lead-acid bank gives back 85 to nearly 100 % (common practice, no source).
    assert 0.85 < eta < 1.0
    rest = ~intervals.index.isin(ran.index)
    volts = np.average(intervals.voltage_mean_v[rest], weights=intervals.duration_s[rest])
    # Nothing gives a part every day, so the boat uses what she draws from the charger.
    assert load["shared"] is False
    assert load["boat_ah_per_day"] == {k: load["ah_per_day"][k] for k in ("low", "mean", "high")}
    for name, ah in load["ah_per_day"].items():
        assert load["wh_per_day"][name] == pytest.approx(ah * volts, rel=0.02)


def test_the_days_are_those_of_two_years(exported, said):
    """Each day of the calendar once: used, or left out for what its own readings show."""
    intervals, _ = exported
    load, end = said["load"], exported[0].end.iloc[-1]
    two_years = intervals[intervals.start >= end - timedelta(days=730)]
    by_day = two_years.set_index("start").resample("D")
    seconds = by_day.duration_s.sum()
    assert load["days_used"] + sum(load["days_left_out"].values()) == len(seconds)
    assert load["days_left_out"]["gap"] == pytest.approx((seconds < 18 * 3600).sum(), abs=3)
    # At rest for hours above 12.95 V, or above 14.3 V: shore power, or the engine.
    still = two_years[~two_years.state.isin(["running", "starting", "shutting_down"])]
    aided = (still.voltage_mean_v > 12.95) | (still.voltage_max_v > 14.3)
    aided_h = (still.duration_s * aided).groupby(still.start.dt.floor("D")).sum() / 3600.0
    assert load["days_left_out"]["other_source"] == pytest.approx((aided_h > 0.5).sum(), rel=0.3)
    assert load["days_left_out"]["between_marks"] == 0
    assert (load["method"], load["doubts"], load["withheld"]) == ("balance", [], None)


def test_days_that_need_much_are_those_of_the_stretches(said, days_ah):
    """A stretch of two days levels out what they need, so that its greatest are a little less."""
    load = said["load"]["ah_per_day"]
    assert load["median"] == pytest.approx(days_ah.median(), rel=0.10)
    for part, name in ((0.90, "p90"), (0.95, "p95")):
        by_hand = days_ah.quantile(part)
        assert 0.98 * by_hand < load[name] < 1.12 * by_hand
    # One hump: days of the two halves do not lie four standard deviations apart.
    assert days_ah.std() > (days_ah[days_ah > load["mean"]].mean() - days_ah.mean()) / 1.5
    assert said["load"]["kinds_of_day"] == []


def test_the_months_are_those_of_the_days(said, days_ah):
    load = said["load"]
    months = load["months"]
    days = np.array([month["days"] for month in months])
    assert days.sum() == load["days_used"]
    mean = np.average([month["ah"] for month in months], weights=days)
    assert mean == pytest.approx(load["ah_per_day"]["mean"], rel=1e-3)
    volts = load["wh_per_day"]["mean"] / load["ah_per_day"]["mean"]
    by_hand = days_ah.groupby(days_ah.index.strftime("%Y-%m")).agg(["mean", "count"])
    compared = 0
    for month in months:
        assert month["wh"] == pytest.approx(month["ah"] * volts, rel=1e-3)
        mean, count = by_hand.loc[month["month"]]
        if count >= 0.6 * month["days"]:  # the month's other days may have been quieter
            assert month["ah"] == pytest.approx(mean, rel=0.17)
            compared += 1
    assert compared >= 10


def test_the_screen_tells_these_figures(said, asked):
    load = said["load"]
    ah, wh = load["ah_per_day"], load["wh_per_day"]
    left = load["days_left_out"]
    text = asked("load")
    # As many months as the screen has room for, the latest ones.
    many = int(re.search(r"latest (\d+) of", text)[1])
    rows = [v for m in load["months"][-many:] for v in (m["ah"], m["wh"], m["days"])]
    assert_tells(text, [
        ah["mean"], ah["low"], ah["high"], wh["mean"], wh["low"], wh["high"],
        ah["median"], wh["median"],
        9, 10, ah["p90"], wh["p90"], 19, 20, ah["p95"], wh["p95"],
        many, len(load["months"]), *rows,
        load["days_used"], 100.0 * load["charge_efficiency"], 90,
        left["other_source"], left["gap"],
    ])  # fmt: skip
    # A month's bar is as long as its load is great.
    bars = [line.count("#") for line in text.splitlines() if line.endswith("#")]
    amounts = [month["ah"] for month in load["months"][-many:]]
    assert bars == [round(max(bars) * a / max(amounts)) for a in amounts]
