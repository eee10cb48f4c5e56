"""From the folder of a fleet to its list: assess what changed, compare sisters, rank."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis.assessment.assess import SEED
from analysis.assessment.document import SCHEMA as DOCUMENT_SCHEMA
from analysis.assessment.usage import Usage, date_of
from analysis.estimate import Z90, Span
from analysis.fleet import folder
from analysis.fleet.demand import demand
from analysis.fleet.facts import Facts, facts_of
from analysis.fleet.folder import Fleet
from analysis.fleet.kept import SCHEMA
from analysis.fleet.listing import FleetList, Fuel, Group
from analysis.fleet.outlook import alone_seed, outlook
from analysis.fleet.prior import MOST_SISTERS, Prior, Sisters, outlier_tail
from analysis.fleet.ranking import Boat, ranked
from analysis.fleet.sketch import Sketch
from analysis.text import harmless
from logger.durations import DAY_S
from logger.local import zone_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


#: Draws of the fuel of a type: the ends of its interval are good to 2 % of its width (our choice).
_FUEL_DRAWS = 10_000
#: What a file from outside raises where it is not what it says.
_ODD = (ValueError, LookupError, TypeError, AttributeError)


def listed(
    path: str, failed: Mapping[str, str], assessed: int, now_s: float, horizon_days: int
) -> FleetList:
    """Put the list together from what is kept of each boat.

    Parameters
    ----------
    path
        The fleet's folder.
    failed
        Of boats whose assessment failed: the reason, by the boat's folder.
    assessed
        How many boats were assessed now.
    now_s
        Unix time for which chances and demand are told.
    horizon_days
        How far ahead a limit counts.
    """
    found = [_read(boat, failed.get(str(boat))) for boat in Fleet(Path(path)).boats()]
    groups: dict[str, list[_Found]] = {}
    for one in found:
        groups.setdefault(one.boat.group, []).append(one)
    boats: list[Boat] = []
    told: list[Group] = []
    for name in sorted(groups):
        group, seen = _group(name, groups[name], now_s, horizon_days)
        boats += seen
        told.append(group)
    return FleetList(ranked(boats, now_s, horizon_days), tuple(told), assessed, now_s, horizon_days)


@dataclass(frozen=True, slots=True)
class _Found:
    boat: Boat
    sketch: Sketch | None = None
    usage: Usage | None = None
    logged_output: float | None = None
    """Mean output over the hours of its log."""
    litres: Span = field(default_factory=Span)


def _read(path: Path, failure: str | None) -> _Found:
    """Read what is kept of a boat; the later of its own result and a document handed in counts.

    What is damaged or of another version is named as the boat's failure.
    """
    own, why = _result(path) if failure is None else (None, failure)
    other, bad = _handed(path)
    why = why or bad
    if other is not None and (own is None or own.boat.facts is None or
                              other.until_s > own.boat.facts.until_s):  # fmt: skip
        return _Found(Boat(path.name, other, f"{other.rated_w:g} W", failure=why))
    if own is None:
        return _Found(Boat(path.name, None, "not known", failure=why or "there is no result"))
    return replace(own, boat=replace(own.boat, failure=why))


def _result(path: Path) -> tuple[_Found | None, str | None]:
    """Return the result that this program made of a boat's log, else why there is none."""
    result = folder.read_json(path / folder.RESULT)
    if result is None:
        return None, None
    if result.get("schema") != SCHEMA:
        return None, (
            f"{folder.RESULT}: 'schema' is {harmless(repr(result.get('schema')), 40)}; accepted: "
            f"{SCHEMA!r}. Hand in the boat's log again"
        )
    try:
        own = replace(facts_of(result["document"]), timezone=result["timezone"])
        zone_of(own.timezone)
        report = path / folder.REPORT
        boat = Boat(
            path.name,
            own,
            str(result["type"]) or f"{own.rated_w:g} W",
            name=str(result["boat"]),
            report=report if report.exists() else None,
        )
        sketch = None if result["sketch"] is None else Sketch.read(result["sketch"])
        use, pattern, logged = result["use"], None, None
        if use is not None:
            logged = use["logged_output"]
            hours, unseen = np.array(use["hours_per_day"]), np.array(use["unseen"], dtype=bool)
            pattern = Usage(hours, use["spread"], use["fortnight"], unseen)
        litres = Span(*(result["litres_per_year"] or ()))
        return _Found(boat, sketch, pattern, logged, litres), None
    except _ODD:
        return None, f"{folder.RESULT}: is damaged. Hand in the boat's log again"


def _handed(path: Path) -> tuple[Facts | None, str | None]:
    """Return the facts of a document that was handed in, else why there are none."""
    document = folder.read_json(path / folder.DOCUMENT)
    if document is None:
        return None, None
    if document.get("schema") != DOCUMENT_SCHEMA:
        return None, (
            f"{folder.DOCUMENT}: 'schema' is {harmless(repr(document.get('schema')), 40)}; "
            f"accepted: {DOCUMENT_SCHEMA!r}, as 'ebbwatt report --json FILE' writes"
        )
    try:
        return facts_of(document), None
    except _ODD:
        return None, f"{folder.DOCUMENT}: is damaged. Hand it in again"


