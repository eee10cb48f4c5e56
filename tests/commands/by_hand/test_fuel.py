"""Figures of `ebbwatt fuel`, computed by hand from what `ebbwatt export` writes."""

import itertools
import re
from datetime import datetime, timedelta

import numpy as np
import pytest

from tests.support.screens.figures_told import assert_tells

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
pytestmark = [pytest.mark.slow, pytest.mark.timeout(2 * GENEROUS_S)]


def test_containers_a_year_are_those_of_the_last_365_days(exported, said, last_year):
    intervals, events = exported
    kwh = last_year.kwh.sum()
    assert kwh == pytest.approx(105.8, abs=0.1)
    fuel = said["fuel"]
    by_hand = kwh * fuel["l_per_kwh"]["estimate"] / 10.0
    year = fuel["containers_per_year"]
    assert year["median"] == pytest.approx(by_hand, rel=0.01)
    assert year["low"] < by_hand < year["high"]
    # Changes that were recorded in that time, each of a container that had lasted: 14, one more
    # being in use.
    changes = events[(events.kind == "fuel") & (events.time >= last_year.start.iloc[0])]
    assert year["median"] == pytest.approx(len(changes), abs=1.5)
    assert fuel["year"]["kwh"] == pytest.approx(kwh, rel=1e-4)
    assert fuel["year"]["days_logged"] == pytest.approx(
        last_year.duration_s.sum() / 86400.0, abs=0.02
    )
    # A whole year is known to as much as the litres per kWh are.
    ends = [kwh * fuel["l_per_kwh"][end] / 10.0 for end in ("low", "high")]
    assert [year["low"], year["high"]] == pytest.approx(ends, rel=2e-3)
    for end, litres in fuel["litres_per_year"].items():
        assert litres == pytest.approx(10.0 * year[end], abs=1e-3)
    to = intervals.end.iloc[-1]
    told = [datetime.fromisoformat(fuel["year"][end]) for end in ("from", "to")]
    assert told == [to - timedelta(days=365), to]
    assert (fuel["year"]["days"], fuel["year"]["whole"]) == (365.0, True)
    # The counter stood still in the gaps of that year: the winter aboard nobody.
    gap = (last_year.start - last_year.end.shift()).dt.total_seconds() > 1500.0
    own_h = last_year.duration_s / 3600.0 * last_year.state.isin(["running", "starting"])
    unlogged_h = (last_year.runtime_h.diff() - own_h)[gap].clip(lower=0.0)
    assert unlogged_h.max() < 0.15
    assert fuel["year"]["unlogged_kwh"] == 0.0
    counter = intervals.runtime_h.iloc[-1] - last_year.runtime_h.iloc[0]
    assert fuel["year"]["running_hours"] == pytest.approx(counter, abs=0.5)


def test_litres_per_kwh_are_those_of_the_containers(exported, said):
    import pandas as pd

    intervals, events = exported
    changes = events[(events.kind == "fuel") & (events.struck == "no")].time
    cut = pd.cut(intervals.start, [*changes, intervals.end.iloc[-1]], labels=False)
    energy = intervals.kwh.groupby(cut).sum().iloc[:-1]
    middle_h = intervals.runtime_h.groupby(cut).mean().iloc[:-1]
    # A straight line through the last twelve containers, drawn out to the hours of today.
    line = np.polyfit(middle_h.iloc[-12:], np.log(10.0 / energy.iloc[-12:]), 1)
    by_hand = np.exp(np.polyval(line, intervals.runtime_h.iloc[-1]))
    use = said["fuel"]["l_per_kwh"]
    assert use["low"] < by_hand < use["high"]
    assert use["estimate"] == pytest.approx(by_hand, rel=0.03)
    assert said["fuel"]["containers_counted"] == len(changes) - 1
    assert said["fuel"]["containers_refused"] == []
    assert said["fuel"]["container_changes"] == "recorded"
    since = intervals[intervals.start >= changes.iloc[-1]].kwh.sum()
    left = said["fuel"]["litres_left"]
    assert left["low"] < 10.0 - since * use["estimate"] < left["high"]
    assert left["median"] == pytest.approx(10.0 - since * use["estimate"], abs=0.05)


def test_days_left_are_those_of_the_last_90_whole_days(exported, said):
    intervals, _ = exported
    fuel = said["fuel"]
    by_day = intervals.set_index("start")[["kwh", "duration_s"]].resample("D").sum()
    whole = by_day[by_day.duration_s > 23 * 3600.0].kwh.iloc[-90:]
    assert fuel["days_used"] == len(whole)
    assert fuel["kwh_per_day"] == pytest.approx(whole.mean(), rel=0.01)
    # Begin on each of these days: how many whole days does the fuel last?
    left_kwh = fuel["litres_left"]["median"] / fuel["l_per_kwh"]["estimate"]
    lasted = []
    for begin in range(len(whole)):
        used = whole.iloc[begin:].cumsum().to_numpy()
        if used[-1] > left_kwh:
            lasted.append(int(np.searchsorted(used, left_kwh)))
    low, median, high = np.percentile(lasted, [5, 50, 95])
    said_left = fuel["days_left"]
    # Blocks of days are drawn and moved; single days are whole numbers.
    assert said_left["median"] == pytest.approx(median, abs=1.5)
    assert said_left["low"] == pytest.approx(low, abs=1.5)
    assert said_left["high"] == pytest.approx(high, abs=4.0)


