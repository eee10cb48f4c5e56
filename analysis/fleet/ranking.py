"""Ranks the boats of a fleet: who needs a visit first, with one reason each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC
from enum import IntEnum
from typing import TYPE_CHECKING

from analysis.assessment.first_limit import LIMITS
from analysis.figures import chance_words, day
from analysis.text import boat_and_charger
from analysis.units import days_in
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from analysis.estimate import Span
    from analysis.fleet.facts import Facts

#: A chance of a limit below this is no reason to go (judgement).
LEAST_CHANCE = 0.05
#: A charger whose life is so rare among its sisters, or shorter, fades faster than they do (our
#: choice, one sound boat in fifty is then named).
OUTLIER_CUT = 0.02
#: A log that ended longer ago is no news (judgement: a boat is laid up for a winter, and told so).
NO_NEWS_DAYS = 60


class Standing(IntEnum):
    """Why a boat stands where it does, the most urgent first."""

    REPLACE = 1
    LIMIT_NEAR = 2
    OUTLIER = 3
    INPUTS = 4
    NOT_ASSESSED = 5
    SERVICE = 6
    NO_NEWS = 7
    PLAN = 8
    UNDETERMINED = 9
    SOUND = 10


#: Standings of the verdicts that ask for nothing at once.
_OF_VERDICT = {
    "plan": Standing.PLAN,
    "undetermined": Standing.UNDETERMINED,
    "sound": Standing.SOUND,
}
#: What each is called where a person reads it.
STANDING_WORDS = {
    Standing.REPLACE: "replace",
    Standing.LIMIT_NEAR: "limit near",
    Standing.OUTLIER: "fades fast",
    Standing.INPUTS: "check log",
    Standing.NOT_ASSESSED: "not read",
    Standing.SERVICE: "service due",
    Standing.NO_NEWS: "no news",
    Standing.PLAN: "plan",
    Standing.UNDETERMINED: "not known",
    Standing.SOUND: "sound",
}


#: Stands before the list where a unit may be ordered: a wrong sensor would ask for one too.
MEASURE_FIRST = (
    "Before you order, measure current and voltage in a steady run: the boat's own report says how."
)


@dataclass(frozen=True, slots=True)
class Boat:
    """One boat of the list; texts come from outside."""

    key: str
    facts: Facts | None
    group: str
    name: str = ""
    failure: str | None = None
    with_sisters: Span | None = None
    """Remaining running hours with the prior of the sisters; by its own log: see ``facts``."""
    date_with_sisters: Span | None = None
    """When that is, Unix times."""
    sisters: int = 0
    """Number of sisters that the prior rests on."""
    chance: float | None = None
    """Of meeting any of its limits within the horizon."""
    tail: float | None = None
    """Chance that a sister lives shorter."""
    report: Path | None = None
    """The boat's own report, where there is one."""
    standing: Standing = Standing.SOUND
    reason: str = ""

    @property
    def odd(self) -> bool:
        """Tell whether it fades faster than its sisters."""
        return self.tail is not None and self.tail < OUTLIER_CUT

    @property
    def label(self) -> str:
        """Return what it is called: boat and charger, or its key."""
        charger = "" if self.facts is None else self.facts.label
        return boat_and_charger(self.name, charger) or self.key


def ranked(boats: Iterable[Boat], now_s: float, horizon_days: int) -> tuple[Boat, ...]:
    """Return the boats with standing and reason, the most urgent first.

    Parameters
    ----------
    boats
        The boats, with the chance of meeting any limit.
    now_s
        Unix time.
    horizon_days
        What the chance is for.
    """
    judged = []
    for boat in boats:
        # Each boat's days are told as in her own report.
        with days_in(UTC if boat.facts is None else boat.facts.zone):
            standing, reason = next(_standings(boat, now_s, horizon_days))
        judged.append(replace(boat, standing=standing, reason=reason))
    return tuple(sorted(judged, key=lambda b: (b.standing, -(b.chance or 0.0), b.label, b.key)))


def _standings(boat: Boat, now_s: float, horizon_days: int) -> Iterator[tuple[Standing, str]]:
    """Yield each standing that fits a boat, with its reason, the most urgent first."""
    facts = boat.facts
    if facts is None:
        yield Standing.NOT_ASSESSED, boat.failure or "there is no result"
        return
    if facts.verdict == "replace":
        yield Standing.REPLACE, facts.reason
    if not facts.until_s:
        yield Standing.NOT_ASSESSED, "its log holds no readings yet"
        return
    silent = (now_s - facts.until_s) / DAY_S
    near = _chance_in_words(boat, facts, horizon_days)
    # Nobody knows how a boat was used since its log ended.
    if near and _fresh(facts, now_s):
        yield Standing.LIMIT_NEAR, near + ("; it fades faster than its sisters" if boat.odd else "")
    if boat.tail is not None and boat.odd:
        yield (
            Standing.OUTLIER,
            (
                f"fades faster than its {boat.sisters} sisters: chance {100 * boat.tail:.1f} % "
                "that one wears out sooner"
            ),
        )
    if facts.findings:
        yield Standing.INPUTS, facts.findings[0]
    if boat.failure is not None:
        yield Standing.NOT_ASSESSED, boat.failure
    due = _due_in_words(facts, now_s)
    if due:
        more = f", and {len(due) - 1} more" if len(due) > 1 else ""
        yield Standing.SERVICE, f"{due[0]}{more}"
    if not _fresh(facts, now_s):
        used = f"; if used as before: {near}" if near else ""
        yield Standing.NO_NEWS, f"no log since {day(facts.until_s)}, {silent:.0f} days{used}"
    # A replacement is told above.
    yield _OF_VERDICT[facts.verdict], facts.reason


def may_order(boats: Iterable[Boat]) -> bool:
    """Tell whether the list names a boat for which a unit may be ordered now."""
    return any(boat.standing in {Standing.REPLACE, Standing.LIMIT_NEAR} for boat in boats)


def _chance_in_words(boat: Boat, facts: Facts, horizon_days: int) -> str:
    """Return the chance of meeting any limit in words; empty where it is too small to tell."""
    if boat.chance is None or boat.chance < LEAST_CHANCE:
        return ""
    near = f"{chance_words(boat.chance)} chance of meeting a limit within {horizon_days} days"
    if facts.until in LIMITS:
        near += f"; by its own log the first is {LIMITS[facts.until]}"
    return near


def _fresh(facts: Facts, now_s: float) -> bool:
    return now_s - facts.until_s <= NO_NEWS_DAYS * DAY_S


def _due_in_words(facts: Facts, now_s: float) -> list[str]:
    """Return in words each job of the service calendar that is due, the longest due first.

    The date of a job that is due by its hours is a forecast. It counts only where the log is fresh.
    """
    found = []
    for job in facts.service:
        when_s = job.due_s
        if job.left_h is not None and job.left_h <= 0.0:
            about = "about " if job.estimated else ""
            hours = (
                f"overdue by {about}{-job.left_h:.0f} h"
                if job.left_h < -0.5
                else "due by its hours"
            )
            found.append((facts.until_s, f"{job.name} {hours} when the log ended"))
        elif when_s is not None and when_s <= now_s and not job.by_hours:
            found.append((when_s, f"{job.name} due since {day(when_s)}"))
        elif when_s is not None and when_s <= now_s and _fresh(facts, now_s):
            found.append((when_s, f"{job.name} due about {day(when_s)}, if used as before"))
    return [words for _, words in sorted(found)]
