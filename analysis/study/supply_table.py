"""The table of load: what was said against what is true."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.study.scores import WANTED, holds, middle_error, percent
from analysis.study.table import Row, least, limit, share, written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.study.supply import SupplyOutcome


def supply_rows(outcomes: Sequence[SupplyOutcome]) -> list[Row]:
    """Return the lines of the table; the column of boats counts what the line rests on."""
    loads = [o.load for o in outcomes if o.load is not None]
    balance = [o.load for o in outcomes if o.load is not None and o.method == "balance"]
    rare = [o.p95 for o in outcomes if o.p95 is not None]
    stated = [o for o in outcomes if o.load is not None]
    return [
        limit("median error of the mean daily load, %", middle_error(loads), 4.0, len(loads)),
        limit("the same, without a battery current, %", middle_error(balance), 4.0, len(balance)),
        share("90 % interval of the mean daily load holds the truth", holds(loads), WANTED),
        share("the same, without a battery current", holds(balance), WANTED),
        Row("median error of the 95th percentile day, %", "", f"{middle_error(rare):.1f}",
            len(rare), None),
        *_others("", outcomes),
        *_others(", where a load is stated", stated),
    ]  # fmt: skip


def _others(where: str, outcomes: Sequence[SupplyOutcome]) -> list[Row]:
    """Return how well days with another source are told from the others."""
    other = sum(o.other_days for o in outcomes)
    alone = sum(o.alone_days for o in outcomes)
    strong = sum(o.strong_days for o in outcomes)
    seen = percent(sum(o.other_recognised for o in outcomes), other)
    clear = percent(sum(o.strong_recognised for o in outcomes), strong)
    lost = percent(sum(o.alone_lost for o in outcomes), alone)
    return [
        least(f"days with another source recognised{where}, %", seen, 98.0, other),
        least(f"those with 5 % of the load from it, recognised{where}, %", clear, 98.0, strong),
        limit(f"self-reliant days taken for such{where}, %", lost, 2.0, alone),
    ]


def supply_markdown(outcomes: Sequence[SupplyOutcome], seed: int) -> str:
    """Return the table as Markdown."""
    head = (
        f"Load: {len(outcomes)} boats, seed {seed}. Days are counted where a line speaks of them."
    )
    return "\n".join([head, "", *written(supply_rows(outcomes))]) + "\n"
