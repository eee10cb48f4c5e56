"""The list of a fleet in the terminal, at 40 to 120 columns: one line or two for each boat."""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size

from analysis.figures import date_figure, figure, figure_with_ends, places_of, rounded
from analysis.fleet.ranking import MEASURE_FIRST, STANDING_WORDS, Standing, may_order
from analysis.show.wrapping import wrap_plain
from analysis.text import counted, for_encoding, harmless
from analysis.units import days_in

if TYPE_CHECKING:
    from analysis.estimate import Span
    from analysis.fleet.listing import FleetList, Group
    from analysis.fleet.ranking import Boat

NARROWEST, WIDEST = 40, 120
#: Below this width a boat's reason stands below its name.
_BESIDE = 80
_PLACE, _STANDING = 4, 12
#: Boats that are listed at most: nobody reads further in a terminal.
MOST_LISTED = 200
#: Stands between hours left and the date.
WHEN = ", about "
#: Longest reason, characters.
_LONGEST = 240
_CAUTION = (
    "Ebbwatt only reads. Its figures rank visits; they replace neither an inspection on board nor "
    "the maker's instructions, local codes and a licensed person."
)


def lines(listed: FleetList, width: int, encoding: str = "utf-8") -> list[str]:
    """Return the list, ranked, and what the fleet will need; every line fits the width."""
    width = min(max(width, NARROWEST), WIDEST)
    out = [_counts(listed), *([MEASURE_FIRST] if may_order(listed.boats) else [])]
    label = (width - _PLACE - _STANDING - 2) // 3
    for place, boat in enumerate(listed.boats[:MOST_LISTED], 1):
        out += _boat(place, boat, label, width)
    if len(listed.boats) > MOST_LISTED:
        out.append(f"{len(listed.boats) - MOST_LISTED} more boats: --csv FILE, --html FILE")
    for group in listed.groups:
        out += ["", *_group(group, width)]
    out += ["", *wrap_plain(_CAUTION, width)]
    folded = [row for line in out for row in (wrap_plain(line, width) if line else [""])]
    return [for_encoding(line, encoding) for line in folded]


def _counts(listed: FleetList) -> str:
    if not listed.boats:
        return "No boats yet: 'ebbwatt fleet take DIR FILE...' takes in what they hand in."
    counts = {s: sum(b.standing is s for b in listed.boats) for s in Standing}
    told = ", ".join(f"{n} {STANDING_WORDS[s]}" for s, n in counts.items() if n)
    boats = counted(len(listed.boats), "boat")
    return f"{boats}: {told}. Horizon {listed.horizon_days} days."


def _boat(place: int, boat: Boat, label: int, width: int) -> list[str]:
    head = f"{place:>{_PLACE - 2}}. " + set_cell_size(STANDING_WORDS[boat.standing], _STANDING)
    name = harmless(boat.label, 60)
    reason = harmless(boat.reason, _LONGEST)
    if width < _BESIDE:
        indent = _PLACE
        first = wrap_plain(f"{STANDING_WORDS[boat.standing]}: {name}", width - indent)
        rows = [f"{place:>{_PLACE - 2}}. {first[0]}", *(" " * indent + row for row in first[1:])]
        rows += [" " * indent + row for row in wrap_plain(reason, width - indent)]
    else:
        indent = cell_len(head) + label + 2
        names = wrap_plain(name, label) or [""]
        heads = (head, *(" " * cell_len(head) for _ in names[1:]))
        named = [h + set_cell_size(n, label) + "  " for h, n in zip(heads, names, strict=True)]
        told = wrap_plain(reason, width - indent)
        pairs = zip_longest(named, told, fillvalue=None)
        rows = [(beside or " " * indent) + (row or "") for beside, row in pairs]
    if beside := _forecasts(boat):
        rows += [" " * indent + row for row in wrap_plain(beside, width - indent)]
    return [row.rstrip() for row in rows]


def _forecasts(boat: Boat) -> str:
    """Return both forecasts side by side where sisters spoke; its own where a limit is near."""
    if boat.with_sisters is None and boat.standing is not Standing.LIMIT_NEAR:
        return ""
    return "; ".join(forecasts(boat))


def forecasts(boat: Boat) -> list[str]:
    """Return the running hours left, alone and with sisters, as far as they are known."""
    if boat.facts is None or boat.facts.verdict == "replace":
        return []
    alone = "hours left" if boat.with_sisters is None else "hours left, alone"
    with days_in(boat.facts.zone):
        told = [f"{alone} {_left(boat.facts.hours, boat.facts.date)}"]
        if boat.with_sisters is not None:
            sisters = f"with {counted(boat.sisters, 'sister')}"
            told.append(f"{sisters} {_left(boat.with_sisters, boat.date_with_sisters)}")
    return told


def _left(hours: Span, date: Span | None) -> str:
    """Return hours left and, where it is known, the date."""
    when = "" if date is None or date.median is None else f"{WHEN}{date_figure(date)}"
    return _hours(hours) + when


def _hours(span: Span) -> str:
    if span.median is not None and span.high is None and span.low is not None:
        return f"{figure(span, 'h')} (more than {rounded(span.low, places_of(span))} h)"
    if span.median is not None:
        return figure_with_ends(span, "h")
    return "not known" if span.low is None else f"more than {span.low:.0f} h"


def not_counted(group: Group) -> str:
    """Say how many boats are not in the units needed; empty where all are."""
    if not group.unknown:
        return ""
    return f"{group.unknown} of them not counted: when they need a unit is not known yet."


def _group(group: Group, width: int) -> list[str]:
    head = f"{harmless(group.name)}: {counted(group.boats, 'boat')}. Units that meet the "
    head += "replacement limit, by quarter from now, 90 % interval:"
    quarters = [f"Q{q.number} {q.mean:.1f} ({q.low}-{q.high})" for q in group.demand]
    rows = wrap_plain(head, width)
    line = ""
    for quarter in quarters:
        if line and len(line) + len(quarter) + 2 > width:
            rows.append(line)
            line = ""
        line += f"  {quarter}"
    rows += [line] if line else []
    if group.fuel.litres.median is not None:
        litres = figure_with_ends(group.fuel.litres, "L")
        rows += wrap_plain(f"  Fuel a year, {counted(group.fuel.boats, 'boat')}: {litres}", width)
    if group.unknown:
        rows += wrap_plain(f"  {not_counted(group)}", width)
    return rows