def _group(
    name: str, found: Sequence[_Found], now_s: float, horizon_days: int
) -> tuple[Group, list[Boat]]:
    """Compare the boats of one type."""
    sketched = [one for one in found if one.sketch is not None]
    # Of very many boats only some enter the prior, evenly spread over the random ids.
    step = max(1, -(-len(sketched) // MOST_SISTERS))
    donors = sketched[::step]
    sketches = [one.sketch for one in donors if one.sketch is not None]
    usual = float(np.median([s.usual for s in sketches])) if sketches else 0.0
    sisters = Sisters(sketches, usual) if sketches else None
    whole = sisters.prior() if sisters is not None else None
    place = {id(one): k for k, one in enumerate(donors)}
    seen, crossings = [], []
    for one in found:
        boat = one.boat
        if one.sketch is not None and sisters is not None and whole is not None:
            k = place.get(id(one))
            prior = whole if k is None else sisters.prior(without=k)
            boat, crossed_s = _with_outlook(one, prior, now_s, horizon_days)
            if k is not None and prior.usable:
                boat = replace(boat, tail=outlier_tail(sisters.own(k, prior), prior))
            if crossed_s is not None:
                crossings.append(crossed_s)
        elif boat.facts is not None:
            boat = replace(boat, chance=_chance_by_dates(boat.facts, now_s, horizon_days))
        seen.append(boat)
    old = 0 if whole is None else whole.old
    return Group(
        name,
        len(found),
        old,
        demand(crossings, now_s),
        len(found) - len(crossings),
        _fuel([one.litres for one in found]),
    ), seen


def _fuel(spans: Sequence[Span]) -> Fuel:
    """Add up what boats use; what is not known of each is its own.

    A boat that has not logged a year yet tells its low end far below its median: she may be laid up
    for the rest of it. Of many boats some are and some are not. So the middle of their sum lies
    below the sum of their medians, and each is drawn from its own interval: half of the draws lie
    below its median, half above, and each half is normal.
    """
    known = [
        (s.low, s.median, s.high)
        for s in spans
        if s.low is not None and s.median is not None and s.high is not None
    ]
    if not known:
        return Fuel()
    if len(known) == 1:
        return Fuel(1, Span(*known[0]))
    rng, total = np.random.default_rng(SEED), np.zeros(_FUEL_DRAWS)
    for low, middle, high in known:
        z = rng.standard_normal(_FUEL_DRAWS) / Z90
        total += np.maximum(middle + z * np.where(z < 0.0, middle - low, high - middle), 0.0)
    low, middle, high = (float(v) for v in np.percentile(total, [5.0, 50.0, 95.0]))
    return Fuel(len(known), Span(low, middle, high))


def _with_outlook(
    one: _Found, prior: Prior, now_s: float, horizon_days: int
) -> tuple[Boat, Floats | None]:
    """Return a boat with its outlooks, and draws of when it meets its replacement limit."""
    sketch, facts = one.sketch, one.boat.facts
    if sketch is None or facts is None:
        return one.boat, None
    # What its own log says alone stands in its document.
    ahead = outlook(sketch, prior if prior.usable else None, alone_seed(one.boat.key))
    boat = one.boat
    if prior.usable:
        boat = replace(boat, with_sisters=ahead.hours, sisters=prior.sisters)
    if one.usage is None or one.logged_output is None:
        return boat, None
    when = ahead.when(ahead.draws_h, one.usage, one.logged_output, facts.until_s)
    # A limit beyond the reach is not counted on.
    near = np.where(ahead.draws_h <= ahead.reach_h, when, np.inf)
    chance = float(np.mean(near <= now_s + DAY_S * horizon_days))
    if prior.usable:
        boat = replace(boat, date_with_sisters=date_of(when, ahead.hours))
    boat = replace(boat, chance=chance)
    if not prior.usable and facts.hours.median is None:
        # Its own report leaves these hours out. So young a log tells little but the prior: of units
        # that hardly wear at all it would have one in six replaced within a year.
        return boat, None
    crossed_h = np.where(ahead.output_h <= ahead.reach_h, ahead.output_h, np.inf)
    return boat, ahead.when(crossed_h, one.usage, one.logged_output, facts.until_s)


def _chance_by_dates(facts: Facts, now_s: float, horizon_days: int) -> float | None:
    """Return the chance of a limit within the horizon from the dates of a document alone."""
    low, middle, high = facts.date.low, facts.date.median, facts.date.high
    if facts.verdict == "replace":
        return 1.0
    if low is None or middle is None:
        return None
    ends = (low, middle, middle + (middle - low) if high is None else high)
    at = now_s + DAY_S * horizon_days
    begins, stops = ends[0] - 0.1 * (ends[2] - ends[0]), ends[2] + 0.1 * (ends[2] - ends[0])
    return float(np.interp(at, (begins, *ends, stops), (0.0, 0.05, 0.5, 0.95, 1.0)))
