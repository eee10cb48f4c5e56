"""Plans the days of an invented boat: where it is, its load by the hour, and other sources."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from logger.durations import YEAR_D

if TYPE_CHECKING:
    from random import Random

    from logger.sources.boat.model import Habits


#: Shape of the load over the day, mean 1. At rest it peaks in the evening; under way instruments,
#: steering and lights run through the night. The usual audit tables list at anchor and on passage
#: apart (common practice, no source for the hours).
AT_REST = (
    (0.6,) * 6 + (0.9, 1.2, 1.1, 0.9, 0.8, 0.9, 1.0, 0.9, 0.8, 0.8, 0.9, 1.2, 1.7, 2.0, 1.9, 1.6)
    + (1.1, 0.8)
)  # fmt: skip
UNDER_WAY = (1.1,) * 6 + (1.0,) * 4 + (0.9,) * 8 + (1.0,) * 2 + (1.15,) * 4
LEVEL = (1.0,) * 24
_SHAPES = {"under_way": UNDER_WAY, "at_rest": AT_REST}
_NORMAL = {kind: tuple(v / (sum(shape) / 24.0) for v in shape) for kind, shape in _SHAPES.items()}

#: The other source that may charge in an hour.
NOBODY, SHORE, ENGINE = 0, 1, 2


@dataclass(frozen=True, slots=True)
class DayPlan:
    """One day: its kind, the steady load and the other source of each hour, and the weather."""

    kind: str
    """``under_way``, ``at_rest``, ``away``, ``shore`` or ``laid_up``."""
    load_a: tuple[float, ...]
    """Mean load of each hour, A, without the cycling part."""
    cycling: float
    """Share of time for which the cold box runs, 0 to 1."""
    other: tuple[int, ...]
    """Other source of each hour."""
    ambient_c: float


@dataclass(slots=True)
class DayRecord:
    """What happened on one day of the boat: the truth with which a load estimate is compared."""

    start_s: float
    """Unix time of the day's first moment, UTC."""
    kind: str
    load_ah: float = 0.0
    load_wh: float = 0.0
    other_h: float = 0.0
    """Hours for which another source was connected."""
    fed_h: float = 0.0
    """Hours in which it gave current; it gives none while the charger holds the voltage higher."""
    fed_ah: float = 0.0
    """Charge that it gave, Ah; not counted while the boat is laid up and silent."""
    charger_ah: float = 0.0
    charger_wh: float = 0.0
    running_h: float = 0.0
    free_h: float = 0.0
    """Running hours after warm-up in which neither battery, heat nor fuel limited the charger."""
    passed_ah: float = 0.0
    """Charge that went into the battery."""
    stored_ah: float = 0.0
    """Charge that the battery kept of it."""
    silent_h: float = 0.0
    """Hours for which the logger was silent."""
    least_soc: float = 1.0
    """Lowest state of charge of the bank."""
    start_soc: float = math.nan
    """Lowest state of charge at a start of the charger; NaN without one."""


def in_season(habits: Habits, day_of_year: int) -> bool:
    """Return whether the boat is in use; a season may run over the turn of the year."""
    first, last = habits.season
    if first <= last:
        return first <= day_of_year <= last
    return day_of_year >= first or day_of_year <= last


def plan_day(
    habits: Habits, start_s: float, before: DayPlan | None, weather_c: float, rng: Random
) -> DayPlan:
    """Plan the day that begins at ``start_s`` (Unix time), given the day before."""
    day = datetime.fromtimestamp(start_s, UTC).timetuple().tm_yday
    ambient = (
        habits.ambient_c
        - habits.ambient_swing_c * math.cos(2.0 * math.pi * (day - 25) / YEAR_D)
        + weather_c
    )
    if not in_season(habits, day):
        return DayPlan("laid_up", (0.0,) * 24, 0.0, (SHORE,) * 24, ambient)
    kind = _kind(habits, before, rng)
    mean_a = {
        "under_way": habits.under_way_a,
        "at_rest": habits.at_rest_a,
        "away": habits.away_a,
        "shore": habits.at_rest_a,
    }[kind]
    mean_a *= rng.lognormvariate(-0.5 * habits.day_sigma**2, habits.day_sigma)
    shape = _NORMAL.get(kind, LEVEL)
    cycling = 0.0
    if kind != "away" and habits.cycling_a > 0.0:
        # The cold box takes more when it is warm, at most 40 % of the day's load.
        wanted = 0.3 + 0.015 * (ambient - 15.0)
        cycling = min(0.9, max(0.1, min(wanted, 0.4 * mean_a / habits.cycling_a)))
        cycling = min(cycling, mean_a / habits.cycling_a)
    rest_a = mean_a - cycling * habits.cycling_a
    return DayPlan(
        kind,
        tuple(rest_a * part for part in shape),
        cycling,
        _others(habits, kind, before, rng),
        ambient,
    )


def _kind(habits: Habits, before: DayPlan | None, rng: Random) -> str:
    """Draw the kind of day; often it is that of the day before."""
    if before is not None and before.kind != "laid_up" and rng.random() < 0.6:
        return before.kind
    draw = rng.random()
    for kind, share in (
        ("under_way", habits.under_way_share),
        ("away", habits.away_share),
        ("shore", habits.shore_share),
    ):
        if draw < share:
            return kind
        draw -= share
    return "at_rest"


def _others(habits: Habits, kind: str, before: DayPlan | None, rng: Random) -> tuple[int, ...]:
    other = [NOBODY] * 24
    if before is not None and before.kind in {"shore", "laid_up"} and before.other[23] == SHORE:
        other[:9] = [SHORE] * 9
    if kind == "shore":
        if before is not None and before.kind == "shore":
            other = [SHORE] * 24
        else:
            other[16:] = [SHORE] * 8
    if kind == "under_way" and rng.random() < habits.engine_share:
        morning = rng.randrange(6, 10)
        for hour in range(morning, morning + rng.randrange(1, 3)):
            other[hour] = ENGINE
        if rng.random() < 0.5:
            other[17] = other[18] = ENGINE
    return tuple(other)
