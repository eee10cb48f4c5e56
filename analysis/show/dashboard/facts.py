"""Collects what the dashboard shows from the live snapshot, the recent log and the assessment.

Honesty first: every figure carries its age, what is missing is named, and a value that is too old
is never shown as if it were now.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.history.history import STATE_CODE
from analysis.physics import J_PER_KWH
from analysis.show.dashboard.battery import Battery, battery_of
from analysis.show.freshness import fuel_too_old, with_forecast_suspended
from logger.reading import RUN_STATES, OperatingState
from logger.system.snapshot import STALE_AFTER_S

if TYPE_CHECKING:
    from datetime import tzinfo

    from analysis.assessment.document import Assessment
    from analysis.history.history import History
    from logger.config import Config
    from logger.event import Event
    from logger.reading import Reading
    from logger.system.snapshot import Snapshot

#: Said of what is not known until the whole log has been read.
WORKED_OUT = "being worked out"
#: Below this part of rated the charger is not called producing where the source names no state.
PRODUCING_FROM = 0.03


class Situation(StrEnum):
    """What is going on, in the one word that matters most to the owner."""

    PRODUCING = "producing"
    STARTING = "starting"
    STOPPING = "stopping"
    RESTING = "resting"
    FAULT = "fault"
    UNNAMED = "unnamed"
    """The charger names a state that the configuration does not."""
    SILENT = "silent"
    """The logger runs, but the charger says nothing (any more)."""
    UNWATCHED = "unwatched"
    """The logger does not run; the log ends some time ago."""
    UNREADABLE = "unreadable"
    """The logger does not run, and its log cannot be read."""
    EMPTY = "empty"
    """There is no log yet."""


#: Situations in which the present is not known.
NOT_LIVE = frozenset({Situation.SILENT, Situation.UNWATCHED, Situation.UNREADABLE, Situation.EMPTY})


@dataclass(frozen=True, slots=True)
class Fuel:
    """What is known of the fuel: litres and days left, or why not."""

    litres: Span = field(default_factory=Span)
    days: Span = field(default_factory=Span)
    gauge_l: float | None = None
    note: str = ""
    low: bool = False
    as_of_s: float | None = None
    """Unix time for which this is true: the end of the log; None where that is now."""


@dataclass(frozen=True, slots=True)
class Day:
    """Energy of one day of the last seven."""

    name: str
    energy_kwh: float
    logged: bool
    """Whether the log holds anything of that day."""


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything that one frame shows."""

    label: str
    rated_w: float
    now_s: float
    zone: tzinfo
    situation: Situation
    reading: Reading | None
    state_since_s: float | None = field(default=None, kw_only=True)
    """Unix time since when the state is that of the reading, as far as the logger saw it."""
    age_s: float | None
    """Age of the newest reading, or of the end of the log where nothing is live."""
    link: str
    battery: Battery
    today_kwh: float
    today_running_h: float
    week: tuple[Day, ...]
    counter_h: float | None
    assessment: Assessment | None
    assessment_note: str
    fuel: Fuel | None
    events: tuple[Event, ...]
    refused: dict[str, int]
    notices: tuple[str, ...]
    source: str = ""
    """What is read; of two sources, which value comes from which."""
    trouble: str = ""
    """Why the log cannot be read; empty where it can."""

    @property
    def power_w(self) -> float | None:
        """Output now, W; None where it is not known now."""
        r = self.reading
        if r is None or r.voltage_v is None or r.current_a is None:
            return None
        return r.voltage_v * r.current_a

    @property
    def live(self) -> bool:
        """Whether the newest reading speaks for now."""
        return self.situation not in NOT_LIVE


@dataclass(frozen=True, slots=True)
class Moment:
    """The clocks at one instant: Unix time, CLOCK_BOOTTIME, the boot, and the zone of the owner."""

    now_s: float
    boottime_s: float
    boot_id: str
    zone: tzinfo


def collect(
    moment: Moment,
    config: Config,
    snapshot: Snapshot | None,
    recent: History | None,
    assessment: Assessment | None,
    note: str = "",
    fuel: Fuel | None = None,
    trouble: str = "",
) -> Facts:
    """Bring together what one frame shows.

    Parameters
    ----------
    moment
        The clocks now.
    config
        The configuration.
    snapshot
        The live snapshot, None if there is none.
    recent
        The log of the last eight days or more, None if there is no log.
    assessment
        The newest assessment, None while there is none; ``note`` says why.
    fuel
        What is known of the fuel, None where it is not configured.
    trouble
        Why the log cannot be read, empty where it can.
    """
    file_age_s = None if snapshot is None else snapshot.age_s(moment.boottime_s, moment.boot_id)
    alive = file_age_s is not None and file_age_s <= STALE_AFTER_S
    reading = snapshot.reading if snapshot is not None and alive else None
    age_s = None
    if snapshot is not None and alive and snapshot.reading_age_s is not None:
        age_s = snapshot.reading_age_s + (file_age_s or 0.0)
    situation = _situation(config, snapshot if alive else None, reading, age_s, recent)
    if trouble and not alive:
        situation = Situation.UNREADABLE
    if situation in {Situation.UNWATCHED, Situation.UNREADABLE, Situation.EMPTY}:
        reading, age_s = None, _log_age(recent, moment.now_s)
    week, today_h = _week(moment, recent, snapshot if alive else None)
    return Facts(
        label=config.charger.label,
        rated_w=config.charger.rated_w,
        now_s=moment.now_s,
        zone=moment.zone,
        situation=situation,
        state_since_s=None if snapshot is None else snapshot.state_since_utc_s,
        reading=reading,
        age_s=age_s,
        link=_link(snapshot) if snapshot is not None and alive else "",
        battery=battery_of(
            moment.now_s,
            config.battery,
            recent,
            reading if situation not in NOT_LIVE else None,
            charging=reading is not None and _delivers(reading, config),
        ),
        today_kwh=week[-1].energy_kwh,
        today_running_h=today_h,
        week=week,
        counter_h=_counter(reading, recent),
        assessment=None
        if assessment is None
        else with_forecast_suspended(assessment, moment.now_s),
        assessment_note=note,
        fuel=fuel and _fuel(fuel, moment.now_s),
        events=recent.events if recent is not None else (),
        refused=dict(snapshot.refused) if snapshot is not None and alive else {},
        notices=snapshot.notices if snapshot is not None and alive else (),
        source="" if snapshot is None else snapshot.source,
        trouble=trouble,
    )


