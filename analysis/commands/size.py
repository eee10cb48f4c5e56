"""``ebbwatt size``: which charger carries this boat."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.arguments import number_between, positive_number

if TYPE_CHECKING:
    import argparse

    from analysis.assessment.case import Case
    from logger.config import Config

HELP = "say which size of charger carries this boat, now and at the end of its life"
DESCRIPTION = (
    "Judge the fitted charger and candidates against the boat's own days: share of days carried\n"
    "when new and when old, running hours and fuel a year, years until it is used up. Works from\n"
    "an audit table (CSV: item,amps,hours_rest,hours_passage) where there is no log yet, and\n"
    "compares both where there are both."
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


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from logger.config import find_config, load_config
    from logger.errors import UsageError

    config = load_config(find_config(args.config))
    from analysis.sizing.candidates import EXAMPLES, read_audit, read_candidates, with_fitted
    from analysis.sizing.needs import find_need
    from analysis.sizing.size import size

    candidates = (
        read_candidates(args.candidates)
        if args.candidates
        # An invented twin of the fitted one says nothing new.
        else tuple(u for u in EXAMPLES if u.rated_w != config.charger.rated_w)
    )
    audit = read_audit(args.audit) if args.audit else None
    units = with_fitted(candidates, config)
    basis = find_need(_logged(config), config, audit, args.passage_share, args.days_a_year)
    if basis.need is None:
        if not args.json:
            raise UsageError(f"{basis.words[0]}; name an audit table with --audit FILE")
        from analysis.show.screen.sizing import nothing_known

        print(json.dumps(nothing_known(units, basis.words[0]), indent=1))
        return 0
    found = size(
        basis.need,
        units,
        end_fraction=config.charger.replace_below,
        decline_per_1000h=basis.decline_per_1000h,
        fuel_price=args.fuel_price,
        with_fuel=config.fuel is not None,
    )
    if args.json:
        from analysis.show.screen.sizing import document

        print(json.dumps(document(found, basis.words), indent=1))
        return 0
    from analysis.show.screen.sizing import lines

    width = shutil.get_terminal_size((80, 24)).columns
    bank_ah = config.battery.capacity_ah
    guessed = args.candidates is None
    print("\n".join(lines(found, basis.words, width, guessed=guessed, fitted_ah=bank_ah)))
    return 0


def _logged(config: Config) -> Case | None:
    """Return the log of the fitted charger; None where there is none yet."""
    from analysis.assessment.case import Case
    from analysis.history.history import load_fitting

    return Case(*load_fitting(config)) if config.store.path.is_file() else None
