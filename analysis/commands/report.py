"""``ebbwatt report``: what the technician hands over."""

from __future__ import annotations

import os
import shutil
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.arguments import add_fitting
from analysis.show.cautions import SHORT
from analysis.show.progress import stages
from analysis.text import say
from analysis.units import read_as
from logger import __version__
from logger.config import find_config, load_config
from logger.errors import UsageError
from logger.system.output import check_output, kept, write_whole

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from analysis.assessment.case import Case
    from analysis.show.matter import Matter
    from logger.config import Config

HELP = "say with evidence how the charger is doing, for a person or a program"
DESCRIPTION = (
    "Assesses the charger from its log: available output, decline, remaining life, verdict and\n"
    "reasons. Without --html or --json a summary of one screen goes to the terminal.\n"
    "\n" + SHORT.replace(": methanol", ":\nmethanol", 1)
)
EXAMPLE = "ebbwatt report --html report.html --json assessment.json --compare last-year.json"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument(
        "--html",
        metavar="FILE",
        help="write the report as one self-contained page; - is standard output",
    )
    parser.add_argument(
        "--full",
        action="store_true",
        help="with --html: the appendix is open, and printed",
    )
    parser.add_argument(
        "--json", metavar="FILE", help="write the assessment document; - is standard output"
    )
    parser.add_argument(
        "--commissioning",
        type=Path,
        metavar="FILE",
        help="write the one-page commissioning record: fit check and the fitter's check list",
    )
    parser.add_argument(
        "--compare",
        type=Path,
        metavar="OTHER.json",
        help="say what changed since the assessment document of an earlier visit",
    )
    parser.add_argument(
        "--dossier",
        type=Path,
        metavar="DIR",
        help="write a folder with the full report, the document, intervals, events, configuration, "
        "checks of the sensor and the SHA-256 of each; as of the end of the log, so that the same "
        "log gives the same bytes",
    )
    parser.add_argument(
        "--technician", default="", metavar="NAME", help="who made the report, for its first page"
    )
    parser.add_argument(
        "--instruments", default="", metavar="TEXT",
        help="meters used, with their numbers, for the first page",
    )  # fmt: skip
    add_fitting(parser)


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    config = load_config(find_config(args.config))
    read_as(config.boat)
    if args.full and args.html is None:
        raise UsageError("--full goes with --html FILE: it opens the appendix of the page")
    document = _earlier(args)
    keep = kept(config, args.compare)
    _check_outputs(args, keep)
    if args.commissioning is not None:
        return _write_record(args, config, keep)
    with stages("reading the log") as stage:
        from analysis.history.memory import keep_freed_memory
        from analysis.history.shown import load_shown

        history, config = load_shown(config, args.fitting)
        keep_freed_memory()
        stage("estimating")
        from analysis.assessment.case import Case

        case = Case(history, config)
        assessment = case.assessment
        if args.json is not None:
            from analysis.assessment.document import json_text

            _write_json(args.json, json_text(assessment), keep)
        if args.json is not None and {args.html, args.compare, args.dossier} == {None}:
            return 0
        stage("writing the report")
        from analysis.show.freshness import with_forecast_suspended
        from analysis.show.matter import Matter
        from analysis.show.page.identity import identity_of

        comparison = None
        if document is not None:
            from analysis.show.comparison import compare

            comparison = compare(document, assessment)
        now_s = time.time()
        seen = with_forecast_suspended(assessment, now_s)
        who = identity_of(config, args.technician, args.instruments)
        matter = Matter(seen, history.events, now_s, __version__, comparison, identity=who)
        _write_pages(args, matter, case, keep)
    if "-" not in (args.json, args.html):
        _print_summary(matter)
        if args.html is None and args.json is None:
            from analysis.show.wrapping import filled

            words = "With plots: ebbwatt report --html FILE; as data: --json FILE"
            print("\n".join(filled(words, shutil.get_terminal_size((80, 24)).columns)))
    for written in (args.html, args.dossier):
        if written not in (None, "-"):
            say(f"wrote {written}", file=sys.stderr)
    return 0