def _fuel(fuel: Fuel, now_s: float) -> Fuel:
    """Leave out the fuel that is left where the log is older than that fuel lasts."""
    why = fuel_too_old(fuel.days, fuel.as_of_s, now_s)
    return fuel if why is None else Fuel(gauge_l=fuel.gauge_l, note=why, as_of_s=fuel.as_of_s)


def _situation(
    config: Config,
    snapshot: Snapshot | None,
    reading: Reading | None,
    age_s: float | None,
    recent: History | None,
) -> Situation:
    if snapshot is None:
        return Situation.UNWATCHED if recent is not None and len(recent) else Situation.EMPTY
    gap_s = config.log.gap_s if snapshot.gap_s is None else snapshot.gap_s
    if reading is None or age_s is None or age_s > max(gap_s, STALE_AFTER_S):
        return Situation.SILENT
    by_state = {
        OperatingState.RUNNING: Situation.PRODUCING,
        OperatingState.THROTTLED: Situation.PRODUCING,
        OperatingState.STARTING: Situation.STARTING,
        OperatingState.SHUTTING_DOWN: Situation.STOPPING,
        OperatingState.FAULT: Situation.FAULT,
    }
    if reading.state is OperatingState.UNKNOWN:
        if _delivers(reading, config):
            return Situation.PRODUCING
        return Situation.UNNAMED if reading.word else Situation.RESTING
    return by_state.get(reading.state, Situation.RESTING)


def _delivers(reading: Reading, config: Config) -> bool:
    """Tell whether the charger delivers power worth the name."""
    power_w = (reading.voltage_v or 0.0) * (reading.current_a or 0.0)
    return power_w >= PRODUCING_FROM * config.charger.rated_w


def _link(snapshot: Snapshot) -> str:
    return f"{snapshot.link}: {snapshot.link_reason}" if snapshot.link_reason else snapshot.link


def _log_age(recent: History | None, now_s: float) -> float | None:
    if recent is None or not len(recent):
        return None
    return max(0.0, now_s - float(recent.end_s.max()))


def _counter(reading: Reading | None, recent: History | None) -> float | None:
    if reading is not None and reading.runtime_h is not None:
        return reading.runtime_h
    if recent is None:
        return None
    known = recent.runtime_h[np.isfinite(recent.runtime_h)]
    return float(known[-1]) if known.size else None


def _week(
    moment: Moment, recent: History | None, live: Snapshot | None
) -> tuple[tuple[Day, ...], float]:
    """Return energy by day of the last seven days, today last, and today's running hours."""
    today = datetime.fromtimestamp(moment.now_s, moment.zone).date()
    days = [today - timedelta(days=back) for back in range(6, -1, -1)]
    edges = [
        datetime.combine(day, time(), tzinfo=moment.zone).timestamp()
        for day in [*days, today + timedelta(days=1)]
    ]
    energy_j, logged_s, running_s = np.zeros(7), np.zeros(7), np.zeros(7)
    if recent is not None and len(recent):
        running = np.isin(recent.state, [STATE_CODE[state] for state in RUN_STATES])
        for place in range(7):
            inside_s = np.clip(
                np.minimum(recent.end_s, edges[place + 1])
                - np.maximum(recent.start_s, edges[place]),
                0.0,
                None,
            )
            share = inside_s / np.maximum(recent.duration_s, 1e-9)
            energy_j[place] = np.nansum(recent.energy_j * np.minimum(share, 1.0))
            logged_s[place] = inside_s.sum()
            running_s[place] = inside_s[running].sum()
    if live is not None and live.open_energy_j is not None:
        energy_j[6] += live.open_energy_j
        logged_s[6] += 1.0
    week = tuple(
        Day(day.strftime("%a")[:2], float(joules) / J_PER_KWH, bool(seconds > 0))
        for day, joules, seconds in zip(days, energy_j, logged_s, strict=True)
    )
    return week, float(running_s[6]) / 3600.0
