"""Fuel of one boat, judged: what was said of it and what is true.

Truth comes from the day records and the course of the simulator, never from the log.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.case import Case
from analysis.estimate import Z90
from analysis.fuel.changes import changes, find_changes
from analysis.fuel.consumption import fuel_use
from analysis.fuel.outlook import fuel_of
from analysis.fuel.wear import wear_of
from analysis.history.runs import find_runs
from analysis.study.boats import simulate
from analysis.study.scores import Said
from logger.durations import DAY_S

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.history.history import History
    from analysis.study.boats import Boat, Truth

#: Moments of a life at which the fuel is estimated, as shares of the log.
MOMENTS = (0.45, 0.65, 0.85)
CONTAINERS = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class Changes:
    """Container changes that were, and those found in the log without a record."""

    emptied: int = 0
    """Changes of a container that ran empty."""
    emptied_found: int = 0
    all: int = 0
    all_found: int = 0
    false: int = 0
    """Found, but never were."""


@dataclass(frozen=True, slots=True)
class FuelOutcome:
    """The fuel figures of one boat beside the truth."""

    name: str
    l_per_kwh: dict[int, Said]
    """After so many containers."""
    days_left: tuple[Said, ...]
    """Where the boat was in use until the fuel was gone."""
    days_left_laid_up: tuple[Said, ...]
    """Where she was laid up before."""
    changes: Changes


def judge_fuel(boat: Boat, cache: Path | None) -> FuelOutcome:
    """Simulate a boat, and compare its fuel figures with the truth."""
    if boat.config().fuel is None:
        return FuelOutcome(boat.name, {}, (), (), Changes())
    history, truth = simulate(boat, cache)
    left = _days_left(boat, history, truth)
    return FuelOutcome(
        name=boat.name,
        l_per_kwh=_uses(boat, history, truth),
        days_left=tuple(s for s, in_use in left if in_use),
        days_left_laid_up=tuple(s for s, in_use in left if not in_use),
        changes=_changes(boat, history, truth),
    )


def _use_at(boat: Boat, truth: Truth, time_s: float) -> float:
    """Return the true litres per kWh at a time."""
    days = truth.days
    at_h = boat.model.charger.hours_before + days["running_h"][days["start_s"] < time_s].sum()
    charger = boat.model.charger
    level = float(truth.course[min(int(at_h), len(truth.course) - 1)])
    return charger.l_per_kwh * charger.new_fraction / level


def _told(boat: Boat) -> bool:
    return boat.model.charger.container_l > 0.0 and boat.fuel_told and boat.unknown_clock == 0.0


def _cut(history: History, time_s: float) -> History:
    cut = history.select(history.end_s <= time_s)
    return replace(cut, events=tuple(e for e in history.events if e.time_s <= time_s))


def _uses(boat: Boat, history: History, truth: Truth) -> dict[int, Said]:
    """Return litres per kWh as said after the first containers."""
    config = boat.config()
    if not _told(boat) or config.fuel is None or len(history) == 0:
        return {}
    known = changes(history.events, float(history.end_s[-1]))
    found: dict[int, Said] = {}
    for count in CONTAINERS:
        if len(known) <= count:
            break
        until_s = known[count].time_s + 60.0
        cut = _cut(history, until_s)
        if len(cut) == 0:
            continue
        case = Case(cut, config)
        use = fuel_use(case.runs, cut.events, config.fuel, wear_of(case))
        if len(use.counted) == count:
            ends = (use.quantile(-Z90), use.estimate, use.quantile(Z90))
            found[count] = Said(*ends, _use_at(boat, truth, until_s))
    return found


def _days_left(boat: Boat, history: History, truth: Truth) -> list[tuple[Said, bool]]:
    """Return days of fuel left as said at some moments, beside the days it then lasted.

    The flag says whether the boat was in use all that time.
    """
    config = boat.config()
    if not _told(boat) or config.fuel is None or len(history) == 0:
        return []
    days = truth.days
    first_s, last_s = float(history.start_s[0]), float(history.end_s[-1])
    kinds = np.array(truth.day_kind)
    uses = np.array([_use_at(boat, truth, s) for s in days["start_s"]])
    litres = days["charger_wh"] / 1000.0 * uses
    found: list[tuple[Said, bool]] = []
    for share in MOMENTS:
        moment = np.ceil((first_s + share * (last_s - first_s)) / DAY_S) * DAY_S
        day = int(np.searchsorted(days["start_s"], moment))
        before = [t for t in truth.changes if t <= moment]
        if day >= len(kinds) or kinds[day] == "laid_up" or not before:
            continue
        cut = _cut(history, moment)
        fresh = int(np.searchsorted(days["start_s"], before[-1], side="right")) - 1
        # Of the day of the change, the part after it.
        part = 1.0 - (before[-1] - days["start_s"][fresh]) / DAY_S
        left = boat.model.charger.container_l - litres[fresh] * part - litres[fresh + 1 : day].sum()
        ahead = np.cumsum(litres[day:-1])
        if left <= 0.0 or len(ahead) == 0 or ahead[-1] < left:
            continue  # the use after the log is not known
        said = fuel_of(Case(cut, config)).days_left
        if said.low is None:
            continue
        end = day + int(np.searchsorted(ahead, left))
        lasted = float(days["start_s"][end] - moment) / DAY_S
        high = np.inf if said.high is None else said.high
        middle = said.low if said.median is None else said.median
        in_use = not bool((kinds[day : end + 1] == "laid_up").any())
        found.append((Said(said.low, middle, high, lasted), in_use))
    return found


def _changes(boat: Boat, history: History, truth: Truth) -> Changes:
    """Count the container changes that are found in the log."""
    fuel = boat.config().fuel
    if fuel is None or not truth.changes or boat.unknown_clock > 0.0 or len(history) == 0:
        return Changes()
    runs = find_runs(history, boat.model.charger.rated_w)
    times = np.array([e.time_s for e in find_changes(runs, fuel)])
    # It may have been changed at any time of the pause: the run that follows tells them apart.
    said = np.searchsorted(runs.start_s, times)
    true = np.searchsorted(runs.start_s, np.array(truth.changes))
    emptied = ~np.isin(truth.changes, truth.changes_early)
    found = np.isin(true, said)
    return Changes(
        int(emptied.sum()),
        int((emptied & found).sum()),
        len(true),
        int(found.sum()),
        int((~np.isin(said, true)).sum()),
    )
