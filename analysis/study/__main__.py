"""``python -m analysis.study``: simulates boats and writes a table of how accurate figures are."""

from __future__ import annotations

import argparse
import csv
import multiprocessing
import os
import sys
from dataclasses import asdict, fields
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from analysis.fleet.engine.runner import safe_path
from analysis.show.progress import bar
from analysis.study.ahead.dates import judge_date
from analysis.study.ahead.early import judge_early
from analysis.study.ahead.early_table import early_markdown
from analysis.study.ahead.passage import judge_passage
from analysis.study.ahead.passage_table import date_markdown, passage_markdown
from analysis.study.faults import inputs_markdown, judge_inputs
from analysis.study.fuel import judge_fuel
from analysis.study.fuel_table import fuel_markdown
from analysis.study.method import write_table
from analysis.study.outcome import Outcome, judge
from analysis.study.population import population
from analysis.study.supply import judge_supply
from analysis.study.supply_table import supply_markdown
from analysis.study.table import markdown

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

#: Marks round the table of the whole assessment in METHOD.md.
STUDY = "study"
#: Option, and marks round its table in METHOD.md: what judges a boat, and what writes the table.
STUDIES: dict[str, tuple[Callable[..., Any], Callable[..., str]]] = {
    "load": (judge_supply, supply_markdown),
    "inputs": (judge_inputs, inputs_markdown),
    "fuel": (judge_fuel, fuel_markdown),
    "passage": (judge_passage, passage_markdown),
    "dates": (judge_date, date_markdown),
    "early": (judge_early, early_markdown),
}


def main() -> int:
    """Run the study and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m analysis.study", description=__doc__)
    parser.add_argument("--boats", type=int, default=300, help="number of boats (default: 300)")
    parser.add_argument("--first", type=int, default=0, help="number of the first boat")
    parser.add_argument("--seed", type=int, default=1, help="seed of the boats")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--out", type=Path, default=Path("build/study"), help="cache and CSV")
    parser.add_argument("--load", action="store_true", help="study the load instead")
    parser.add_argument("--fuel", action="store_true", help="study the fuel instead")
    parser.add_argument("--passage", action="store_true", help="study passages and a year's fuel")
    parser.add_argument("--dates", action="store_true", help="study the date of replacement")
    parser.add_argument("--early", action="store_true", help="study early forecasts")
    parser.add_argument(
        "--inputs",
        action="store_true",
        help="study the checks of the data instead",
    )
    parser.add_argument("--write", action="store_true", help="put the table into METHOD.md")
    args = parser.parse_args()
    for mark, (how, table) in STUDIES.items():
        if getattr(args, mark):
            return _show(args, table(_judged(args, how), args.seed), mark)
    outcomes = _judged(args, judge)
    with (args.out / "boats.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, [f.name for f in fields(Outcome)])
        writer.writeheader()
        writer.writerows(asdict(o) for o in outcomes)
    return _show(args, markdown(outcomes, args.seed), STUDY)


def _show(args: argparse.Namespace, table: str, mark: str) -> int:
    """Print a table, and write it into METHOD.md if ``--write`` is given."""
    print(table)
    if args.write:
        write_table(table, mark)
    return 0


def _judged(args: argparse.Namespace, how: Callable[..., T]) -> list[T]:
    """Simulate the boats and compare each with its truth."""
    boats = population(args.first + args.boats, args.seed)[args.first :]
    outcomes: list[T] = []
    args.out.mkdir(parents=True, exist_ok=True)
    context = multiprocessing.get_context("spawn")
    # The pool starts processes all the time.
    with (
        safe_path(),
        context.Pool(args.processes) as pool,
        bar("boats live and are judged") as progress,
    ):
        for found in pool.imap(partial(how, cache=args.out), boats):
            outcomes.append(found)
            progress(len(outcomes) / len(boats))
    return outcomes


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
