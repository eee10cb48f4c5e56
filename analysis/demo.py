"""The demonstration: an invented boat lives through several seasons and is logged like a real one.

Nothing is precomputed: the simulated source feeds the same recorder, store and analysis that a
serial line feeds. What is left behind is a database, the boat's configuration, and the reports, so
that every other command can be tried on it at once.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

from analysis.assessment.service import KIND as SERVICE
from analysis.assessment.service import done_text
from analysis.installation.checklist import KEYS, tick_text
from analysis.installation.checklist import KIND as CHECK
from logger import __version__
from logger.config import load_config
from logger.durations import DAY_S
from logger.errors import UsageError
from logger.reading import Reading
from logger.recorder import Recorder
from logger.sources.simulated import build
from logger.store.events import add_event
from logger.store.file_format.carried import carry
from logger.store.lock import StoreLock
from logger.store.records import SessionStart
from logger.store.writer import Writer
from logger.system.output import BESIDE
from logger.system.snapshot import Snapshot

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from logger.config import Config

#: The day on which Dabchick's life begins, and how long it is logged, days. The whole life is moved
#: by whole days, so that the log ends when somebody looks at it and its figures stay the same.
FITTED = date(2022, 4, 18)
DAYS = 1239.125
_BEGINS = time(6, 0)
SEED = 20
#: Everything that a demonstration leaves in its folder.
LEAVES = ("ebbwatt.toml", "ebbwatt.db", "report.html", "assessment.json")

_CONFIG = """\
# The seabird-survey ketch Dabchick and her 110 W charger: both are invented.

[boat]
name = "Dabchick"
owner = "the seabird survey (invented)"

[charger]
serial = "INVENTED-27"
label = "Dabchick, aft locker"
rated_w = 110.0          # nameplate output, W
fitted = {fitted}
design_life_h = [7000, 8000]   # common practice, no source
plan_below = 0.75        # fraction of rated
replace_below = 0.60

[battery]
capacity_ah = 220
chemistry = "agm"

[fuel]
l_per_kwh = 0.9          # common practice, no source
container_l = 10

[wiring]
cross_section_mm2 = 6    # cable between charger and battery
length_m = 2.0           # one way

[unit]                   # by the manual of the invented unit: invented figures
heel_deg = 20
clearance_cm = 12
intake_c = 45
fuse_a = 20

[service.intake-filter]  # jobs of the invented unit's manual: invented figures
hours = 1000

[service.exhaust-check]
months = 12

[store]
path = "ebbwatt.db"

[source]
kind = "simulated"
seed = {seed}
{life}
"""
_PAST = """\
speed = 0                # as fast as possible
start = {start}
days = {days}
spacing_s = 60           # the invented charger speaks once a minute
rest_spacing_s = 300
loss_per_1000h = 0.078"""
_LIVE = """\
speed = 1                # 'ebbwatt log' goes on with her from here, in real time
spacing_s = 1
hours_before = {hours:.0f}
loss_per_1000h = 0.078"""


#: When each job of her service calendar was done last, days before the end of her log.
_DONE_BEFORE_D = (("intake-filter", 160.0), ("exhaust-check", 250.0))


@dataclass(frozen=True, slots=True)
class Demo:
    """Where a demonstration left its things, and when the boat's log ends."""

    folder: Path
    config: Config
    end_s: float
    """Unix time of the last reading: the "now" of the demonstration."""
    snapshot: Snapshot
    """What a live logger would have known at that instant."""


def make_folder(folder: Path) -> None:
    """Make the folder, or empty it of an earlier demonstration.

    Raises
    ------
    UsageError
        If the folder holds anything that a demonstration did not leave there.
    """
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder}: is a file; name a folder with --out DIR")
    if folder.is_dir():
        ours = {*LEAVES, *(f"ebbwatt.db{end}" for end in BESIDE)}
        foreign = sorted(p.name for p in folder.iterdir() if p.name not in ours)
        if foreign:
            raise UsageError(
                f"{folder}: holds {foreign[0]!r}, which no demonstration left there; name an "
                f"empty or a new folder with --out DIR"
            )
        if any(folder.iterdir()) and not _is_demonstration(folder / "ebbwatt.toml"):
            # The files of a real boat have the same names.
            raise UsageError(
                f"{folder}: its ebbwatt.toml was left there by no demonstration; name an empty or "
                f"a new folder with --out DIR"
            )
        lock = StoreLock(folder / "ebbwatt.db")
        lock.hold()
        lock.release()
        for name in ours:
            (folder / name).unlink(missing_ok=True)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be made: {error.strerror}") from None


