"""``python -m analysis.study.fleet``: let fleets live, judge what sisters add, write the table."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from analysis.study.fleet.judge import SISTERS, Judged, Tails, found, judge_fleet
from analysis.study.fleet.live import AGES, KINDS, fleet
from analysis.study.method import write_table
from analysis.study.scores import interval_score

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.study.fleet.judge import Forecast

MARK = "fleet"
_HEAD = ["fleet", "age", "boats", "alone", *(f"{count} sisters" for count in SISTERS)]


def main() -> int:
    """Run the study and return the exit status."""
    parser = argparse.ArgumentParser(prog="python -m analysis.study.fleet", description=__doc__)
    parser.add_argument("--fleets", type=int, default=1, help="of each kind (default: 1)")
    parser.add_argument("--seed", type=int, default=4200, help="another seed, other fleets")
    parser.add_argument("--out", type=Path, default=Path("build/study/fleet"), help="cache")
    parser.add_argument("--kept", action="store_true", help="judge only fleets that lived before")
    parser.add_argument("--write", action="store_true", help="put the table into METHOD.md")
    args = parser.parse_args()
    rows, notes = [], []
    for kind in KINDS:
        judged: list[Judged] = []
        tails: list[Tails] = []
        for number in range(args.fleets):
            if args.kept and not kind.kept(args.seed, number, args.out).is_file():
                continue
            one, odd = judge_fleet(fleet(kind, args.seed, number, args.out))
            judged += one
            tails.append(odd)
        if tails:
            rows += list(_rows(kind.name, judged))
            hits, odd_ones, false, sound = found(tails)
            notes.append(
                f"{kind.name}: {len(tails)} fleets; {hits} of {odd_ones} odd ones found, "
                f"{false} of {sound} sisters named falsely ({100 * false / sound:.1f} %)"
            )
    table = "\n".join([f"| {' | '.join(_HEAD)} |", "|" + " --- |" * len(_HEAD), *rows])
    text = f"{table}\n\nSeed {args.seed}. {'. '.join(notes)}.\n"
    print(text)
    if args.write:
        write_table(text, MARK)
    return 0


def _rows(name: str, judged: Sequence[Judged]) -> Iterator[str]:
    for age in AGES:
        here = [j for j in judged if j.age == age]
        cells = [name, f"{100 * age:.0f} %", str(len(here)), _cell([j.alone for j in here], here)]
        for place in range(len(SISTERS)):
            said = [w for j in here if (w := j.with_sisters[place]) is not None]
            cells.append(_cell(said, here))
        yield f"| {' | '.join(cells)} |"


def _cell(said: Sequence[Forecast], of: Sequence[Judged]) -> str:
    """Return median error, share of intervals that hold, score, and how many where not all."""
    if not said:
        return "-"
    truth = np.array([s.truth for s in said])
    low, high = (np.array([getattr(s, end) for s in said]) for end in ("low", "high"))
    score = float(np.mean(interval_score(low / truth, high / truth, np.ones(len(said)))))
    error = 100 * float(np.median([s.error for s in said]))
    held = 100 * sum(s.holds for s in said) / len(said)
    number = "" if len(said) == len(of) else f" ({len(said)} boats)"
    return f"{error:.1f}, {held:.0f}, {score:.2f}{number}"


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
