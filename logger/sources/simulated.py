"""A source without a charger: an invented boat at any speed, for trials and teaching.

At speed 1 it acts like a live charger (times on ``CLOCK_BOOTTIME``). At any other speed it acts
like a recording (Unix times from ``start``); at speed 0 it runs as fast as the machine can.
"""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from datetime import time as time_of_day
from typing import TYPE_CHECKING, Any

from logger.refusals import Refusals
from logger.settings import Section, Setting
from logger.sources.base import checked_settings
from logger.sources.boat.days import in_season
from logger.sources.boat.model import BoatModel
from logger.sources.boat.run import Voyage

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from logger.config import Config
    from logger.reading import Reading

SETTINGS = Section(
    "source",
    (
        Setting("seed", "whole", 1, "number of the boat", "", 0, 2**31),
        Setting(
            "speed",
            "number",
            1.0,
            "1 is real time, 60 is an hour in a minute, 0 is as fast as possible",
            "",
            0,
            1e9,
        ),
        Setting(
            "start",
            "date",
            None,
            "first day; the day of fitting if left out. Not used in real time",
        ),
        Setting(
            "days", "number", 0.0, "the boat ends after this many days; 0 is never", "d", 0, 36600
        ),
        Setting(
            "spacing_s",
            "number",
            None,
            "spacing of the readings. If left out: log.interval_s; without that, 1 s in real time "
            "and 60 s where time runs faster",
            "s",
            0.1,
            600,
        ),
        Setting(
            "rest_spacing_s",
            "number",
            None,
            "spacing while the charger rests; the same as spacing_s if left out",
            "s",
            0.1,
            600,
        ),
        Setting(
            "hours_before",
            "number",
            0.0,
            "running hours of the charger at the beginning",
            "h",
            0,
            20000,
        ),
        Setting(
            "loss_per_1000h",
            "number",
            0.085,
            "loss of output in 1000 h, as a part of rated",
            "",
            0,
            0.5,
        ),
        Setting("first_charge", "number", 0.5, "state of charge at the beginning", "", 0, 1),
    ),
    "an invented boat instead of a charger",
)

#: Spacing of the readings where nothing is set, s: years in seconds are made of minutes.
LIVE_SPACING_S, FAST_SPACING_S = 1.0, 60.0
#: The season of a boat in real time: all year, so that there is always something to see.
EVERY_DAY = (1, 366)
#: Readings at full speed after which other tasks of the process get a turn.
_BREATH = 200


class Simulated:
    """An invented boat as a source; see :class:`logger.sources.base.Source`.

    Its life goes on where it stopped when :meth:`readings` is called again.

    Parameters
    ----------
    model
        The boat.
    speed
        1 for real time, more for faster, 0 for as fast as possible.
    days
        Length of its life, 0 for no end.
    """

    def __init__(self, model: BoatModel, speed: float, days: float) -> None:
        self.live = speed == 1.0
        self.refusals = Refusals()
        self.voyage = Voyage(model)
        self._speed = speed
        self._life = self.voyage.readings(days=days or float("inf"))
        self._begun_s = self.voyage.time_s
        self._began: float | None = None

    async def readings(self) -> AsyncIterator[Reading]:
        """Give readings at the configured speed."""
        clock = time.clock_gettime
        if self._began is None:
            self._began = clock(time.CLOCK_BOOTTIME)
        for count, reading in enumerate(self._life):
            given = reading
            if self._speed == 0.0:
                if count % _BREATH == 0:
                    await asyncio.sleep(0)
            else:
                due = self._began + (reading.time_s - self._begun_s) / self._speed
                await asyncio.sleep(max(0.0, due - clock(time.CLOCK_BOOTTIME)))
                if self.live:
                    given = replace(reading, time_s=due)
            yield given

    def describe(self) -> str:
        """Name the source for a person, and say when it is laid up and gives no readings."""
        return f"invented boat, seed {self.voyage.model.seed}{self._laid_up()}"

    def _laid_up(self) -> str:
        habits = self.voyage.model.habits
        first, last = habits.season
        if habits.laid_up != "silent" or (first, last) == EVERY_DAY:
            return ""
        begins = datetime.fromtimestamp(self._begun_s, UTC)
        if in_season(habits, begins.timetuple().tm_yday):
            begin, end = _day(begins.year, last + 1), _day(begins.year, first)
            return f", laid up without readings from {begin:%-d %B} to {end:%-d %B} each year"
        opens = _day(begins.year, first)
        if opens < begins:
            opens = _day(begins.year + 1, first)
        return (
            f", laid up and without readings from its first day, {begins:%Y-%m-%d}, to "
            f"{opens:%Y-%m-%d}; start = {opens:%Y-%m-%d} in [source] begins with the season"
        )

    def hold(self, seconds: float) -> None:
        """Do nothing: each reading is made when it is due."""

    def rest(self) -> list[Reading]:
        """Return nothing: no reading waits."""
        return []

    async def close(self) -> None:
        """Nothing outlives a session."""


