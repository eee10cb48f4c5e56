"""The rows of early forecasts: remaining hours at four ages, beside the best that is possible."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.study.ahead.early import AGES
from analysis.study.scores import holds, interval_score, middle_error, percent
from analysis.study.table import Row, limit, share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.study.ahead.early import EarlyOutcome
    from analysis.study.scores import Said

#: Share of 90 % intervals that should hold the truth.
WANTED = (0.87, 0.93)
#: The most that the median may be off at half of a life, %.
MOST_HALF_LIFE = 8.0
_HALF = 0.5


def misses(said: Sequence[Said]) -> tuple[int, int]:
    """Return how many intervals lie above the truth (said too long), and how many below it."""
    return sum(s.low > s.truth for s in said), sum(s.high < s.truth for s in said)


def score(said: Sequence[Said]) -> float:
    """Return the mean interval score over the hours truly left; lower is better."""
    low, high, truth = (
        np.array([getattr(s, name) for s in said]) for name in ("low", "high", "truth")
    )
    return float((interval_score(low, high, truth) / truth).mean())


def early_rows(outcomes: Sequence[EarlyOutcome]) -> list[Row]:
    """Return the rows of each age."""
    return [row for age in AGES for row in _rows_at(age, [o for o in outcomes if o.age == age])]


def _rows_at(age: float, outcomes: Sequence[EarlyOutcome]) -> list[Row]:
    at = f"at {100.0 * age:.0f} % of life"
    said, possible = [o.left for o in outcomes], [o.possible for o in outcomes]
    if not said:
        return [Row(f"{at}: 90 % interval of remaining hours holds the truth", "", "none", 0, None)]
    too_long, too_short = misses(said)
    error = f"{at}: median relative error, %"
    best = f"{middle_error(possible):.2f}"
    return [
        share(f"{at}: 90 % interval of remaining hours holds the truth", holds(said), WANTED),
        Row(
            f"{at}: intervals that miss, said too long / too short",
            "both sides",
            f"{too_long} / {too_short}",
            len(said),
            # A single miss cannot lie on both sides.
            min(too_long, too_short) > 0 if too_long + too_short > 1 else None,
        ),
        limit(error, middle_error(said), MOST_HALF_LIFE, len(said))
        if age == _HALF
        else Row(error, "", f"{middle_error(said):.2f}", len(said), None),
        Row(f"{at}: the same, of one who knows how boats are drawn", "", best, len(said), None),
        Row(
            f"{at}: mean interval score over the hours left; of one who knows",
            "",
            f"{score(said):.2f}, {score(possible):.2f}",
            len(said),
            None,
        ),
        Row(
            f"{at}: boats to which a median is stated, %",
            "",
            f"{percent(sum(o.named for o in outcomes), len(outcomes)):.0f}",
            len(said),
            None,
        ),
    ]


def early_markdown(boats: Sequence[Sequence[EarlyOutcome]], seed: int) -> str:
    """Return the table as Markdown."""
    judged = [one for boat in boats for one in boat]
    names = {one.name for one in judged}
    head = (
        f"Early forecasts: {len(names)} boats that wear, seed {seed}. Hours until the output limit "
        "alone; what a report withholds as too far ahead is counted here. What is wanted and not "
        "reached is bold."
    )
    return "\n".join([head, "", *by_age(early_rows(judged))]) + "\n"


def by_age(rows: Sequence[Row]) -> list[str]:
    """Return the rows as a table in Markdown with a column for each age."""
    ages = [f"{100.0 * age:.0f} % of life" for age in AGES]
    told: dict[str, dict[str, Row]] = {}
    for row in rows:
        at, _, what = row.what.partition(": ")
        told.setdefault(what, {})[at.removeprefix("at ")] = row
    boats = [str(max((row[age].boats for row in told.values() if age in row), default=0))
             for age in ages]  # fmt: skip
    lines = [["what", "wanted", *ages], ["---"] * (2 + len(ages)), ["boats", "", *boats]]
    for what, at_age in told.items():
        asked = {age: row.wanted for age, row in at_age.items() if row.wanted}
        wanted = next(iter(asked.values()), "")
        if len(asked) == 1 < len(at_age):
            wanted += f" at {next(iter(asked)).removesuffix(' of life')}"
        cells = [_cell(at_age.get(age)) for age in ages]
        lines.append([what, wanted, *cells])
    return [f"| {' | '.join(line)} |" for line in lines]


def _cell(row: Row | None) -> str:
    if row is None:
        return ""
    return f"**{row.reached}**" if row.met is False else row.reached