def _is_demonstration(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.readline(200).decode("utf-8", "replace") == _CONFIG.splitlines(True)[0]
    except OSError:
        return False


def last_end(days: float, now: datetime) -> date:
    """Return the newest day on which a log of so many days has ended by ``now`` (with a zone)."""
    ends = datetime.combine(FITTED, _BEGINS, UTC) + timedelta(days=days)
    today = now.astimezone(UTC)
    return today.date() - timedelta(days=int(today.time() < ends.time()))


def live(folder: Path, days: float, until: date, progress: Callable[[float], None]) -> Demo:
    """Let the boat live for ``days``, log her, and leave her configuration in the folder.

    The log ends on the day ``until``. ``progress`` is told the fraction that is done.
    """
    ends = datetime.combine(FITTED, _BEGINS, UTC) + timedelta(days=days)
    later = until - ends.date()
    moved_s, fitted = later.total_seconds(), FITTED + later
    config = _configure(folder, fitted, _PAST.format(start=FITTED, days=days))
    source = build(config)
    begun_s = source.voyage.time_s + moved_s
    end_s = begun_s + days * DAY_S
    start = SessionStart(
        source.describe(),
        begun_s,
        version=__version__,
        configuration=carry(config.document.data),
    )
    writer = Writer(config.store.path, config.charger, start)
    recorder = Recorder(config, writer, source.refusals)

    async def log() -> None:
        async for reading in source.readings():
            moved = _moved(reading, moved_s)
            recorder.take(moved)
            if recorder.readings % 5000 == 0:
                progress((moved.time_s - begun_s) / (end_s - begun_s))

    asyncio.run(log())
    recorder.finish()
    newest_s = recorder.newest.time_s if recorder.newest else begun_s
    writer.close(newest_s)
    for time_s, kind, amount, text in source.voyage.events:
        at_s = time_s + moved_s
        add_event(config.store.path, kind, time_s=at_s, now_s=newest_s, amount=amount, text=text)
    for job, before_d in _DONE_BEFORE_D:
        text = done_text(job, [job], "Jo Marten", "")
        at_s = newest_s - before_d * DAY_S
        if at_s > begun_s:
            add_event(config.store.path, SERVICE, time_s=at_s, now_s=newest_s, text=text)
    for key in KEYS[:-1]:
        text = tick_text(key, "Jo Marten", "")
        add_event(config.store.path, CHECK, time_s=begun_s, now_s=newest_s, text=text)
    progress(1.0)
    live_on = _LIVE.format(hours=source.voyage.hours)
    snapshot = Snapshot(
        boottime_s=0.0,
        written_s=newest_s,
        boot_id="",
        session=writer.session,
        source=source.describe(),
        link="live",
        link_reason="",
        reading=recorder.newest,
        reading_age_s=0.0,
        readings=recorder.readings,
        refused=dict(source.refusals.by_reason),
    )
    return Demo(folder, _configure(folder, fitted, live_on), newest_s, snapshot)


def _configure(folder: Path, fitted: date, life: str) -> Config:
    path = folder / "ebbwatt.toml"
    path.write_text(_CONFIG.format(fitted=fitted, seed=SEED, life=life), encoding="utf-8")
    return load_config(path)


def _moved(reading: Reading, by_s: float) -> Reading:
    """Return the reading at a later time; ``dataclasses.replace`` takes four times as long."""
    return Reading(
        reading.time_s + by_s,
        reading.voltage_v,
        reading.current_a,
        reading.state,
        reading.runtime_h,
        reading.temperature_c,
        reading.battery_current_a,
        reading.fuel_l,
    )
