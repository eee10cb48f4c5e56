"""Ranks the boats of a fleet: who needs a visit first, with one reason each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TYPE_CHECKING

from analysis.figures import day
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from analysis.estimate import Span
    from analysis.fleet.facts import Facts

#: A chance of a limit below this is no reason to go (judgement).
LEAST_CHANCE = 0.05
#: A charger whose life is so rare among its sisters, or shorter, fades faster than they do.
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


#: Limits, as in the assessment document's ``remaining.until``.
LIMIT_WORDS = {
    "output": "the replacement limit",
    "design_hours": "the end of the design life",
    "load": "too little for the load",
}


@dataclass(frozen=True, slots=True)
class Boat:
    """One boat of the list; texts come from outside."""

    key: str
    facts: Facts | None
    group: str
    name: str = ""
    failure: str | None = None
    with_sisters: Span | None = None
    """Remaining running hours with what the sisters say; alone they stand in ``facts``."""
    sisters: int = 0
    """How many sisters spoke."""
    chance: float | None = None
    """Of meeting a limit within the horizon."""
    tail: float | None = None
    """Chance that a sister lives shorter."""
    report: Path | None = None
    """The boat's own report, where there is one."""
    standing: Standing = Standing.SOUND
    reason: str = ""

    @property
    def label(self) -> str:
        """Return what it is called: boat and charger, or its key."""
        known = [w for w in (self.name, "" if self.facts is None else self.facts.label) if w]
        return ", ".join(known) or self.key


def ranked(boats: Iterable[Boat], now_s: float) -> tuple[Boat, ...]:
    """Return the boats with standing and reason, the most urgent first."""
    judged = []
    for boat in boats:
        standing, reason = next(_standings(boat, now_s))
        judged.append(replace(boat, standing=standing, reason=reason))
    return tuple(sorted(judged, key=lambda b: (b.standing, -(b.chance or 0.0), b.label, b.key)))


def _standings(boat: Boat, now_s: float) -> Iterator[tuple[Standing, str]]:
    """Yield all that a boat may be named for, the most urgent first."""
    facts = boat.facts
    if facts is None:
        yield Standing.NOT_ASSESSED, boat.failure or "there is no result"
        return
    if facts.verdict == "replace":
        yield Standing.REPLACE, facts.reason
    silent = (now_s - facts.until_s) / DAY_S
    near = ""
    if boat.chance is not None and boat.chance >= LEAST_CHANCE:
        what = LIMIT_WORDS.get(facts.until or "output", "its limit")
        near = f"{100 * boat.chance:.0f} % chance of {what} within the horizon"
    # Nobody knows how a boat was used since its log ended.
    if near and silent <= NO_NEWS_DAYS:
        yield Standing.LIMIT_NEAR, near
    if boat.tail is not None and boat.tail < OUTLIER_CUT:
        yield (
            Standing.OUTLIER,
            f"fades faster than its {boat.sisters} sisters: {100 * boat.tail:.1f} % live shorter",
        )
    if facts.findings:
        yield Standing.INPUTS, facts.findings[0]
    if boat.failure is not None:
        yield Standing.NOT_ASSESSED, boat.failure
    due = [job for job in facts.service if job.due_s is not None and job.due_s <= now_s]
    if due:
        first = min(due, key=lambda job: job.due_s or 0.0)
        more = f", and {len(due) - 1} more" if len(due) > 1 else ""
        yield Standing.SERVICE, f"{first.name} due since {day(first.due_s or 0.0)}{more}"
    if silent > NO_NEWS_DAYS:
        used = f"; used as before: {near}" if near else ""
        yield Standing.NO_NEWS, f"no log since {day(facts.until_s)}, {silent:.0f} days{used}"
    # A replacement is told above.
    yield _OF_VERDICT[facts.verdict], facts.reason
