"""``ebbwatt demo``: the main job on an invented boat, from readings to a verdict."""

from __future__ import annotations

import argparse
import os
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.demo import Demo

HELP = "let an invented boat live for years, log it, analyse it, show it"
DESCRIPTION = (
    "Simulates the invented seabird-survey ketch Dabchick and her 110 W charger through several "
    "seasons until a replacement is near, logs her through the same path as a real charger, and "
    "shows the dashboard, the summary and where the reports are. Nothing is precomputed."
)
EXAMPLE = "ebbwatt demo --out my-demo"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    from analysis.arguments import whole_number

    parser.add_argument(
        "--out",
        type=Path,
        default=Path("ebbwatt-demo"),
        metavar="DIR",
        help="folder for database, configuration and reports (default: ./ebbwatt-demo)",
    )
    parser.add_argument(
        "--days",
        type=whole_number(1, 4000),
        default=None,
        metavar="N",
        help="length of the boat's log, days (default: until a replacement is near)",
    )

    parser.add_argument(
        "--until",
        type=_day,
        default=None,
        metavar="DATE",
        help="the day on which the log ends, year-month-day (default: today)",
    )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"got {text!r}; accepted: a date such as 2025-09-08"
        ) from None


def run(args: argparse.Namespace) -> int:
    """Live, log, analyse, show."""
    from analysis.demo import DAYS, last_end, live, make_folder
    from analysis.show.progress import bar

    folder: Path = args.out
    make_folder(folder)
    days = args.days or DAYS
    with bar("Dabchick lives and is logged") as progress:
        demo = live(folder, days, args.until or last_end(days, datetime.now(UTC)), progress)
    show(demo)
    names = ("ebbwatt.toml", "ebbwatt.db", "report.html", "assessment.json")
    print("\nLeft behind, to be looked at and tried with every other command:")
    for name in names:
        print(f"  {folder / name}")
    print(f"\nTry next:  ebbwatt report --config {folder / 'ebbwatt.toml'}")
    return 0


def show(demo: Demo) -> None:
    """Show the dashboard and the summary as they stood at the end of the log, and write both."""
    from analysis.assessment.case import Case
    from analysis.assessment.document import DOCUMENT, json_text
    from analysis.commands.watch import print_frame
    from analysis.history.history import load_history
    from analysis.show.dashboard.facts import Moment, collect
    from analysis.show.dashboard.marks import marks_for
    from analysis.show.dashboard.terminal import PipedConsole
    from analysis.show.dashboard.watch import fuel_facts, recent_history
    from analysis.show.matter import Matter, with_evidence
    from analysis.show.page.identity import identity_of
    from analysis.show.page.report.page import write_page
    from analysis.show.screen.summary import summary
    from logger import __version__
    from logger.system.output import kept, write_whole

    keep = kept(demo.config)
    path = demo.config.store.path
    case = Case(load_history(path), demo.config)
    assessment = case.assessment
    write_whole(demo.folder / "assessment.json", json_text(assessment) + "\n", DOCUMENT, keep)
    who = identity_of(demo.config)
    matter = Matter(assessment, case.history.events, demo.end_s, __version__, identity=who)
    matter = with_evidence(matter, case)
    write_page(demo.folder / "report.html", matter, keep)
    recent = recent_history(path, demo.end_s)
    fuel = None if matter.fuel is None else fuel_facts(matter.fuel)
    moment = Moment(demo.end_s, 0.0, "", UTC)
    print("The dashboard, as it stood at the end of the log:\n")
    console = PipedConsole(highlight=False)
    facts = collect(moment, demo.config, demo.snapshot, recent, assessment, fuel=fuel)
    print_frame(console, facts, marks_for(console.encoding, os.environ.get("TERM")))
    print("\nThe report in short:\n")
    for line in summary(matter, console.width):
        print(line.text)
