"""The rows of passages, of a year's fuel, and of the date of replacement."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.study.scores import WANTED, holds, middle_error
from analysis.study.table import limit, share, written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.study.ahead.dates import DateOutcome
    from analysis.study.ahead.passage import PassageOutcome
    from analysis.study.table import Row


def passage_rows(outcomes: Sequence[PassageOutcome]) -> list[Row]:
    """Return the rows of passages and of a year's fuel; few days are counted like others."""
    sent = [o.passage for o in outcomes if o.passage is not None and o.passage.truth > 0.0]
    year = [o.year for o in outcomes if o.year is not None and o.year.truth > 0.0]
    return [
        share("90 % interval of the fuel for 21 days under way holds the truth", holds(sent),
              WANTED),
        limit("median error of the fuel for 21 days under way, %", middle_error(sent), 10.0,
              len(sent)),
        limit("median error of litres and containers a year, %", middle_error(year), 5.0,
              len(year)),
    ]  # fmt: skip


def date_rows(outcomes: Sequence[DateOutcome]) -> list[Row]:
    """Return the row of the date of replacement."""
    said = [o.date for o in outcomes if o.date is not None]
    return [share("90 % interval of the date of replacement holds the day", holds(said), WANTED)]


def passage_markdown(outcomes: Sequence[PassageOutcome], seed: int) -> str:
    """Return the table of passages as Markdown."""
    head = f"Passages: {len(outcomes)} boats, seed {seed}. Each sent for 21 days without engine."
    return "\n".join([head, "", *written(passage_rows(outcomes))]) + "\n"


def date_markdown(outcomes: Sequence[DateOutcome], seed: int) -> str:
    """Return the table of dates as Markdown."""
    head = f"Dates: {len(outcomes)} boats, seed {seed}. Each lives on until her limit is met."
    return "\n".join([head, "", *written(date_rows(outcomes))]) + "\n"
