"""What the benchmarks are run on: a year of raw readings, and ten years of a simulated boat."""

import asyncio
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from analysis.transfer.condense import Block, BulkCondenser
from analysis.transfer.cover import Cover
from analysis.transfer.spool import rows_of
from logger.config import load_config
from logger.reading import OperatingState
from logger.recorder import Recorder
from logger.sources.base import checked_settings
from logger.sources.simulated import SETTINGS, Simulated, boat_for
from logger.store.blocks import pack
from logger.store.files import open_writer
from logger.store.records import SessionStart, write_import
from logger.store.writer import Writer

#: 2015-09-14T00:00:00Z. Ten years later is past: a report leaves out what lies in the future.
START_S = 1_442_188_800
DAY_S = 86_400
_STATES = [str(state) for state in OperatingState]
_RUNNING, _STANDBY = _STATES.index("running"), _STATES.index("standby")

CONFIG = """\
[charger]
label = "aft locker"
rated_w = 110.0
fitted = 2015-09-14
design_life_h = 30000
[battery]
capacity_ah = 220
chemistry = "agm"
[store]
path = "ebbwatt.db"
[log]
interval_s = {spacing_s}
[source]
kind = "simulated"
seed = 20
speed = 0
start = 2015-09-14
rest_spacing_s = 300
loss_per_1000h = 0.012
"""
PLAIN_TABLE = (
    "CREATE TABLE log (t INTEGER PRIMARY KEY, volts REAL, amps REAL, state TEXT, runtime_h REAL, "
    "temperature_c REAL)"
)


def spaced_readings(path, spacing_s, count, *, noisy):
    """Write a recording of so many readings: eight hours and a half of running a day."""
    rng = np.random.default_rng(7)
    time_s = START_S + spacing_s * np.arange(count)
    second = spacing_s * np.arange(count) % DAY_S
    running = (second > 30_000) & (second < 60_000)
    sd_v, sd_a = (0.03, 0.15) if noisy else (0.003, 0.006)
    volts = np.where(running, 13.1 + 1e-5 * (second - 30_000), 12.7 - 2e-6 * second)
    volts = volts + rng.normal(0.0, sd_v, count)
    amps = np.where(running, 8.0 + rng.normal(0.0, sd_a, count), 0.0)
    hours = np.cumsum(running) * spacing_s / 3600.0
    with path.open("w") as file:
        file.write("time,voltage_v,current_a,state,runtime_h,temperature_c\n")
        file.writelines(
            f"{t},{v:.2f},{a:.2f},{'running' if on else 'standby'},{h:.1f},20.0\n"
            for t, v, a, on, h in zip(time_s, volts, amps, running, hours, strict=True)
        )


def configure(folder, spacing_s=1):
    """Write the configuration of the invented boat and return it."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "ebbwatt.toml"
    path.write_text(CONFIG.format(spacing_s=spacing_s))
    return load_config(path)


def day_of_readings(day):
    """Return a day at 1 Hz: a run of nine hours every other day, with the noise of real meters."""
    rng = np.random.default_rng(day)
    second = np.arange(DAY_S)
    on = (second >= 9 * 3600) & (second < 18 * 3600) & (day % 2 == 0)
    into_h = np.where(on, (second - 9 * 3600) / 3600.0, 0.0)
    before_h = 9.0 * ((day + 1) // 2)
    power = 108.0 * (1.0 - 4e-5 * (before_h + into_h)) * np.minimum(into_h * 4.0, 1.0)
    volts = np.where(on, 12.5 + 0.19 * into_h, 12.6 - 0.1 * second / DAY_S)
    volts = np.minimum(volts, 14.2) + rng.normal(0.0, 0.004, DAY_S)
    taper = np.where(volts > 14.1, np.exp(-(into_h - 8.4).clip(0.0)), 1.0)
    amps = np.where(on, power / volts * taper + rng.normal(0.0, 0.01, DAY_S), 0.0)
    return Block(
        time_s=(START_S + day * DAY_S + second).astype(float),
        voltage_v=np.round(volts, 2),
        current_a=np.round(amps, 2),
        runtime_h=np.round(before_h + into_h, 1),
        temperature_c=np.round(18.0 + 6.0 * on + rng.normal(0.0, 0.05, DAY_S), 1),
        battery_current_a=np.full(DAY_S, np.nan),
        fuel_l=np.full(DAY_S, np.nan),
        state=np.where(on, _RUNNING, _STANDBY).astype(np.int8),
    )


def plain_rows(block):
    """Return the readings as rows of the plain table."""
    return zip(
        block.time_s.astype(int).tolist(),
        block.voltage_v.tolist(),
        block.current_a.tolist(),
        [_STATES[state] for state in block.state.tolist()],
        block.runtime_h.tolist(),
        block.temperature_c.tolist(),
        strict=True,
    )


def energy_j(block):
    """Return the energy of a day by the trapezoid rule, J: what every way must agree on."""
    return float(np.trapezoid(block.voltage_v * block.current_a, block.time_s))


def year_of_readings(config, plain, days):
    """Put the same days of readings into the plain table and into a log of ours."""
    condenser = BulkCondenser(config.log, Cover())
    rows = []
    with closing(sqlite3.connect(plain)) as db, db:
        db.execute(PLAIN_TABLE)
        for day in range(days):
            block = day_of_readings(day)
            db.executemany("INSERT INTO log VALUES (?, ?, ?, ?, ?, ?)", plain_rows(block))
            rows += rows_of(condenser.add(block))
    rows += rows_of(condenser.flush())
    start = SessionStart("bench", float(START_S))
    write_import(config.store.path, config.charger, start, rows)


def ten_years(folder, *, busy, days=3652.5):
    """Let the simulated boat live for ten years, logged as the daemon does; return her database.

    The usual boat sails half the year; the busy one all year round, which doubles the hours.
    """
    config = configure(folder, spacing_s=60)
    if config.store.path.exists():
        return config.store.path
    model = boat_for(config, checked_settings(config, SETTINGS))
    season = (1, 366) if busy else model.habits.season
    model = replace(
        model,
        habits=replace(model.habits, season=season),
        charger=replace(model.charger, horizon_h=40_000.0),
    )
    source = Simulated(model, 0.0, days)
    start = SessionStart(source.describe(), source.voyage.time_s)
    writer = Writer(config.store.path, config.charger, start)
    recorder = Recorder(config, writer, source.refusals)

    async def log():
        async for reading in source.readings():
            recorder.take(reading)

    asyncio.run(log())
    recorder.finish()
    writer.close(recorder.newest.time_s)
    return config.store.path


def first_years(database, folder, years):
    """Return a configuration whose log holds only the first years of a database."""
    config = configure(folder, spacing_s=60)
    shutil.copyfile(database, config.store.path)
    end = datetime(2015 + years, 9, 14, tzinfo=UTC).timestamp() * 1000.0
    with closing(open_writer(config.store.path)) as db:
        db.execute("DELETE FROM intervals WHERE start_ms >= ?", (end,))
        db.execute("BEGIN")
        pack(db)
        db.execute("COMMIT")
        db.execute("VACUUM")
    return config
