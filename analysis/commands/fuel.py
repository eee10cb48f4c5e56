"""``ebbwatt fuel``: how long the fuel lasts."""

from __future__ import annotations

import argparse
import json
import shutil
import time
from typing import TYPE_CHECKING

from analysis.arguments import positive_number, whole_number
from analysis.show.cautions import SHORT

if TYPE_CHECKING:
    from analysis.assessment.case import Case
    from analysis.fuel.result import FuelOutlook

HELP = "say how long the fuel lasts, and what this unit uses"
DESCRIPTION = (
    "Litres per kWh of this unit from the containers it emptied (record each change with\n"
    "'ebbwatt event add fuel --litres 10'), what is left, how many days it lasts on days like\n"
    "this boat's own, containers a year and for a passage.\n"
    "\n" + SHORT.replace(": methanol", ":\nmethanol", 1)
)
EXAMPLE = "ebbwatt fuel --days 21"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument(
        "--days", type=whole_number(1, 365), metavar="N", help="fuel for a passage of N days"
    )
    parser.add_argument(
        "--spare", type=positive_number, metavar="L", default=0.0,
        help="sealed fuel aboard besides the container in use, L",
    )  # fmt: skip
    parser.add_argument(
        "--temperature", type=_celsius, metavar="C", default=20.0,
        help="temperature of the fuel, degC (default 20): warm fuel holds less in a litre",
    )  # fmt: skip
    parser.add_argument(
        "--fitting", type=int, metavar="ID", help="an earlier charger of this log, by its number"
    )


def _celsius(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -20.0 <= value <= 50.0:
        raise argparse.ArgumentTypeError(f"got {text!r}; accepted: -20 to 50 degC")
    return value


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from logger.config import find_config, load_config
    from logger.errors import UsageError

    path = find_config(args.config)
    config = load_config(path)
    if config.fuel is None:
        raise UsageError(
            f"{path}: there is no [fuel] section; add the line [fuel] and, below it, "
            "container_l = 10 (size of a container, L)"
        )
    from analysis.assessment.case import Case
    from analysis.fuel.outlook import fuel_outlook
    from analysis.history.history import load_fitting

    case = Case(*load_fitting(config, args.fitting))
    found = fuel_outlook(
        case.runs,
        case.use,
        case.config,
        passage_days=args.days,
        spare_l=args.spare,
        temperature_c=args.temperature,
    )
    if args.json:
        print(json.dumps(found.document(), indent=1))
        return 0
    from analysis.show.freshness import with_fuel_suspended
    from analysis.show.screen.fuel import lines

    width = shutil.get_terminal_size((80, 24)).columns
    check = _check(case, found)
    print("\n".join(lines(with_fuel_suspended(found, time.time()), check, width)))
    return 0


def _check(case: Case, found: FuelOutlook) -> str | None:
    """Hold the rise of the fuel use against the loss of output: both follow the cell voltage."""
    if len(found.use.counted) < 4:
        return None
    from analysis.fuel.cross_check import rise_of_output, rise_of_use

    seen = rise_of_use(found.use)
    expected = rise_of_output(case.runs, case.assessment, found.use)
    if seen is None or expected is None:
        return None
    apart = abs(seen[0] - expected) > 2.0 * seen[1] + 0.05
    return (
        f"Between its first and last containers the use rose by {100 * seen[0]:.0f} % "
        f"(+/- {100 * seen[1]:.0f}); the output lost in that time explains {100 * expected:.0f} %"
        + (": they disagree, look at sensors, fuel and recorded changes." if apart else ".")
    )
