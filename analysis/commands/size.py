"""``ebbwatt size``: which charger carries this boat."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.arguments import number_between, positive_number
from analysis.units import owner, read_as

if TYPE_CHECKING:
    import argparse

    from analysis.assessment.case import Case
    from analysis.sizing.cable import CableAdvice
    from analysis.sizing.result import Sizing
    from logger.config import Config

HELP = "find which size of charger carries this boat, now and at the end of its life"
DESCRIPTION = (
    "Compares the fitted charger and candidates on the boat's own days: share of days that each\n"
    "carries when new and when old, running hours and fuel a year, years until it is used up.\n"
    "Where there is no log yet, it uses an audit table (CSV: item,amps,hours_rest,hours_passage);\n"
    "where there are both, it compares them."
)
EXAMPLE = "ebbwatt size --candidates candidates.toml --audit audit.csv"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument(
        "--candidates", type=Path, metavar="FILE", help="units to choose from (TOML)"
    )
    parser.add_argument("--audit", type=Path, metavar="FILE", help="list of consumers (CSV)")
    parser.add_argument(
        "--passage-share", type=number_between(0, 1), metavar="P", default=0.3,
        help="audit: part of the days that are on passage (default 0.3)",
    )  # fmt: skip
    parser.add_argument(
        "--days-a-year", type=number_between(1, 366), metavar="N",
        help="days a year on which the charger carries the boat (default: from the log, else 365)",
    )  # fmt: skip
    parser.add_argument(
        "--fuel-price", type=positive_number, metavar="P", help="price of a litre of fuel"
    )
    parser.add_argument(
        "--length", type=number_between(0.05, 100), metavar="M",
        help="length of the cable to the battery, one way, m (default: [wiring] length_m)",
    )  # fmt: skip
    parser.add_argument(
        "--drop", type=int, choices=(3, 5), default=3,
        help="greatest voltage drop of that cable, %% of nominal (default 3)",
    )  # fmt: skip


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from analysis.sizing.candidates import EXAMPLES, read_audit, read_candidates, with_fitted
    from analysis.sizing.needs import find_need
    from analysis.sizing.size import size
    from logger.config import BatteryConfig
    from logger.errors import UsageError

    config = _configured(args)
    candidates = read_candidates(args.candidates) if args.candidates else EXAMPLES
    audit = read_audit(args.audit) if args.audit else None
    units = candidates if config is None else with_fitted(candidates, config)
    battery = BatteryConfig() if config is None else config.battery
    case = None if config is None else _logged(config)
    basis = find_need(case, battery, audit, args.passage_share, args.days_a_year)
    if basis.need is None:
        if not args.json:
            raise UsageError(f"{basis.words[0]}; name an audit table with --audit FILE")
        from analysis.show.screen.sizing import nothing_known

        print(json.dumps(nothing_known(units, basis.words[0]), indent=1))
        return 0
    found = size(
        basis.need,
        units,
        end_fraction=0.6 if config is None else config.charger.replace_below,
        decline_per_1000h=basis.decline_per_1000h,
        fuel_price=args.fuel_price,
        with_fuel=config is None or config.fuel is not None,
        today=basis.today,
    )
    wiring = None if config is None else config.wiring
    length_m = args.length or (None if wiring is None else wiring.length_m)
    words = basis.words
    if config is None:
        words = (*words, "No configuration: assumes an AGM bank, units replaced at 60 % of rated.")
    cable = _cable(found, length_m, args.drop)
    if args.json:
        from analysis.show.screen.sizing import document

        print(json.dumps(document(found, words) | {"cable": cable.document()}, indent=1))
        return 0
    from analysis.show.screen.sizing import lines

    width = shutil.get_terminal_size((80, 24)).columns
    guessed = args.candidates is None
    told = lines(
        found, words, width, guessed=guessed, fitted_ah=battery.capacity_ah, cable=cable.words()
    )
    print("\n".join(told))
    return 0


def _configured(args: argparse.Namespace) -> Config | None:
    """Return the configuration; an audit needs none."""
    from logger.config import find_config, load_config
    from logger.errors import ConfigError

    try:
        path = find_config(args.config)
    except ConfigError:
        if args.audit is None:
            raise
        return None
    config = load_config(path)
    read_as(config.boat)
    return config


def _cable(found: Sizing, length_m: float | None, drop_percent: int) -> CableAdvice:
    """Return the cable that goes with the recommended unit."""
    from analysis.sizing.cable import advise

    unit = next((j.unit for j in found.judged if j.unit.label == found.recommended), None)
    return advise(
        None if unit is None else unit.rated_w,
        found.need.blocks,
        length_m,
        drop_percent / 100.0,
        awg=owner().units.us,
    )


def _logged(config: Config) -> Case | None:
    """Return the log of the fitted charger; None where there is none yet."""
    from analysis.assessment.case import Case
    from analysis.history.shown import load_shown
    from logger.store.files import is_there

    return Case(*load_shown(config)) if is_there(config.store.path) else None