def _write_pages(
    args: argparse.Namespace, matter: Matter, case: Case, keep: Mapping[Path, str]
) -> None:
    """Write the page and the dossier, as far as they are asked for."""
    from analysis.show.matter import with_evidence

    if {args.html, args.dossier} == {None}:
        return
    whole = with_evidence(matter, case)
    if args.html is not None:
        from analysis.show.page.report.page import page, write_page

        whole = replace(whole, full=args.full)
        if args.html == "-":
            print(page(whole), end="")
        else:
            write_page(Path(args.html), whole, keep)
    if args.dossier is not None:
        from analysis.show.dossier import write_dossier

        # The forecast as of the end of the log: a dossier says nothing of the present.
        ended = replace(whole, assessment=case.assessment, comparison=None)
        write_dossier(args.dossier, ended, case)


def _earlier(args: argparse.Namespace) -> dict[str, Any] | None:
    """Read the document of an earlier visit, if one is named."""
    if args.compare is None:
        return None
    if args.json == "-" and args.html is None:
        raise UsageError("--compare is printed, and so is '--json -': give --json a file")
    from analysis.show.comparison import read_document

    return read_document(args.compare)


def _check_outputs(args: argparse.Namespace, keep: Mapping[Path, str]) -> None:
    """Before any work is done, refuse outputs that must not be written."""
    from analysis.assessment.document import DOCUMENT

    if args.html == args.json == "-":
        raise UsageError("--html and --json both go to standard output; give one of them a file")
    if args.dossier is not None:
        from analysis.show.dossier import check_folder

        check_folder(args.dossier)
    # The pages' modules load much that a document does without.
    named = []
    if args.html not in (None, "-"):
        from analysis.show.page.report.page import PAGE

        named.append((Path(args.html), PAGE))
    if args.json not in (None, "-"):
        named.append((Path(args.json), DOCUMENT))
    if args.commissioning is not None:
        from analysis.show.page.commissioning import RECORD

        named.append((args.commissioning, RECORD))
    for path, kind in named:
        check_output(path, kind, keep)
    if len({check_output(path, kind, keep) for path, kind in named}) < len(named):
        raise UsageError("--html and --json name one file; give each its own")


def _write_record(args: argparse.Namespace, config: Config, keep: Mapping[Path, str]) -> int:
    """Write the commissioning record, a page of its own, and nothing else."""
    from analysis.assessment.case import Case
    from analysis.history.history import load_fitting
    from analysis.installation.check import check_fitting, replaced_on
    from analysis.show.page.commissioning import RECORD, record
    from analysis.show.page.identity import identity_of

    if {args.html, args.json, args.compare, args.dossier} != {None}:
        raise UsageError("--commissioning writes a page of its own; run the report by itself")
    case = Case(*load_fitting(config, args.fitting))
    found = check_fitting(case, replaced=replaced_on(case.history, config))
    who = identity_of(case.config, args.technician, args.instruments)
    made = record(found, time.time(), __version__, who)
    write_whole(args.commissioning, made, RECORD, keep)
    say(f"wrote {args.commissioning}", file=sys.stderr)
    return 0


def _write_json(target: str, text: str, keep: Mapping[Path, str]) -> None:
    if target == "-":
        print(text)
        return
    from analysis.assessment.document import DOCUMENT

    write_whole(Path(target), text + "\n", DOCUMENT, keep)
    say(f"wrote {target}", file=sys.stderr)


def _print_summary(matter: Matter) -> None:
    from analysis.show.screen.summary import summary

    width = shutil.get_terminal_size((80, 24)).columns
    bold = (
        sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    )
    for line in summary(matter, width, sys.stdout.encoding or "ascii"):
        print(f"\x1b[1m{line.text}\x1b[0m" if bold and line.strong else line.text)