def test_what_a_kwh_makes_follows_from_the_formula(said):
    """CH3OH + 1.5 O2 -> CO2 + 2 H2O; density 0.7915 kg/L at 20 degC (CRC Handbook, from memory)."""
    grams = said["fuel"]["l_per_kwh"]["estimate"] * 791.5
    made = said["fuel"]["per_kwh"]
    assert made["co2_g"] == pytest.approx(grams / 32.04 * 44.01, rel=2e-3)
    assert made["water_g"] == pytest.approx(grams / 32.04 * 2 * 18.015, rel=2e-3)
    # Lower heating value 19.9 MJ/kg.
    assert made["efficiency_lhv"] == pytest.approx(3.6 / (grams / 1000.0 * 19.9), rel=0.01)
    # Air with 420 ppm of carbon dioxide in, 5000 ppm out; 24.47 L a mole at 25 degC.
    air = 0.110 * made["co2_g"] / 44.01 * 24.47 / 1000.0 / ((5000 - 420) * 1e-6)
    assert said["fuel"]["closed_space"]["air_m3_per_h"] == pytest.approx(air, rel=0.02)
    assert said["fuel"]["closed_space"]["co2_limit_ppm"] == 5000
    # IEC 62485-2: 0.05 m3 an ampere hour; a valve-regulated cell gases 8 mA/Ah while it is boosted;
    # six cells of 220 Ah.
    bank = 0.05 * 6 * 8.0 * 220.0 / 1000.0
    assert said["fuel"]["closed_space"]["battery_air_m3_per_h"] == pytest.approx(bank, rel=1e-6)


def mean_time(times):
    """Return the mean of some times."""
    first = times[0]
    return first + sum((time - first for time in times), timedelta()) / len(times)


def test_the_screen_tells_these_figures(said, shown, exported, early_output):
    intervals, events = exported
    fuel = said["fuel"]
    changes = events[(events.kind == "fuel") & (events.struck == "no")].time

    def ends(name, middle="median"):
        return [fuel[name][end] for end in (middle, "low", "high")]

    # The first and the last third of 42 containers; what each gave at the same part left over.
    edges = [*changes, intervals.end.iloc[-1]]
    kwh = np.array([
        intervals.kwh[(intervals.start >= begin) & (intervals.start < end)].sum()
        for begin, end in itertools.pairwise(edges[:-1])
    ])  # fmt: skip
    rise = np.exp(np.log(10.0 / kwh[-14:]).mean() - np.log(10.0 / kwh[:14]).mean()) - 1.0
    # Output over the same time, by a curve of third degree: fuel per kWh goes as one over it.
    curve = np.polyfit(early_output.hours, early_output.part, 3)
    part = []
    for some in (edges[:15], edges[-16:-1]):
        middle = [b + (e - b) / 2 for b, e in itertools.pairwise(some)]
        row = intervals.end.searchsorted(mean_time(middle))
        part.append(np.polyval(curve, intervals.runtime_h.iloc[row]))
    explained = part[0] / part[1] - 1.0
    # The passage is one more line of the screen.
    text = shown("fuel", "--days", "21")
    said_rise = [float(v) for v in re.search(
        r"the use rose by (\d+) % \((\d+) to (\d+) %\); the loss of output explains (\d+) %",
        " ".join(text.split())).groups()]  # fmt: skip
    assert said_rise[1] - 0.5 <= 100.0 * rise <= said_rise[2] + 0.5
    assert said_rise[0] == pytest.approx(100.0 * rise, abs=1.0)
    assert said_rise[3] == pytest.approx(100.0 * explained, abs=2.5)
    trip = said["passage"]
    made, space, year = fuel["per_kwh"], fuel["closed_space"], fuel["year"]
    # Methanol: 726.1 kJ/mol less 2 x 44.0 of water's heat, 32.04 g/mol, 791.5 g/L.
    kwh_per_l = (726.1 - 88.0) / 3600.0 / 32.04 * 791.5
    assert_tells(text, [
        *ends("l_per_kwh", "estimate"), *ends("litres_left"), *ends("days_left"),
        *ends("containers_per_year"), 10.0, 19.0, 20.0,
        21, *(trip["litres"][end] for end in ("median", "low", "high")), trip["containers"], 19, 20,
        fuel["containers_counted"], year["kwh"], year["days"],
        fuel["days_used"], 1000.0 * fuel["kwh_per_day"], 90.0,
        *said_rise,
        made["co2_g"], made["water_g"], 100.0 * made["efficiency_lhv"], kwh_per_l,
        110.0, space["air_m3_per_h"], 5000.0, 40000.0, 200.0, 250.0,
        space["battery_air_m3_per_h"],
    ])  # fmt: skip
