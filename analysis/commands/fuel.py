"""``ebbwatt fuel``: how long the fuel lasts."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import time
from dataclasses import replace
from datetime import date, datetime
from datetime import time as clock
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.arguments import add_fitting, positive_number, whole_number
from analysis.show.cautions import SHORT
from analysis.units import read_as

if TYPE_CHECKING:
    from datetime import tzinfo

    from analysis.assessment.case import Case
    from analysis.fuel.passage import Trip
    from analysis.fuel.result import FuelOutlook

HELP = "show how long the fuel lasts, and how much this unit uses"
DESCRIPTION = (
    "Shows the litres per kWh of this unit, from the containers it emptied (record each change\n"
    "with 'ebbwatt event add fuel --litres 10'), the fuel left, how many days it lasts by this\n"
    "boat's own use, and the containers needed a year and for a passage.\n"
    "\n" + SHORT.replace(": methanol", ":\nmethanol", 1)
)
EXAMPLE = "ebbwatt fuel --passage --under-way 21 --watts 45 --spare 20"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument(
        "--passage", action="store_true",
        help="print a sheet: reserve, stock, what to buy and when to order",
    )  # fmt: skip
    parser.add_argument(
        "--under-way", type=whole_number(0, 365), metavar="DAYS",
        help="fuel for a passage of this many days under way",
    )  # fmt: skip
    parser.add_argument(
        "--at-anchor", type=whole_number(0, 365), metavar="DAYS",
        help="and this many days at anchor",
    )  # fmt: skip
    parser.add_argument(
        "--days", type=whole_number(1, 365), metavar="N", help="the same as --under-way"
    )
    parser.add_argument(
        "--watts", type=positive_number, metavar="W",
        help="load on the passage, mean of 24 h, to use instead of the load in the log",
    )  # fmt: skip
    parser.add_argument(
        "--reserve-days", type=whole_number(0, 365), metavar="N", default=3,
        help="reserve: days under way beyond the passage that the fuel must last (default 3, "
        "judgement)",
    )  # fmt: skip
    parser.add_argument(
        "--depart", type=_date, metavar="DATE", help="day of departure, such as 2026-06-01"
    )
    parser.add_argument(
        "--delivery-days", type=whole_number(0, 365), metavar="N", default=14,
        help="days from order to delivery (default 14)",
    )  # fmt: skip
    parser.add_argument(
        "--html", type=Path, metavar="FILE", help="write the sheet as a page to print"
    )
    parser.add_argument(
        "--spare", type=positive_number, metavar="L", default=0.0,
        help="sealed fuel aboard besides the container in use, L",
    )  # fmt: skip
    parser.add_argument(
        "--temperature", type=_celsius, metavar="C", default=20.0,
        help="temperature of the fuel, degC (default 20): a litre of warm fuel has less energy",
    )  # fmt: skip
    add_fitting(parser)


def _celsius(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -20.0 <= value <= 50.0:
        raise argparse.ArgumentTypeError(f"got {text!r}; accepted: -20 to 50 degC")
    return value


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"got {text!r}; accepted: a date such as 2026-06-01"
        ) from None


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from logger.config import find_config, load_config
    from logger.errors import UsageError

    path = find_config(args.config)
    config = load_config(path)
    read_as(config.boat)
    if config.fuel is None:
        raise UsageError(
            f"{path}: there is no [fuel] section; add the line [fuel] and, below it, "
            "container_l = 10 (size of a container, L)"
        )
    if args.depart is not None and args.depart < datetime.now(config.boat.zone).date():
        raise UsageError(f"--depart {args.depart}: is over; accepted: a day from today on")
    from analysis.assessment.case import Case
    from analysis.fuel.outlook import fuel_of
    from analysis.history.shown import load_shown

    case = Case(*load_shown(config, args.fitting))
    found = fuel_of(
        case,
        spare_l=args.spare,
        temperature_c=args.temperature,
    )
    trip = _trip(args)
    if trip is not None:
        found = _with_passage(case, found, trip, args)
    if args.json:
        print(json.dumps(found.document(), indent=1))
        return 0
    if args.passage or args.html is not None:
        return _sheet(case, found, args)
    from analysis.show.freshness import with_fuel_suspended
    from analysis.show.screen.fuel import lines

    width = shutil.get_terminal_size((80, 24)).columns
    check = wear_check(case, found)
    print("\n".join(lines(with_fuel_suspended(found, time.time()), check, width)))
    return 0


def _trip(args: argparse.Namespace) -> Trip | None:
    """Return the passage that the user asks for, if any."""
    from analysis.fuel.passage import Trip
    from logger.errors import UsageError

    if args.days is not None and args.under_way is not None:
        raise UsageError("--days and --under-way are the same: give one of them")
    under_way = args.days if args.days is not None else args.under_way
    if under_way is None and args.at_anchor is None:
        if args.passage or args.html is not None or args.watts is not None:
            raise UsageError("name the length of the passage: --under-way DAYS (--at-anchor DAYS)")
        return None
    return Trip(under_way or 0, args.at_anchor or 0, args.watts)


def _with_passage(
    case: Case, found: FuelOutlook, trip: Trip, args: argparse.Namespace
) -> FuelOutlook:
    """Add the fuel for a passage, or why it is not known."""
    from analysis.fuel.passage import charger_now, provision
    from analysis.show.freshness import with_fuel_suspended

    # A person plans by the fuel aboard now; a document states the fuel at the end of the log.
    known = found if args.json else with_fuel_suspended(found, time.time())
    load, bank = case.load, case.config.battery
    charger = charger_now(case.runs, load.efficiency, bank.capacity_ah or 0.0)
    planned = None
    if charger is not None:
        planned = provision(
            known.stock(),
            trip,
            case.kinds if trip.watts is None else None,
            charger,
            load.voltage_v or charger.volts,
            reserve_d=args.reserve_days,
            spare_l=args.spare,
            depart_s=_midnight(args.depart, case.config.boat.zone),
            delivery_d=args.delivery_days,
        )
    if planned is not None:
        return replace(found, passage=replace(planned, caution=case.caution))
    if charger is None:
        why = "the log holds no run yet"
    else:
        why = f"{load.withheld or 'too few days show the load'}; name the load with --watts W"
    return replace(found, withheld=found.withheld | {"passage": why})


def _midnight(date: date | None, zone: tzinfo) -> float | None:
    return None if date is None else datetime.combine(date, clock(), zone).timestamp()


def _sheet(case: Case, found: FuelOutlook, args: argparse.Namespace) -> int:
    """Print the sheet for a passage, or write it as a page."""
    from analysis.show import passage_sheet as sheet
    from analysis.text import boat_and_charger, harmless
    from logger import __version__
    from logger.errors import EbbwattError

    if found.passage is None:
        raise EbbwattError(f"the fuel for a passage is not known: {found.withheld['passage']}")
    boat, charger, now_s = case.config.boat, case.config.charger, time.time()
    label = boat_and_charger(harmless(boat.name), harmless(charger.label))
    if args.html is None:
        width = shutil.get_terminal_size((80, 24)).columns
        last_s = found.last_s
        told = sheet.lines(found.passage, label, last_s, width, now_s)
        print("\n".join(told))
        return 0
    from analysis.figures import clock
    from logger.system.output import kept, write_whole

    made = f"Made {clock(now_s)} by ebbwatt {__version__}."
    if found.last_s is not None:
        made = f"Log to {clock(found.last_s)}. {made}"
    page = sheet.page(found.passage, label, made, __version__, now_s)
    write_whole(args.html, page, sheet.SHEET, kept(case.config))
    print(f"wrote {args.html}", file=sys.stderr)
    return 0


def wear_check(case: Case, found: FuelOutlook) -> str | None:
    """Compare the rise of the fuel use with the loss of output.

    They do not confirm each other, because both follow the cell voltage and the current sensor.
    """
    if len(found.use.counted) < 4:
        return None
    from analysis.estimate import Z90
    from analysis.figures import rounded
    from analysis.fuel.cross_check import rise_of_output, rise_of_use

    seen = rise_of_use(found.use)
    expected = rise_of_output(case.runs, case.assessment, found.use)
    if seen is None or expected is None:
        return None
    apart = abs(seen[0] - expected) > 2.0 * seen[1] + 0.05
    low, high = seen[0] - Z90 * seen[1], seen[0] + Z90 * seen[1]
    rise, *ends, explained = (rounded(100 * part, 0) for part in (seen[0], low, high, expected))
    return (
        f"Between its first and last containers the use rose by {rise} % "
        f"({ends[0]} to {ends[1]} %); the loss of output explains {explained} %. "
        + (
            "The two should agree: check the fuel and the recorded changes."
            if apart
            else "Both rest on one current sensor: no proof of wear."
        )
    )
