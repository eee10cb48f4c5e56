"""``ebbwatt fleet``: the boats of one fitter, taken in, assessed and ranked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analysis.text import say

if TYPE_CHECKING:
    import argparse

HELP = "look after many boats: take in their logs, say who needs a visit"
DESCRIPTION = (
    "For whoever looks after many boats. 'take' files databases and assessment documents that the\n"
    "boats hand in, each under its own boat, and refuses by name what is damaged or foreign."
)
EXAMPLE = "ebbwatt fleet take my-fleet stick/*.db"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what can be done with a fleet."""
    from analysis.arguments import whole_number, with_example

    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    take = actions.add_parser(
        "take", help="file what boats hand in, each under its boat", **with_example(EXAMPLE)
    )
    take.add_argument("folder", type=Path, metavar="DIR", help="the fleet's folder; made if needed")
    take.add_argument(
        "files", type=Path, nargs="+", metavar="FILE", help="databases and assessment documents"
    )
    take.add_argument(
        "--most-mb",
        type=whole_number(1, 1_000_000),
        default=2000,
        metavar="MB",
        help="refuse files larger than this (default: 2000)",
    )
    take.set_defaults(act=_take)


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    status: int = args.act(args)
    return status


def _take(args: argparse.Namespace) -> int:
    from analysis.fleet.folder import Fleet
    from analysis.fleet.intake import Outcome, take

    fleet = Fleet(args.folder, make=True)
    refused = 0
    for taken in take(fleet, args.files, args.config, args.most_mb * 1_000_000):
        said = "" if taken.outcome is Outcome.KNOWN else f"{taken.outcome}: "
        say(f"{taken.path}: {said}{taken.words}", flush=True)
        refused += taken.outcome is Outcome.REFUSED
    return 1 if refused else 0
