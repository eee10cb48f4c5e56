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
from analysis.study.scores import clopper_pearson, interval_score

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.study.fleet.judge import Forecast

MARK = "fleet"
METHOD = Path(__file__).resolve().parents[2] / "METHOD.md"
_HEAD = (
    "| fleet | age | sisters | boats | told, % | median error, % | interval holds, % | score | "
    "alone: told, % | error, % | holds, % | score |"
)


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
    table = "\n".join([_HEAD, "|" + " --- |" * 12, *rows])
    text = f"{table}\n\nSeed {args.seed}. {'. '.join(notes)}.\n"
    print(text)
    if args.write:
        _write(text)
    return 0


def _rows(name: str, judged: Sequence[Judged]) -> Iterator[str]:
    for age in AGES:
        here = [j for j in judged if j.age == age]
        for place, count in enumerate(SISTERS):
            pairs = [(j.alone, w) for j in here if (w := j.with_sisters[place]) is not None]
            if not pairs:
                continue
            alone, sisters = (list(side) for side in zip(*pairs, strict=True))
            cells = [name, f"{100 * age:.0f} %", str(count), str(len(pairs))]
            yield f"| {' | '.join([*cells, *_cells(sisters), *_cells(alone)])} |"


def _cells(said: Sequence[Forecast]) -> list[str]:
    """Return share told, error of those, share of their intervals that hold, score of all."""
    named = [s for s in said if s.named]
    truth = np.array([s.truth for s in said])
    low, high = (np.array([getattr(s, end) for s in said]) for end in ("low", "high"))
    score = float(np.mean(interval_score(low / truth, high / truth, np.ones(len(said)))))
    told = f"{100 * len(named) / len(said):.0f}"
    if not named:
        return [told, "-", "-", f"{score:.2f}"]
    held = sum(s.holds for s in named)
    ends = clopper_pearson(held, len(named))
    holds = f"{100 * held / len(named):.0f} ({100 * ends[0]:.0f} to {100 * ends[1]:.0f})"
    error = 100 * float(np.median([s.error for s in named]))
    return [told, f"{error:.1f}", holds, f"{score:.2f}"]


def _write(text: str) -> None:
    begin, end = f"<!-- {MARK}:begin -->", f"<!-- {MARK}:end -->"
    whole = METHOD.read_text(encoding="utf-8")
    before, _, rest = whole.partition(begin)
    after = rest.partition(end)[2]
    METHOD.write_text(f"{before}{begin}\n\n{text}\n{end}{after}", encoding="utf-8")


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.exit(main())
