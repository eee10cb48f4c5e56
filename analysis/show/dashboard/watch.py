"""Keeps what the dashboard needs at hand, cheaply: it may run for weeks in a corner of the cabin.

The snapshot is read every second, the last eight days of the log when the file has changed, and
the assessment is made at the start, once an hour, and when a run has ended (but no more often than
every ten minutes), in a thread of its own, so that the picture does not wait for it.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from analysis.assessment.case import Case
from analysis.fuel.outlook import fuel_of
from analysis.history.history import History, load_fitting, read_history
from analysis.show.dashboard.facts import WORKED_OUT, Facts, Fuel, Moment, Situation, collect
from analysis.show.verdict_words import fuel_low
from logger.durations import DAY_S
from logger.errors import StoreEmptyError, StoreError
from logger.reading import CLOCK_UNSET_BEFORE_S
from logger.store.reader import Reader
from logger.system.onlookers import Onlooker
from logger.system.snapshot import STALE_AFTER_S, boot_id, boottime_s, read_snapshot, snapshot_path

if TYPE_CHECKING:
    from datetime import tzinfo
    from pathlib import Path

    from analysis.assessment.document import Assessment
    from analysis.fuel.result import FuelOutlook
    from analysis.load.result import LoadResult
    from logger.config import Config
    from logger.system.snapshot import Snapshot

#: Days of the log at hand: the week that is shown, and a day for the zones.
RECENT_DAYS = 8.0
#: The log is looked at no more often than this: it is committed once a minute.
LOOK_S = 30.0
ASSESS_S = 3600.0
#: However often runs end (a charger may start and stop all day), not more often than this.
ASSESS_APART_S = 600.0


def moment_now(zone: tzinfo) -> Moment:
    """Return the clocks of this instant."""
    return Moment(time.time(), boottime_s(), boot_id(), zone)


def recent_history(path: Path, now_s: float) -> History:
    """Load the last eight days of the newest fitting's log.

    Days count back from ``now_s`` (Unix time). Where nothing is so late, or the board's clock was
    never set, they count back from what was written last.
    """
    with Reader(path) as reader:
        fitting = reader.fitting()

        def since(end_s: float) -> History:
            since_s = end_s - RECENT_DAYS * DAY_S
            history = read_history(reader, fitting, reader.first_id_since(fitting.id, since_s))
            # Rows stand in the order of writing: an old recording may have been imported since.
            return history.select(history.end_s >= since_s)

        recent = None if now_s < CLOCK_UNSET_BEFORE_S else since(now_s)
        if recent is None or len(recent) == 0:
            newest_s = reader.newest_s(fitting.id)
            recent = read_history(reader, fitting) if newest_s is None else since(newest_s)
        return recent


def dated(moment: Moment, snapshot: Snapshot | None, recent: History | None) -> Moment:
    """Return the moment in the time of the log, which may know better than the board's clock.

    Where neither knows the date, it is the end of the log: whatever is logged now is placed there.
    """
    age_s = None if snapshot is None else snapshot.age_s(moment.boottime_s, moment.boot_id)
    now_s = moment.now_s
    if snapshot is not None and age_s is not None and 0.0 <= age_s <= STALE_AFTER_S:
        now_s = snapshot.written_s + age_s
    if now_s < CLOCK_UNSET_BEFORE_S and recent is not None and len(recent):
        now_s = float(recent.end_s.max())
    return replace(moment, now_s=now_s)


def fuel_facts(outlook: FuelOutlook) -> Fuel:
    """Return what the dashboard shows of the fuel."""
    left = outlook.days_left
    note = "; ".join(dict.fromkeys(outlook.withheld.values())) or "not known yet"
    return Fuel(outlook.litres_left, left, note=note, low=fuel_low(left), as_of_s=outlook.last_s)


@dataclass(frozen=True, slots=True)
class Found:
    """What the last look at the whole log found; None where it is not known (yet)."""

    assessment: Assessment | None = None
    fuel: Fuel | None = None
    outlook: FuelOutlook | None = None
    load: LoadResult | None = None
    note: str = WORKED_OUT
    """Why there is no assessment."""
    trouble: str = ""
    """Why the log cannot be read."""


class Watch:
    """What is watched: one configuration, its snapshot and its database."""

    def __init__(self, config: Config) -> None:
        self.config = config
        self._snapshot = snapshot_path(config.store.path)
        self._onlooker = Onlooker(self._snapshot)
        self._recent: History | None = None
        self._looked_s = -LOOK_S
        self._changed: tuple[float, ...] = ()
        self._trouble = ""
        self.found = self._nothing_yet()
        self._assessed_s = -ASSESS_S
        self._worker: threading.Thread | None = None
        self._was = Situation.EMPTY
        self._run_ended = False

    @property
    def assessing(self) -> bool:
        """Tell whether the assessment is being made just now."""
        return self._worker is not None and self._worker.is_alive()

    def facts(self, moment: Moment) -> Facts:
        """Return what is to be shown now."""
        self._onlooker.look()
        snapshot = read_snapshot(self._snapshot)
        self._look(dated(moment, snapshot, self._recent))
        facts = collect(
            dated(moment, snapshot, self._recent),
            self.config,
            snapshot,
            self._recent,
            self.found.assessment,
            self.found.note,
            self.found.fuel,
            self._trouble or self.found.trouble,
        )
        if self._was is Situation.PRODUCING and facts.situation is Situation.RESTING:
            self._run_ended = True
        self._was = facts.situation
        apart_s = moment.boottime_s - self._assessed_s
        if apart_s >= (ASSESS_APART_S if self._run_ended else ASSESS_S):
            self._assessed_s, self._run_ended = moment.boottime_s, False
            if not self.assessing:
                self._worker = threading.Thread(target=self.assess, daemon=True)
                self._worker.start()
        return facts

    def _nothing_yet(self) -> Found:
        return Found(fuel=None if self.config.fuel is None else Fuel(note=WORKED_OUT))

    def assess(self) -> None:
        """Make the assessment anew; what goes wrong becomes the note that is shown instead."""
        try:
            case = Case(*load_fitting(self.config))
            found = replace(self.found, trouble="")
            if self.config.fuel is not None:
                # Asked for every day: it waits for the output, not for the load and the verdict.
                outlook = fuel_of(case)
                found = replace(found, outlook=outlook, fuel=fuel_facts(outlook))
                self.found = found
            self.found = replace(found, assessment=case.assessment, load=case.load, note="")
        except StoreEmptyError as error:
            self._withdraw(str(error))
        except StoreError as error:
            self._withdraw("the log cannot be read", str(error))
        except Exception as error:  # noqa: BLE001 - a fault of ours must not stand as a verdict
            self._withdraw(f"cannot be assessed ({type(error).__name__}); see 'ebbwatt report'")

    def _withdraw(self, note: str, trouble: str = "") -> None:
        """Show the note instead of an assessment that the log no longer supports."""
        fuel = None if self.config.fuel is None else Fuel(note=note)
        self.found = Found(fuel=fuel, note=note, trouble=trouble)

    def assess_once(self, moment: Moment) -> None:
        """Make the assessment now, for a single picture."""
        self._assessed_s = moment.boottime_s
        self.assess()

    def _look(self, moment: Moment) -> None:
        """Load the recent log if it is time to and the file has changed."""
        if moment.boottime_s - self._looked_s < LOOK_S:
            return
        self._looked_s = moment.boottime_s
        changed = _stamps(self.config.store.path)
        if changed == self._changed and self._recent is not None:
            return
        self._changed = changed
        try:
            self._recent, self._trouble = recent_history(self.config.store.path, moment.now_s), ""
        except StoreEmptyError:
            self._recent, self._trouble = None, ""
        except StoreError as error:
            # Looked at again soon: it may come back without a change of the file.
            self._changed, self._trouble = (), str(error)


def _stamps(path: Path) -> tuple[float, ...]:
    """Return when the database and its log were last written."""
    stamps = []
    for file in (path, path.with_name(path.name + "-wal")):
        try:
            stamps.append(file.stat().st_mtime)
        except OSError:
            stamps.append(0.0)
    return tuple(stamps)
