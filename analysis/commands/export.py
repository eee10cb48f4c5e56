"""``ebbwatt export``: the log for other programs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.arguments import add_fitting
from analysis.text import say
from logger.config import find_config, load_config

if TYPE_CHECKING:
    import argparse

HELP = "write intervals, events or raw readings as CSV, JSON Lines or Parquet"
DESCRIPTION = (
    "Writes the intervals of the log (with --events what was noted, with --raw the raw readings\n"
    "that raw_hours keeps) for a spreadsheet or another program. The name says the format: .csv,\n"
    ".jsonl or .parquet, the first two also with .gz; - is standard output. Charge is in coulombs\n"
    "(3600 C = 1 Ah), energy in joules (3.6 MJ = 1 kWh), both exact; 'ebbwatt import' takes\n"
    "exported intervals back without loss, and condenses exported readings anew. In CSV, an\n"
    "apostrophe stands before text that a spreadsheet would run as a formula."
)
EXAMPLE = "ebbwatt export intervals.csv.gz\n  ebbwatt export events.csv --events"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument("file", metavar="FILE", help="where to write; - is standard output")
    parser.add_argument(
        "--events", action="store_true", help="what was noted, instead of the intervals"
    )
    parser.add_argument(
        "--raw", action="store_true", help="the raw readings that raw_hours in [store] keeps"
    )
    parser.add_argument(
        "--format",
        choices=("csv", "jsonl", "parquet"),
        help="where the name does not say it (on standard output: csv)",
    )
    add_fitting(parser)
    parser.add_argument(
        "--replace", action="store_true", help="overwrite the file if it exists already"
    )


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    from analysis.transfer.export import (
        EVENT_COLUMNS,
        INTERVAL_COLUMNS,
        RAW_COLUMNS,
        event_rows,
        export,
        format_of,
        interval_rows,
        raw_rows,
    )
    from logger.errors import UsageError
    from logger.store.reader import Reader
    from logger.system.output import kept

    if args.events and args.raw:
        raise UsageError("--events and --raw each fill a file of their own; give one of them")
    config = load_config(find_config(args.config))
    target = None if args.file == "-" else Path(args.file)
    form = format_of(target, args.format)
    keep = kept(config)
    with Reader(config.store.path) as reader:
        if args.events:
            count = export(
                target, form, EVENT_COLUMNS, event_rows(reader), replace=args.replace, keep=keep
            )
        elif args.raw:
            rows = raw_rows(reader, reader.fitting(args.fitting).id)
            count = export(target, form, RAW_COLUMNS, rows, replace=args.replace, keep=keep)
        else:
            rows = interval_rows(reader, reader.fitting(args.fitting).id)
            count = export(target, form, INTERVAL_COLUMNS, rows, replace=args.replace, keep=keep)
    what = "events" if args.events else "readings" if args.raw else "intervals"
    say(f"{count:,} {what} written to {target or 'standard output'}", file=sys.stderr)
    return 0
