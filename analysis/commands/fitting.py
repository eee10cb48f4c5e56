"""``ebbwatt fitting``: how the charger was fitted, and whether that has changed."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

from analysis.arguments import add_fitting, positive_number
from analysis.units import read_as

if TYPE_CHECKING:
    import argparse

HELP = "say how the charger was fitted: reached output, cable, warming, gaps"
DESCRIPTION = (
    "Shows, for the first hours of a new fitting and for the latest: output reached, resistance\n"
    "of the loop to the battery from the steps of the charger's current, cable drop against good\n"
    "practice and IEC 60228, warming of the compartment in a run, gaps and refused readings, and\n"
    "the open items of the fitter's check list. 'ebbwatt report --commissioning FILE' makes a\n"
    "page of it. Open the battery's fuse before you touch a joint; exhaust and heat must leave\n"
    "the compartment; local codes and a licensed person decide."
)
EXAMPLE = "ebbwatt fitting --hours 50"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument(
        "--hours", type=positive_number, metavar="H", default=100.0,
        help="running hours for the first and for the latest figures (default 100)",
    )  # fmt: skip
    add_fitting(parser)


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from logger.config import find_config, load_config

    config = load_config(find_config(args.config))
    read_as(config.boat)
    from analysis.installation.check import check_log

    found = check_log(config, args.fitting, args.hours)
    if args.json:
        print(json.dumps(found.document(), indent=1))
        return 0
    from analysis.show.screen.installation import lines

    print("\n".join(lines(found, shutil.get_terminal_size((80, 24)).columns)))
    return 0
