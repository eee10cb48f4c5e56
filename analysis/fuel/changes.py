"""Container changes: those that people recorded, else those that show in the log.

A level gauge shows every change. Without a gauge, only a container that ran dry leaves traces. The
energy between two changes must then fit: a container cannot run dry before it has given half of
what it holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.fuel.dry_stops import Sign, dry_stops
from analysis.history.energy import energy_before
from logger.event import Event

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analysis.history.runs import Runs
    from logger.config import FuelConfig

    Flags = NDArray[np.bool_]

#: Text of a change that nobody recorded.
FOUND = "found in the log"
#: A change raises the gauge by at least this part of a container, and the level holds for this many
#: intervals on both sides: sloshing does not (judgement, no source).
_FILLED, _KEPT = 0.25, 7
#: Least share of the intervals with a level for the gauge to be used (judgement, no source).
_GAUGE_SHARE = 0.5
# The shares below are of the energy that a container is expected to give (judgement, no source).
#: Least energy between two changes.
_MIN_SHARE = 0.5
#: Less energy than this between two stops is a restart on the same empty container.
_RESTART_SHARE = 0.1
#: Energy between two changes that certainly is one container.
_FITTING_SHARE = (0.65, 1.45)
#: A run that gives less than this is a start on the rest in an empty container.
_MIN_RUN_SHARE = 0.01
#: If there are more faults than this per container, as the energy counts them, faults have another
#: cause and are ignored (judgement, no source).
_FAULTS_PER_CONTAINER = 1.5
#: A recorded change counts if it lies no further than this behind the end of the log, s: while the
#: charger rests the log is written every 20 minutes, and who has just noted a change asks at once.
LATE_S = 3600.0
#: The time of a change is set this long before the run that follows it, s: the log does not show
#: it.
_BEFORE_S = 60.0


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop that looks like an empty container."""

    time_s: float
    """Unix time just before the charger ran again."""
    energy_kwh: float
    """Energy delivered in the log before it."""
    sign: Sign


def changes(events: tuple[Event, ...], until_s: float) -> list[Event]:
    """Return the recorded fuel changes that were not struck, in order of time.

    Parameters
    ----------
    events
        What people noted.
    until_s
        Unix time at which the log ends; later changes than :data:`LATE_S` behind it do not count.
    """
    last_s = until_s + LATE_S
    found = [
        e for e in events if e.kind == "fuel" and not e.struck and e.amount and e.time_s <= last_s
    ]
    return sorted(found, key=lambda e: e.time_s)


def find_changes(runs: Runs, fuel: FuelConfig) -> tuple[Event, ...]:
    """Find container changes in the log, for an owner who recorded none.

    A container that is changed before it is empty leaves no trace unless there is a level gauge.

    Parameters
    ----------
    runs
        The runs of the log.
    fuel
        What each container holds, and the expected litres per kWh.
    """
    told = np.isfinite(runs.log.fuel_l)
    expected_kwh = fuel.container_l / fuel.l_per_kwh
    times = (
        _gauge_rises(runs, told, fuel.container_l)
        if np.count_nonzero(told) > _GAUGE_SHARE * len(told)
        else [stop.time_s for stop in credible(_stops(runs, expected_kwh), expected_kwh)]
    )
    return tuple(
        Event(number, at, "fuel", fuel.container_l, FOUND) for number, at in enumerate(times, 1)
    )


def _gauge_rises(runs: Runs, told: Flags, container_l: float) -> list[float]:
    """Return when the level rose and stayed; single high values are sloshing fuel."""
    level, at = runs.log.fuel_l[told], runs.log.start_s[told]
    count = len(level) - 2 * _KEPT + 1
    if count < 1:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(level, _KEPT)
    median = np.median(windows, axis=1)
    rise = median[_KEPT : _KEPT + count] - median[:count]
    risen = np.concatenate(([False], rise > _FILLED * container_l, [False]))
    begins, ends = np.flatnonzero(np.diff(risen.astype(np.int8))).reshape(-1, 2).T
    # The medians rise as long before the change as after it, so that it lies in the middle.
    middle = (begins + ends - 1) // 2
    return [float(at[place + _KEPT]) for place in middle]


def credible(stops: Iterable[Stop], expected_kwh: float) -> list[Stop]:
    """Return the stops that the energy between them supports.

    Of two stops with too little energy between them, the stronger sign stays. A weak sign needs a
    neighbour at the distance of one container. ``expected_kwh`` is what a container should give.
    """
    kept: list[Stop] = []
    for stop in stops:
        part = (stop.energy_kwh - kept[-1].energy_kwh) / expected_kwh if kept else np.inf
        if part >= _MIN_SHARE:
            kept.append(stop)
        elif stop.sign > kept[-1].sign or part < _RESTART_SHARE:
            kept[-1] = Stop(stop.time_s, stop.energy_kwh, max(stop.sign, kept[-1].sign))
    parts = np.diff([stop.energy_kwh for stop in kept]) / expected_kwh
    one = np.flatnonzero((parts > _FITTING_SHARE[0]) & (parts < _FITTING_SHARE[1]))
    supported = {*one.tolist(), *(one + 1).tolist()}
    return [s for place, s in enumerate(kept) if place in supported or s.sign > Sign.WAITED]


def _stops(runs: Runs, expected_kwh: float) -> list[Stop]:
    """Return the stops that look like an empty container, in order of time."""
    starts_kwh = energy_before(runs, runs.start_s)
    ends_kwh = energy_before(runs, runs.end_s)
    signs = dry_stops(runs)
    faults = sum(sign is Sign.FAULT for _, sign in signs)
    if len(runs) and faults > 1.0 + _FAULTS_PER_CONTAINER * float(ends_kwh[-1]) / expected_kwh:
        signs = [(k, sign) for k, sign in signs if sign is not Sign.FAULT]
    found = []
    for following, sign in signs:
        # A start on an empty container gives nothing, so the change came after it.
        energy = float(starts_kwh[following])
        more = int(np.searchsorted(ends_kwh, energy + _MIN_RUN_SHARE * expected_kwh))
        place = min(max(following, more), len(runs) - 1)
        found.append(Stop(float(runs.start_s[place] - _BEFORE_S), energy, sign))
    return found
