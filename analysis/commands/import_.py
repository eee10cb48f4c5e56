"""``ebbwatt import``: take recordings, or the log of another board, into the database."""

from __future__ import annotations

import json
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.arguments import whole_number
from analysis.show.progress import stages
from analysis.text import harmless, say
from analysis.units import read_as
from logger.config import find_config, load_config
from logger.errors import UsageError

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator

    from analysis.transfer.import_readings import FileResult
    from analysis.transfer.merge import MergeResult
    from analysis.transfer.undo import Import
    from logger.config import Config

HELP = "take recordings, or another board's log, into the database"
DESCRIPTION = (
    "Takes recordings and other logs into the database. What the log holds already is left\n"
    "alone: the same file twice changes nothing, overlapping files do not count twice.\n"
    "'--undo NUMBER' takes back one import as a whole.\n"
    "\n"
    "Recordings are CSV with a header or JSON Lines, also as .gz: time (ISO 8601 with offset,\n"
    "or Unix seconds) and any of voltage_v, current_a, runtime_h, temperature_c,\n"
    "battery_current_a, fuel_l, state. Rows are in order of time, between 2000 and tomorrow.\n"
    "A bad row is refused with its line and reason, the rest goes in; what is wrong with many\n"
    "rows is said first. Where the state is a word of the device's own, the reading goes in\n"
    "without a state. If gap_s was too small, so that each reading stood alone, mend it and\n"
    "import the file again: then they are joined. Status 1: nothing usable came in.\n"
    "\n"
    "What other programs logged comes in as well: the JSON of a Prometheus range query,\n"
    "InfluxDB line protocol, Parquet; [import.fields] says which series is which. Intervals\n"
    "that 'ebbwatt export' wrote come back exactly. A recording goes to the fitting that the\n"
    "configuration names; an Ebbwatt database is merged and keeps its own fittings."
)
EXAMPLE = "ebbwatt import spring.csv summer.csv.gz"

#: Refused rows that are listed: what fits one screen (our choice).
_SHOWN = 20
_SQLITE = b"SQLite format 3\0"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE", help="recording or database")
    parser.add_argument(
        "--every-row", action="store_true", help=f"list every refused row, not the first {_SHOWN}"
    )
    parser.add_argument(
        "--undo",
        nargs="?",
        const=0,
        type=whole_number(1, 2**31),
        metavar="NUMBER",
        help="take back one import as a whole; without a number, list the imports",
    )
    parser.add_argument("--json", action="store_true", help="print the outcome as JSON")


def run(args: argparse.Namespace) -> int:
    """Import each file in turn."""
    from logger.store.files import prepare
    from logger.store.repair.leftovers import note_leftovers

    config = load_config(find_config(args.config))
    read_as(config.boat)
    if args.undo is not None:
        return _undo(args, config)
    if not args.files:
        raise UsageError("name a file to import. See 'ebbwatt import --help'.")
    for path in args.files:
        if path.is_dir():
            raise UsageError(f"{path}: is a folder; name the files in it, such as {path / '*.csv'}")
        if not path.is_file():
            raise UsageError(f"{path}: there is no such file")
    note_leftovers(config.store.path)
    prepare(config.store.path)
    shown = None if args.every_row else _SHOWN
    outcomes, usable = [], False
    for outcome in _outcomes(config, args.files):
        if args.json:
            outcomes.append(outcome)
        else:
            print("\n".join(_lines(outcome, shown)), flush=True)
        usable |= outcome["usable"]
    if args.json:
        print(json.dumps({"schema": "ebbwatt/import/1", "files": outcomes}, indent=1))
    return 0 if usable else 1


def _undo(args: argparse.Namespace, config: Config) -> int:
    """List the imports, or take one back."""
    import time

    from analysis.transfer.undo import imports, undo

    if args.files:
        raise UsageError("--undo takes the number of an import, not a file")
    if args.undo:
        one = undo(config.store.path, args.undo, time.time())
        say(f"taken back: import {_import_line(one)}")
        say("other files of the same time were left out while it was there: import them again")
        return 0
    found = imports(config.store.path)
    for one in found:
        say(_import_line(one))
    say(
        "take one back with 'ebbwatt import --undo NUMBER'"
        if found
        else "nothing was imported into this log"
    )
    return 0


