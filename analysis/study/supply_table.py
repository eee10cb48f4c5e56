"""The table of load and fuel: what was said against what is true."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.study.table import Row, least, limit, share, written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.study.supply import Changes, Said, SupplyOutcome

WANTED = (0.85, 0.95)


def supply_rows(outcomes: Sequence[SupplyOutcome]) -> list[Row]:
    """Return the lines of the table; the column of boats counts what the line rests on."""
    loads = [o.load for o in outcomes if o.load is not None]
    balance = [o.load for o in outcomes if o.load is not None and o.method == "balance"]
    rare = [o.p95 for o in outcomes if o.p95 is not None]
    stated = [o for o in outcomes if o.load is not None]
    left = [said for o in outcomes for said in o.days_left]
    idle = [said for o in outcomes for said in o.days_left_laid_up]
    out = [
        limit("median error of the mean daily load, %", _error(loads), 4.0, len(loads)),
        limit("the same, without a battery current, %", _error(balance), 4.0, len(balance)),
        share("90 % interval of the mean daily load holds the truth", _holds(loads), WANTED),
        share("the same, without a battery current", _holds(balance), WANTED),
        Row("median error of the 95th percentile day, %", "", f"{_error(rare):.1f}", len(rare),
            None),
        *_others("", outcomes),
        *_others(", where a load is stated", stated),
    ]  # fmt: skip
    for count in (1, 2, 3):
        said = [o.l_per_kwh[count] for o in outcomes if count in o.l_per_kwh]
        name = f"{count} container{'s' * (count > 1)}"
        if count == 3:
            out.append(
                limit(f"median error of L/kWh after {name}, %", _error(said), 3.0, len(said))
            )
        out.append(
            share(f"90 % interval of L/kWh after {name} holds the truth", _holds(said), WANTED)
        )
    return [
        *out,
        share("90 % interval of the days of fuel left holds the truth, boat in use", _holds(left),
              WANTED),
        Row("the same where she was laid up before", "",
            f"{_percent(sum(_holds(idle)), len(idle)):.0f} %", len(idle), None),
        *_changes([o.changes for o in outcomes]),
    ]  # fmt: skip


def _changes(counted: Sequence[Changes]) -> list[Row]:
    """Return how well container changes are found that nobody recorded."""
    emptied, every = sum(c.emptied for c in counted), sum(c.all for c in counted)
    emptied_found = sum(c.emptied_found for c in counted)
    every_found, false = sum(c.all_found for c in counted), sum(c.false for c in counted)
    said = every_found + false
    return [
        Row("unrecorded container changes found, of those which ran empty, %", "",
            f"{_percent(emptied_found, emptied):.0f}", emptied, None),
        Row("the same, of all: many are changed before they are empty, %", "",
            f"{_percent(every_found, every):.0f}", every, None),
        limit("changes found that never were, % of those found", _percent(false, said), 3.0, said),
    ]  # fmt: skip


def _others(where: str, outcomes: Sequence[SupplyOutcome]) -> list[Row]:
    """Return how well days with another source are told from the others."""
    other = sum(o.other_days for o in outcomes)
    alone = sum(o.alone_days for o in outcomes)
    seen = _percent(sum(o.other_recognised for o in outcomes), other)
    lost = _percent(sum(o.alone_lost for o in outcomes), alone)
    return [
        least(f"days with another source recognised{where}, %", seen, 98.0, other),
        limit(f"self-reliant days taken for such{where}, %", lost, 2.0, alone),
    ]


def supply_markdown(outcomes: Sequence[SupplyOutcome], seed: int) -> str:
    """Return the table as Markdown."""
    head = f"Load and fuel: {len(outcomes)} boats, seed {seed}. Days, containers or moments are "
    head += "counted where a line speaks of them."
    return "\n".join([head, "", *written(supply_rows(outcomes))]) + "\n"


def _error(said: Sequence[Said]) -> float:
    return 100.0 * float(np.median([abs(s.error) for s in said])) if said else math.nan


def _holds(said: Sequence[Said]) -> list[bool]:
    return [s.holds for s in said]


def _percent(part: int, whole: int) -> float:
    return 100.0 * part / whole if whole else math.nan
