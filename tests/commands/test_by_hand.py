"""Figures of the commands on the demonstration, computed by hand from what `ebbwatt export` writes.

Nothing of the program is used for the hand computations: pandas reads the exported intervals and
events.
"""

import json

import numpy as np
import pandas as pd
import pytest


@pytest.fixture(scope="module")
def exported(demonstration, run_ebbwatt, tmp_path_factory):
    """The intervals and events of the demonstration, as a spreadsheet would have them."""
    folder, _ = demonstration
    work = tmp_path_factory.mktemp("export")
    run_ebbwatt("export", work / "intervals.csv", cwd=folder)
    run_ebbwatt("export", work / "events.csv", "--events", cwd=folder)
    intervals = pd.read_csv(work / "intervals.csv", parse_dates=["start"])
    intervals["end"] = intervals.start + pd.to_timedelta(intervals.duration_s, unit="s")
    intervals["kwh"] = intervals.energy_j / 3.6e6
    return intervals, pd.read_csv(work / "events.csv", parse_dates=["time"])


@pytest.fixture(scope="module")
def said(demonstration, run_ebbwatt):
    """What each command says as a document."""
    folder, _ = demonstration
    found = {
        command: json.loads(run_ebbwatt(command, "--json", cwd=folder).stdout)
        for command in ("fuel", "size", "load")
    }
    found["report"] = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def last_year(exported):
    """The intervals of the last 365 days."""
    intervals, _ = exported
    end = intervals.end.iloc[-1]
    return intervals[intervals.start >= end - pd.Timedelta(days=365)]


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
    counter = intervals.runtime_h.iloc[-1] - last_year.runtime_h.iloc[0]
    assert fuel["year"]["running_hours"] == pytest.approx(counter, abs=0.5)


def test_litres_per_kwh_are_those_of_the_containers(exported, said):
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
    since = intervals[intervals.start >= changes.iloc[-1]].kwh.sum()
    left = said["fuel"]["litres_left"]
    assert left["low"] < 10.0 - since * use["estimate"] < left["high"]