def _import_line(one: Import) -> str:
    from analysis.figures import clock
    from analysis.text import counted

    name, label = harmless(one.name, 200), harmless(one.label)
    line = f"{one.number:>4}  {name}  for {label}  {counted(one.intervals, 'interval')}"
    if one.first_s is None or one.last_s is None:
        return line
    return f"{line}  {clock(one.first_s)} to {clock(one.last_s)}"


def _outcomes(config: Config, paths: list[Path]) -> Iterator[dict[str, Any]]:
    """Import the files and yield what became of each."""
    from analysis.transfer.import_intervals import is_exported, take_exported
    from analysis.transfer.import_readings import Importer
    from analysis.transfer.merge import merge

    importer: Importer | None = None
    try:
        for path in paths:
            whole = _is_database(path) or is_exported(path, config.limits)
            if whole and importer is not None:
                importer.finish()
                importer = None
            if _is_database(path):
                yield _merged(path, merge(config.store.path, path))
                continue
            if whole:
                yield _imported(take_exported(config, path), config)
                continue
            if importer is None:
                importer = Importer(config)
            with _counting(path) as advance:
                result = importer.take(path, advance)
            if path == paths[-1]:
                result.intervals += importer.finish()
            yield _imported(result, config)
    finally:
        if importer is not None:
            importer.finish()


def _is_database(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE


@contextmanager
def _counting(path: Path) -> Iterator[Callable[[int], None]]:
    """Show on a terminal how many readings have been taken; elsewhere stay silent."""
    name, taken = harmless(path.name, 40), 0

    with stages(name) as say:

        def advance(count: int) -> None:
            nonlocal taken
            taken += count
            say(f"{name}: {taken:,} readings")

        yield advance


def _imported(result: FileResult, config: Config) -> dict[str, Any]:
    from analysis.transfer.import_verdict import trouble, word_lines

    return {
        "file": str(result.path),
        "usable": result.usable,
        "trouble": [*trouble(result, config.plausible), *word_lines(result.words)],
        "readings": result.readings,
        "known": result.known,
        "alone": result.alone,
        "spacing_s": result.usual_s,
        "intervals": result.intervals,
        "refused": [{"line": bad.line, "reason": bad.reason} for bad in result.bad.kept],
        "refused_rows": result.bad.total,
        "implausible": result.implausible,
        "ignored_columns": result.unknown,
        "state_words": result.words,
    }


def _merged(path: Path, result: MergeResult) -> dict[str, Any]:
    return {
        "file": str(path),
        "usable": result.intervals > 0 or result.known > 0,
        "trouble": [],
        "intervals": result.intervals,
        "known_intervals": result.known,
        "sessions": result.sessions,
        "fittings": result.fittings,
        "events": result.events,
    }


def _lines(outcome: dict[str, Any], shown: int | None) -> Iterator[str]:
    """Yield the outcome of one file for a person."""
    from logger.refusals import printable

    name = printable(outcome["file"], 200)
    if not outcome["usable"]:
        yield f"{name}: NOTHING USABLE CAME IN"
    for line in outcome["trouble"]:
        yield f"{name}: {line}"
    if "known_intervals" in outcome:
        yield (
            f"{name}: {outcome['intervals']:,} intervals merged, "
            f"{outcome['known_intervals']:,} already there; "
            f"{outcome['events']:,} events, {outcome['fittings']:,} fittings were new"
        )
        return
    yield (
        f"{name}: {_counted(outcome['readings'], 'reading')} added as "
        f"{_counted(outcome['intervals'], 'interval')}, "
        f"{outcome['known']:,} already there"
    )
    if outcome["ignored_columns"]:
        columns = ", ".join(printable(column, 40) for column in outcome["ignored_columns"][:10])
        yield f"  columns ignored: {columns}"
    for reason, count in outcome["implausible"].items():
        yield f"  values refused: {reason}: {count:,}"
    refused, count = outcome["refused"], outcome["refused_rows"]
    for bad in refused[:shown]:
        # Series have no lines of their own.
        line = f", line {bad['line']}" if bad["line"] else ""
        yield f"  {name}{line}: row refused: {printable(bad['reason'], 160)}"
    if shown is not None and len(refused) > shown:
        yield f"  and {count - shown:,} more rows refused (--every-row lists them)"
    elif count > len(refused):
        yield f"  and {count - len(refused):,} more rows refused (kept_refusals in [limits])"


def _counted(number: int, one: str) -> str:
    """Return a number with its thousands set apart, and its noun: files hold millions of rows."""
    return f"{number:,} {one if number == 1 else one + 's'}"
