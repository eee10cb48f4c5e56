"""``ebbwatt fleet``: the boats of one fitter, taken in, assessed and ranked."""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.text import say
from logger import __version__
from logger.errors import EbbwattError, UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator

    from analysis.fleet.folder import Fleet
    from analysis.fleet.listing import FleetList

#: What workers load before their first boat, and what they need besides for reports.
_LIST, _REPORTS = "analysis.fleet.assess", "analysis.show.page.fleet_boat"

HELP = "look after many boats: take in their logs, say who needs a visit"
DESCRIPTION = (
    "For whoever looks after many boats. 'take' stores the databases and assessment documents\n"
    "that boats hand in, each under its own boat. It refuses a file that is damaged or not\n"
    "Ebbwatt's, and says why.\n"
    "'report' assesses what changed and ranks the boats by who needs a visit first."
)
EXAMPLE = "ebbwatt fleet take my-fleet stick/*.db"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what can be done with a fleet."""
    from analysis.arguments import with_example

    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    _declare_take(
        actions.add_parser(
            "take", help="store what boats hand in, each under its boat", **with_example(EXAMPLE)
        )
    )
    _declare_report(
        actions.add_parser(
            "report",
            help="assess what changed, and rank the boats",
            **with_example("ebbwatt fleet report my-fleet --csv fleet.csv"),
        )
    )
    _declare_demo(
        actions.add_parser(
            "demo",
            help="simulate an invented fleet of 24 boats, and show its report",
            **with_example("ebbwatt fleet demo --out my-fleet-demo"),
        )
    )


def _declare_take(take: argparse.ArgumentParser) -> None:
    take.add_argument("folder", type=Path, metavar="DIR", help="the fleet's folder; made if needed")
    take.add_argument(
        "files", type=Path, nargs="+", metavar="FILE", help="databases and assessment documents"
    )
    take.set_defaults(act=_take)
    _declare_most_mb(take)


def _declare_report(report: argparse.ArgumentParser) -> None:
    from analysis.arguments import whole_number

    report.add_argument(
        "folder",
        metavar="DIR",
        help="the fleet's folder; or the address of object storage with databases and documents, "
        "such as s3://boats/logs or file:///mnt/logs, which is only read (needs ebbwatt[fleet])",
    )
    report.add_argument(
        "--copies",
        type=Path,
        metavar="DIR",
        help="for object storage: a fleet's folder for the copies, so that only what changed is "
        "fetched and assessed again (default: all is fetched, and the copies are removed)",
    )
    report.add_argument(
        "--set-aside",
        action="store_true",
        help="with --copies: move boats that are no longer in the storage out of the list, into "
        "DIR/gone (default: they stay in the list, and are named)",
    )
    _declare_workers(report)
    report.add_argument(
        "--horizon-days",
        type=whole_number(1, 3650),
        default=90,
        metavar="N",
        help="days ahead for which the chance of meeting a limit is told (default: 90)",
    )
    report.add_argument("--json", type=Path, metavar="FILE", help="write the list as a document")
    report.add_argument("--csv", type=Path, metavar="FILE", help="write the list as a table")
    report.add_argument(
        "--html", type=Path, metavar="FILE", help="write the list as one self-contained page"
    )
    _declare_scheduler(report)
    report.set_defaults(act=_report)
    _declare_most_mb(report)


def _declare_scheduler(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="run on a scheduler of dask.distributed instead: tls://host:port, or "
        "tcp://127.0.0.1:port on this machine",
    )
    for part, what in (
        ("ca", "the authority's certificate"),
        ("cert", "this computer's certificate"),
        ("key", "this computer's private key"),
    ):
        parser.add_argument(
            f"--tls-{part}",
            type=Path,
            metavar="FILE",
            help=f"for tls://: {what} (PEM)",
        )


def _declare_demo(demo: argparse.ArgumentParser) -> None:
    demo.add_argument(
        "--out",
        type=Path,
        default=Path("ebbwatt-fleet-demo"),
        metavar="DIR",
        help="new folder for logs, fleet and page (default: ./ebbwatt-fleet-demo)",
    )
    _declare_workers(demo)
    demo.set_defaults(act=_demo)


def _declare_workers(parser: argparse.ArgumentParser) -> None:
    from analysis.arguments import whole_number

    parser.add_argument(
        "--workers",
        type=whole_number(0, 256),
        default=None,
        metavar="N",
        help="processes that assess boats; 0 for this one alone (default: one for each processor)",
    )


def _declare_most_mb(parser: argparse.ArgumentParser) -> None:
    from analysis.arguments import whole_number

    parser.add_argument(
        "--most-mb",
        type=whole_number(1, 1_000_000),
        default=2000,
        metavar="MB",
        help="refuse files larger than this (default: 2000)",
    )


def run(args: argparse.Namespace) -> int:
    """Do the work and return the exit status."""
    status: int = args.act(args)
    return status


def _take(args: argparse.Namespace) -> int:
    from analysis.fleet.folder import Fleet
    from analysis.fleet.intake import Outcome, take

    fleet = Fleet(args.folder, make=True)
    refused = 0
    for taken in take(fleet, args.files, args.config, args.most_mb * 1_000_000):
        said = "" if taken.outcome is Outcome.KNOWN else f"{taken.outcome}: "
        say(f"{taken.path}: {said}{taken.words}", flush=True)
        refused += taken.outcome is Outcome.REFUSED
    return 1 if refused else 0


def _workers(args: argparse.Namespace) -> int:
    """Return how many processes are to be used."""
    told: int | None = args.workers
    return len(os.sched_getaffinity(0)) if told is None else told


def _demo(args: argparse.Namespace) -> int:
    """Let an invented fleet live, hand its logs in, and show the report."""
    from analysis.fleet.demo import FLEET, INCOMING, PAGE, TABLE, live, make_folder, tasks
    from analysis.fleet.engine.runner import Failure, prepare, results
    from analysis.fleet.folder import Fleet
    from analysis.fleet.intake import take
    from analysis.show.progress import counted

    folder: Path = args.out
    make_folder(folder)
    if _workers(args):
        prepare("analysis.fleet.demo", _LIST, _REPORTS)
    todo = tasks(folder, datetime.now(UTC).date())
    with counted("boats live") as progress:
        progress(0, len(todo))
        for done, (_, found) in enumerate(results(live, todo, _workers(args)), 1):
            if isinstance(found, Failure):
                raise EbbwattError(f"a boat of the demonstration did not live: {found.reason}")
            progress(done, len(todo))
    incoming = sorted((folder / INCOMING).glob("*.db"))
    # A damaged file, as from a wet memory stick: the fleet goes on without it.
    damaged = folder / INCOMING / "wet-stick.db"
    whole = incoming[0].read_bytes()
    damaged.write_bytes(whole[: len(whole) // 2])
    fleet = Fleet(folder / FLEET, make=True)
    refused = [t for t in take(fleet, [*incoming, damaged]) if t.outcome == "refused"]
    args.folder, args.scheduler, args.horizon_days = str(folder / FLEET), None, 90
    args.copies, args.set_aside = None, False
    args.json, args.csv, args.html = None, folder / TABLE, folder / PAGE
    status = _report(args)
    print()
    for taken in refused:
        say(f"refused: {taken.path}: {taken.words}")
    print(f"\nLeft behind: {folder / PAGE} (a click opens a boat's own report), {folder / TABLE}")
    print(f"Try next:  ebbwatt fleet report {folder / FLEET} --horizon-days 365")
    return status


def _report(args: argparse.Namespace) -> int:
    from analysis.fleet.folder import Fleet
    from analysis.fleet.storage.objects import is_address

    if not is_address(args.folder):
        if args.copies is not None:
            raise UsageError("--copies is for boats in object storage; a folder needs no copies")
        if args.set_aside:
            raise UsageError("--set-aside is for boats in object storage, with --copies DIR")
        return _listed(args, Fleet(Path(args.folder)))
    if args.copies is not None:
        return _fetched(args, args.copies)
    if args.html is not None or args.scheduler is not None or args.set_aside:
        raise UsageError(
            f"{args.folder}: needs --copies DIR, because --html, --scheduler and --set-aside need "
            f"copies that stay"
        )
    from analysis.fleet.storage.passing import passing_folder

    with passing_folder() as copies:
        return _fetched(args, copies)


def _fetched(args: argparse.Namespace, copies: Path) -> int:
    """Take the boats of object storage into a fleet's folder, and report on that."""
    from analysis.fleet.folder import Fleet
    from analysis.fleet.intake import Outcome
    from analysis.fleet.storage.objects import Storage, gone_boats, set_aside, take_objects
    from analysis.show.progress import counted

    storage = Storage(args.folder)
    fleet, most_bytes = Fleet(copies, make=True), args.most_mb * 1_000_000
    with counted("objects") as progress:
        found = list(take_objects(storage, fleet, args.config, most_bytes, progress))
    for taken in (one for one in found if one.outcome is Outcome.REFUSED):
        say(f"{taken.path}: {taken.outcome}: {taken.words}", file=sys.stderr)
    if args.set_aside:
        for place in set_aside(fleet):
            say(f"no longer in the storage, moved to {place}", file=sys.stderr)
    for boat, name in gone_boats(fleet).items():
        say(
            f"{name}: no longer in the storage; its boat stays in the list, as {boat}. "
            f"--set-aside moves it out",
            file=sys.stderr,
        )
    return _listed(args, fleet)


