"""``ebbwatt load``: the boat's load a day."""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING

from analysis.arguments import add_fitting
from analysis.units import read_as

if TYPE_CHECKING:
    import argparse

HELP = "show how much the boat draws a day, from the charger's own data"
DESCRIPTION = (
    "Shows how much the boat draws a day, in Ah and Wh: mean, median, 9 days in 10 and 19 days in\n"
    "20, by month. Days on which another source charged (shore power, engine) are recognised and\n"
    "left out. It uses the last two years of the log."
)
EXAMPLE = "ebbwatt load --json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    add_fitting(parser)


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from logger.config import find_config, load_config

    config = load_config(find_config(args.config))
    read_as(config.boat)
    from analysis.assessment.case import Case
    from analysis.history.shown import load_shown

    found = Case(*load_shown(config, args.fitting)).load
    if args.json:
        print(json.dumps(found.document(), indent=1))
        return 0
    from analysis.show.screen.load import lines

    print("\n".join(lines(found, shutil.get_terminal_size((80, 24)).columns)))
    return 0
