"""``ebbwatt size``: which charger carries this boat."""

from __future__ import annotations

import argparse
import json
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.arguments import positive_number

if TYPE_CHECKING:
    from analysis.load import LoadResult
    from analysis.sizing import Need, Sizing
    from analysis.sizing_inputs import Audit, Unit
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
        "--passage-share", type=_share, metavar="P", default=0.3,
        help="audit: part of the days that are on passage (default 0.3)",
    )  # fmt: skip
    parser.add_argument(
        "--days-a-year", type=positive_number, metavar="N",
        help="days a year on which the charger carries the boat (default: from the log, else 365)",
    )  # fmt: skip
    parser.add_argument(
        "--fuel-price", type=positive_number, metavar="P", help="price of a litre of fuel"
    )


def _share(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1.0:
        raise argparse.ArgumentTypeError(f"got {text!r}; accepted: a number from 0 to 1")
    return value


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from logger.config import find_config, load_config

    config = load_config(find_config(args.config))
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from analysis.sizing import size
    from analysis.sizing_inputs import EXAMPLES, Unit, read_audit, read_candidates

    units = read_candidates(args.candidates) if args.candidates else EXAMPLES
    audit = read_audit(args.audit) if args.audit else None
    need, basis, decline = _need(args, config, audit)
    charger = config.charger
    fitted = Unit(
        charger.label,
        charger.rated_w,
        config.fuel.l_per_kwh if config.fuel else 0.0,
        charger.design_life_h,
        fitted=True,
    )
    every: tuple[Unit, ...] = (*units, fitted)
    found = size(
        need,
        every,
        end_fraction=charger.replace_below,
        decline_per_1000h=decline,
        fuel_price=args.fuel_price,
        with_fuel=config.fuel is not None,
    )
    if args.json:
        print(json.dumps(_document(found, basis), indent=1))
        return 0
    from analysis.sizing_text import lines

    width = shutil.get_terminal_size((80, 24)).columns
    print("\n".join(lines(found, basis, width, guessed=args.candidates is None)))
    return 0


def _need(
    args: argparse.Namespace, config: Config, audit: Audit | None
) -> tuple[Need, list[str], float | None]:
    """Find the need from the log, else from the audit; say what it rests on."""
    from analysis.load import EFFICIENCY, daily_load
    from analysis.sizing import DAYS_A_YEAR, Need, audit_days, supply_wh
    from logger.errors import UsageError

    chemistry = config.battery.chemistry
    load, yearly, decline = None, None, None
    if config.store.path.is_file():
        from analysis.assess import assess
        from analysis.fuel import kwh_per_year
        from analysis.history import load_history

        history = load_history(config.store.path)
        load = daily_load(history, config)
        if load.ah_p95 is not None:
            yearly = kwh_per_year(history, config)
            slope = assess(history, config).decline_per_1000h
            decline = slope.median if slope.low is not None and slope.low > 0.0 else None
    if load is not None and load.ah_p95 is not None and load.ah.median is not None:
        blocks = max(1, round((load.voltage_v or 12.8) / 12.8))
        supply = supply_wh(load.sample_ah, load.efficiency, blocks)
        days = args.days_a_year
        if days is None and yearly is not None:
            days = min(1000.0 * yearly / float(supply.mean()), DAYS_A_YEAR)
        need = Need(supply, load.ah.median, blocks, days or DAYS_A_YEAR, chemistry)
        return need, _log_basis(load, need, audit, args.passage_share), decline
    if audit is None:
        why = load.withheld if load is not None else "there is no log yet"
        why = why or "fewer days than the 95th percentile day needs"
        raise UsageError(f"the load is not known ({why}); name an audit table with --audit FILE")
    efficiency = config.battery.charge_efficiency or EFFICIENCY[chemistry][0]
    days_ah = audit_days(audit, args.passage_share)
    supply = supply_wh(days_ah, efficiency, 1)
    need = Need(supply, float(days_ah.mean()), 1, args.days_a_year or DAYS_A_YEAR, chemistry)
    text = (
        f"By the audit of {audit.items} items: {audit.rest_ah:.0f} Ah a day at rest, "
        f"{audit.passage_ah:.0f} Ah on passage, {100 * args.passage_share:.0f} % of days on "
        f"passage (12 V). A log is better: measure."
    )
    return need, [text], None


def _log_basis(load: LoadResult, need: Need, audit: Audit | None, share: float) -> list[str]:
    text = (
        f"By the log: {load.ah.median:.0f} Ah on the mean day, up to {load.ah_p95:.0f} Ah on "
        f"19 days in 20 ({load.days_used} days); the charger carries the boat on "
        f"{need.days_a_year:.0f} days a year."
    )
    basis = [text]
    if audit is not None and load.ah.median:
        mean = share * audit.passage_ah + (1.0 - share) * audit.rest_ah
        basis.append(
            f"By the audit: {mean:.0f} Ah ({audit.rest_ah:.0f} at rest, {audit.passage_ah:.0f} on "
            f"passage): {100 * (mean / load.ah.median - 1.0):+.0f} % against the log. The log "
            f"decides."
        )
    return basis


def _document(found: Sizing, basis: list[str]) -> dict[str, object]:
    from analysis.sizing_text import number

    return {
        "candidates": [
            {
                "label": j.unit.label,
                "rated_w": j.unit.rated_w,
                "fitted": j.unit.fitted,
                "days_carried_new": number(j.carried_new),
                "days_carried_end": number(j.carried_end),
                "hours_per_year": number(j.hours_per_year),
                "years": number(j.years),
                "years_design": number(j.years_design),
                "years_decline": number(j.years_decline),
                "litres_per_year": number(j.litres_per_year),
                "cost_per_year": number(j.cost_per_year),
            }
            for j in found.judged
        ],
        "recommended": found.recommended,
        "reasons": list(found.reasons),
        "grown": [{"load": growth, "recommended": label} for growth, label in found.grown],
        "bank_ah": number(found.bank_ah),
        "basis": basis,
    }