def _listed(args: argparse.Namespace, fleet: Fleet) -> int:
    """Assess the boats of a fleet's folder, and show the list."""
    from analysis.fleet.document import DOCUMENT, TABLE, document, table
    from analysis.fleet.engine.runner import apart, failures, prepare
    from analysis.fleet.kept import changed
    from analysis.show.page.fleet_page import FLEET_PAGE, fleet_page
    from analysis.show.progress import counted
    from analysis.show.screen.fleet import lines
    from logger.system.output import check_output, write_whole

    for path, kind in ((args.json, DOCUMENT), (args.csv, TABLE), (args.html, FLEET_PAGE)):
        if path is not None:
            check_output(path, kind, {})
    runner, work = _runner(args), assess if args.html is None else assess_with_report
    with fleet.held(), counted("boats") as progress:
        todo = changed(fleet.boats(), reports=args.html is not None)
        workers = min(_workers(args), len(todo))
        by_pool = workers > 0 and args.scheduler is None
        if by_pool:
            prepare(_LIST, *(() if args.html is None else (_REPORTS,)))
        failed = failures(work, todo, workers, progress, runner)
        put_together = partial(
            make_list, str(fleet.path), failed, len(todo), time.time(), args.horizon_days
        )
        # Where workers have loaded all that it takes, this process need not.
        listed = apart(put_together) if by_pool else put_together()
    if args.json is not None:
        write_whole(args.json, json.dumps(document(listed), indent=1) + "\n", DOCUMENT, {})
    if args.csv is not None:
        write_whole(args.csv, table(listed), TABLE, {})
    if args.html is not None:
        name = fleet.path.resolve().name
        made = fleet_page(listed, name, __version__, args.html.parent)
        write_whole(args.html, made, FLEET_PAGE, {})
    width = shutil.get_terminal_size((80, 24)).columns
    print("\n".join(lines(listed, width, sys.stdout.encoding or "ascii")))
    return 0


def assess(name: str) -> None:
    """Assess a boat; what that takes is loaded where it is done, by a worker as a rule."""
    from analysis.fleet.boat import assess_boat

    assess_boat(name)


def assess_with_report(name: str) -> None:
    """Assess a boat and write her own report."""
    from analysis.show.page.fleet_boat import assess_with_report

    assess_with_report(name)


def make_list(
    path: str, failed: dict[str, str], assessed: int, now_s: float, horizon_days: int
) -> FleetList:
    """Put the list together from what is kept of each boat."""
    from analysis.fleet.assess import listed

    return listed(path, failed, assessed, now_s, horizon_days)


def _runner(args: argparse.Namespace) -> Callable[..., Iterator[tuple[str, object]]]:
    """Return what runs the work: the pool, or a scheduler."""
    from analysis.fleet.engine.runner import results

    if args.scheduler is None:
        return results
    from analysis.fleet.engine.remote import Scheduler, results_on

    where = Scheduler(args.scheduler, args.tls_ca, args.tls_cert, args.tls_key)
    return partial(results_on, where, tell=partial(say, file=sys.stderr))
