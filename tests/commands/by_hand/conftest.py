"""The demonstration as a spreadsheet would have it, and what each command says of it.

Nothing of the program is used for the hand computations: pandas reads the exported intervals and
events.
"""

import fcntl
import itertools
import json
import pickle
import time
from datetime import timedelta
from functools import partial
from types import SimpleNamespace

import pytest

from analysis.cli import main
from tests.support.pause import coverage_paused

#: A busy machine takes minutes for what takes seconds.
GENEROUS_S = 900
#: Where commands ask for the time of the person who reads.
CLOCKS = ("analysis.commands.fuel", "analysis.commands.report", "analysis.show.dashboard.watch")


@pytest.fixture(scope="session")
def run_on_years(run_ebbwatt):
    """Years of log take three times as long where coverage is measured; small boats measure it."""
    return partial(run_ebbwatt, measured=False, timeout=GENEROUS_S)


@pytest.fixture(scope="session")
def exported(demonstration, run_on_years):
    """The intervals and events of the demonstration; each process of a run reads one export."""
    import pandas as pd  # takes long to load, and every process of a run reads this file

    folder, _ = demonstration
    beside = folder.parent
    with (beside / "exported.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        kept = beside / "exported.pickle"
        if not kept.exists():
            run_on_years("export", beside / "intervals.csv", cwd=folder)
            run_on_years("export", beside / "events.csv", "--events", cwd=folder)
            intervals = pd.read_csv(beside / "intervals.csv", parse_dates=["start"])
            intervals["end"] = intervals.start + pd.to_timedelta(intervals.duration_s, unit="s")
            intervals["kwh"] = intervals.energy_j / 3.6e6
            events = pd.read_csv(beside / "events.csv", parse_dates=["time"])
            kept.write_bytes(pickle.dumps((intervals, events)))
        return pickle.loads(kept.read_bytes())


@pytest.fixture(scope="session")
def said(demonstration, asked):
    """What each command says as a document."""
    folder, _ = demonstration
    found = {command: json.loads(asked(command, "--json")) for command in ("fuel", "size", "load")}
    found["report"] = json.loads((folder / "assessment.json").read_text(encoding="utf-8"))
    trip = json.loads(asked("fuel", "--passage", "--under-way", "21", "--json"))
    found["passage"] = trip["passage"]
    return found


@pytest.fixture
def shown(demonstration, exported, monkeypatch, capsys):
    """A function from a command to what a person reads an hour after the log ended."""
    folder, _ = demonstration
    now_s = exported[0].end.iloc[-1].timestamp() + 3600.0
    for module in CLOCKS:
        clock = SimpleNamespace(**vars(time) | {"time": lambda: now_s})
        monkeypatch.setattr(f"{module}.time", clock)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")

    def show(*command):
        with coverage_paused():
            assert main(list(command)) == 0
        return capsys.readouterr().out

    return show


@pytest.fixture(scope="session")
def last_year(exported):
    """The intervals of the last 365 days."""
    intervals, _ = exported
    end = intervals.end.iloc[-1]
    return intervals[intervals.start >= end - timedelta(days=365)]


@pytest.fixture(scope="session")
def ran(exported):
    """The intervals in which the charger ran, each with the number of its run and hours into it."""
    intervals, _ = exported
    running = intervals[intervals.state.isin(["running", "starting", "shutting_down"])].copy()
    pause_s = (running.start - running.end.shift()).dt.total_seconds()
    running["run"] = (pause_s.isna() | (pause_s > 900)).cumsum()
    begun = running.groupby("run").start.transform("first")
    running["into_h"] = (running.start - begun).dt.total_seconds() / 3600.0
    return running


@pytest.fixture(scope="session")
def early_output(ran):
    """The output of each run's first hours below the charge ceiling, part of rated, by the hour."""
    import pandas as pd

    early = ran[(ran.into_h > 0.5) & (ran.into_h < 3.3) & (ran.state == "running")]
    early = early[early.voltage_max_v < 14.15]  # below the charge ceiling
    grouped = early.groupby("run")
    seen = pd.DataFrame(
        {
            "hours": grouped.runtime_h.mean(),
            "part": grouped.energy_j.sum() / grouped.duration_s.sum() / 110.0,
            "seconds": grouped.duration_s.sum(),
        }
    )
    return seen[seen.seconds > 3600]


@pytest.fixture(scope="session")
def stretches(exported, ran):
    """Stretches from start to start of the last two years in which nothing else charged."""
    import pandas as pd

    intervals, _ = exported
    running = intervals.index.isin(ran.index)
    starts = ran.groupby("run").start.first()
    rows = []
    for begin, end in itertools.pairwise(starts):
        if begin < intervals.end.iloc[-1] - timedelta(days=730):
            continue
        inside = (intervals.start >= begin) & (intervals.start < end)
        stretch, on = intervals[inside], running[inside]
        length_h = (end - begin).total_seconds() / 3600.0
        if stretch.duration_s.sum() / 3600.0 < length_h - 0.5:
            continue  # a gap
        ended = stretch[on].end.iloc[-1]
        rested = stretch[~on & (stretch.start > ended + timedelta(hours=4))]
        # Shore power and engine hold the bank above what it rests at, or charge it above 14.3 V.
        if (rested.voltage_mean_v > 12.95).any() or (stretch.voltage_max_v > 14.3).any():
            continue
        on_h = stretch[on].duration_s.sum() / 3600.0
        rows.append((begin, end, stretch.charge_c.sum() / 3600.0, length_h - on_h, on_h))
    return pd.DataFrame(rows, columns=["begin", "end", "charge_ah", "rest_h", "run_h"])