def _day(year: int, day_of_year: int) -> datetime:
    return datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=day_of_year - 1)


def build(config: Config) -> Simulated:
    """Build the source from a configuration; the boat follows its charger and its battery.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    values = checked_settings(config, SETTINGS)
    return Simulated(boat_for(config, values), values["speed"], values["days"])


def boat_for(config: Config, values: dict[str, Any]) -> BoatModel:
    """Return the default boat fitted with what the configuration says.

    Loads scale with the rated output, so that any charger is kept about as busy.
    """
    default = BoatModel()
    lfp = config.battery.chemistry == "lfp"
    ceiling = config.battery.charge_ceiling_v or (14.4 if lfp else 14.2)
    banks = max(1, round(ceiling / 14.3))
    scale = config.charger.rated_w / default.charger.rated_w / banks
    day = values["start"] or config.charger.fitted
    if values["speed"] == 1.0:
        start = datetime.now(UTC)
    elif day is None:
        start = default.start
    else:
        start = datetime.combine(day, time_of_day(6, 0), UTC)
    spacing = values["spacing_s"] or (
        config.log.interval_s
        if config.log.interval_given
        else LIVE_SPACING_S
        if values["speed"] == 1.0
        else FAST_SPACING_S
    )
    fuel = config.fuel
    return replace(
        default,
        seed=values["seed"],
        start=start,
        charger=replace(
            default.charger,
            rated_w=config.charger.rated_w,
            loss_per_1000h=values["loss_per_1000h"],
            hours_before=values["hours_before"],
            horizon_h=max(default.charger.horizon_h, values["hours_before"] + 12000.0),
            start_v=(13.06 if lfp else 12.3) * banks,
            ceiling_v=ceiling,
            tail_a=default.charger.tail_a * scale,
            loop_ohm=default.charger.loop_ohm / scale,
            l_per_kwh=fuel.l_per_kwh if fuel else default.charger.l_per_kwh,
            container_l=fuel.container_l if fuel else 0.0,
        ),
        battery=replace(
            default.battery,
            capacity_ah=config.battery.capacity_ah or default.battery.capacity_ah * scale,
            chemistry=config.battery.chemistry,
            cells=(4 if lfp else 6) * banks,
            first_charge=values["first_charge"],
        ),
        habits=replace(
            default.habits,
            under_way_a=default.habits.under_way_a * scale,
            at_rest_a=default.habits.at_rest_a * scale,
            away_a=default.habits.away_a * scale,
            cycling_a=default.habits.cycling_a * scale,
            engine_a=default.habits.engine_a * scale,
            season=EVERY_DAY if values["speed"] == 1.0 else default.habits.season,
        ),
        sensors=replace(
            default.sensors,
            spacing_s=spacing,
            rest_spacing_s=values["rest_spacing_s"] or spacing,
        ),
    )
