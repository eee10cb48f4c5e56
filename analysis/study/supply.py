"""Load and fuel of one boat, judged: what was said of them and what is true.

Truth comes from the day records and the course of the simulator, never from the log. Only days
of the season count; days of the first and last date are not whole and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.fuel import fuel_outlook
from analysis.fuel_changes import changes, find_changes
from analysis.fuel_use import fuel_use
from analysis.load import LATEST_DAYS, daily_load
from analysis.runs import find_runs
from analysis.study.boats import simulate

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from analysis.history import History
    from analysis.study.boats import Boat, Truth

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

DAY_S = 86400.0
#: Moments of a life at which the fuel is asked for, as shares of the log.
MOMENTS = (0.45, 0.65, 0.85)
CONTAINERS = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class Said:
    """A figure with its 90 % interval beside the truth."""

    low: float
    median: float
    high: float
    truth: float

    @property
    def holds(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low <= self.truth <= self.high

    @property
    def error(self) -> float:
        """Relative error of the figure."""
        return self.median / self.truth - 1.0


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
class SupplyOutcome:
    """What was said of one boat's load and fuel."""

    name: str
    method: str
    load: Said | None
    """Mean Ah a day on self-reliant days of the time looked at."""
    p95: Said | None
    other_days: int
    """Days in season, logged, on which another source gave current."""
    other_recognised: int
    alone_days: int
    alone_lost: int
    """Self-reliant days taken for days with another source."""
    l_per_kwh: dict[int, Said]
    """After so many containers."""
    days_left: tuple[Said, ...]
    """Where the boat was in use until the fuel was gone."""
    days_left_laid_up: tuple[Said, ...]
    """Where she was laid up before."""
    changes: Changes


def judge_supply(boat: Boat, cache: Path | None) -> SupplyOutcome:
    """Let a boat live, ask for its load and fuel, and set what is said beside what is true."""
    history, truth = simulate(boat, cache)
    config = boat.config()
    found = daily_load(history, config)
    alone, other = _days(history, truth)
    load = p95 = None
    if found.ah.median is not None and alone.any():
        daily = truth.days["load_ah"][alone]
        load = Said(
            found.ah.low or 0.0, found.ah.median, found.ah.high or np.inf, float(daily.mean())
        )
        if found.ah_p95 is not None:
            p95 = Said(0.0, found.ah_p95, np.inf, float(np.quantile(daily, 0.95)))
    first_s = truth.days["start_s"][0] if len(truth.days["start_s"]) else 0.0
    helped = _marked(found.other_s, first_s, len(alone))
    silent = _marked(found.gap_s, first_s, len(alone))
    if boat.unknown_clock > 0.0:  # its days have no certain place
        alone, other = np.zeros_like(alone), np.zeros_like(other)
    left = _days_left(boat, history, truth)
    return SupplyOutcome(
        name=boat.name,
        method=found.method,
        load=load,
        p95=p95,
        other_days=int((other & ~silent).sum()),
        other_recognised=int((other & helped).sum()),
        alone_days=int((alone & ~silent).sum()),
        alone_lost=int((alone & helped).sum()),
        l_per_kwh=_uses(boat, history, truth),
        days_left=tuple(s for s, in_use in left if in_use),
        days_left_laid_up=tuple(s for s, in_use in left if not in_use),
        changes=_changes(boat, history, truth),
    )


def _days(history: History, truth: Truth) -> tuple[Flags, Flags]:
    """Return which days were self-reliant, and on which another source gave current."""
    start_s = truth.days["start_s"]
    season = np.array([kind != "laid_up" for kind in truth.day_kind], dtype=bool)
    season[[0, -1]] = False
    placed = history.start_s[np.isfinite(history.start_s)]
    if len(placed):
        season &= start_s >= placed.max() - LATEST_DAYS * DAY_S
    helped = truth.days["fed_h"] > 0.0
    return season & ~helped, season & helped


def _marked(begin_s: Floats, first_s: float, count: int) -> Flags:
    flags = np.zeros(count, dtype=bool)
    # The first day of a life begins at midnight too.
    place = np.floor((begin_s - first_s) / DAY_S + 0.5).astype(np.intp)
    flags[place[(place >= 0) & (place < count)]] = True
    return flags


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
        use = fuel_use(find_runs(cut, config.charger.rated_w), cut.events, config.fuel)
        if len(use.counted) == count:
            ends = (use.quantile(-1.645), use.estimate, use.quantile(1.645))
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
            continue  # what came after the log is not known
        said = fuel_outlook(cut, config).days_left
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
