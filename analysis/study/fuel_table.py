"""The table of fuel: what was said against what is true."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.study.scores import WANTED, holds, middle_error, percent
from analysis.study.table import Row, limit, share, written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.study.fuel import Changes, FuelOutcome


def fuel_rows(outcomes: Sequence[FuelOutcome]) -> list[Row]:
    """Return the lines of the table; the column of boats counts what the line rests on."""
    left = [said for o in outcomes for said in o.days_left]
    idle = [said for o in outcomes for said in o.days_left_laid_up]
    out = []
    for count in (1, 2, 3):
        said = [o.l_per_kwh[count] for o in outcomes if count in o.l_per_kwh]
        name = f"{count} container{'s' * (count > 1)}"
        if count == 3:
            out.append(
                limit(f"median error of L/kWh after {name}, %", middle_error(said), 3.0, len(said))
            )
        out.append(
            share(f"90 % interval of L/kWh after {name} holds the truth", holds(said), WANTED)
        )
    return [
        *out,
        share("90 % interval of the days of fuel left holds the truth, boat in use", holds(left),
              WANTED),
        Row("the same where she was laid up before", "",
            f"{percent(sum(holds(idle)), len(idle)):.0f} %", len(idle), None),
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
            f"{percent(emptied_found, emptied):.0f}", emptied, None),
        Row("the same, of all: many are changed before they are empty, %", "",
            f"{percent(every_found, every):.0f}", every, None),
        limit("changes found that never were, % of those found", percent(false, said), 3.0, said),
    ]  # fmt: skip


def fuel_markdown(outcomes: Sequence[FuelOutcome], seed: int) -> str:
    """Return the table as Markdown."""
    head = f"Fuel: {len(outcomes)} boats, seed {seed}. "
    head += "Boats, moments or changes are counted where a line speaks of them."
    return "\n".join([head, "", *written(fuel_rows(outcomes))]) + "\n"
