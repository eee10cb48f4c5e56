"""``ebbwatt exchange``: another charger is fitted; nothing of the old one is lost."""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.text import say
from analysis.units import read_as

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from analysis.exchange.record import Exchange
    from logger.config import Config

HELP = "record that another charger was fitted, and move the configuration to it"
DESCRIPTION = (
    "Records that another charger was fitted: serial number, hour counter and rated output of\n"
    "both units. It writes the new unit's rated output, serial number and day of fitting into\n"
    "the configuration (comments stay, the old file is kept beside it), and makes the exchange\n"
    "sheet. The old unit's log stays as it is: 'ebbwatt report --fitting N' still assesses it.\n"
    "On a terminal it asks for what no option gives. Open the battery's fuse before you touch a\n"
    "joint; the maker's instructions, local codes and a licensed person decide."
)
EXAMPLE = (
    "ebbwatt exchange --new-serial B-1042 --new-rated 110 --by 'A. Fitter' --sheet exchange.html"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's own arguments."""
    parser.add_argument(
        "--old-serial",
        metavar="S",
        help="serial number of the old unit (default: that of the configuration)",
    )
    parser.add_argument(
        "--old-counter",
        type=float,
        metavar="H",
        help="hour counter of the old unit (default: the log's)",
    )
    parser.add_argument("--new-serial", metavar="S", help="serial number of the new unit")
    parser.add_argument(
        "--new-rated", type=float, metavar="W", help="rated output of the new unit, W"
    )
    parser.add_argument(
        "--new-counter", type=float, metavar="H", help="hour counter of the new unit (default: 0)"
    )
    parser.add_argument("--by", metavar="NAME", help="who exchanged it")
    parser.add_argument("--at", metavar="TIME", help="when (ISO 8601; default: now)")
    parser.add_argument(
        "--sheet", type=Path, metavar="FILE", help="write the exchange sheet, a page that prints"
    )
    parser.add_argument(
        "--sheet-only",
        type=Path,
        metavar="FILE",
        help="record nothing: write the sheet of the last exchange, with what was logged since",
    )


def run(args: argparse.Namespace) -> int:
    """Record, move the configuration, and write the sheet."""
    from analysis.show.page.exchange_sheet import SHEET
    from logger.config import find_config, load_config
    from logger.errors import UsageError
    from logger.system.output import check_output, kept

    config = load_config(find_config(args.config))
    read_as(config.boat)
    if args.sheet_only is not None:
        given = ("old_serial", "old_counter", "new_serial", "new_rated", "new_counter", "sheet")
        if any(getattr(args, name) is not None for name in given):
            raise UsageError("--sheet-only records nothing: leave the other options out")
        return _write_sheet(config, args.sheet_only)
    if args.sheet is not None:
        check_output(args.sheet, SHEET, kept(config))
    _record(args, config)
    if args.sheet is not None:
        _write_sheet(load_config(config.path), args.sheet)
    print("Next: restart the logger, so that the new unit has a log of its own:")
    print("  sudo systemctl restart ebbwatt")
    print("Then look at type, design_life_h and [unit] in the configuration.")
    return 0


def _record(args: argparse.Namespace, config: Config) -> None:
    """Add the event and move the configuration: both or neither."""
    from analysis.commands.event import time_of
    from analysis.exchange.configuration import moved, replace_kept
    from analysis.exchange.record import recorded
    from logger.errors import EbbwattError, UsageError
    from logger.event import EXCHANGE
    from logger.store.events import add_event, list_events, strike_event
    from logger.store.file_format.carried import carry
    from logger.store.records import keep_configuration

    now_s = time.time()
    time_s = now_s if args.at is None else time_of(args.at)
    day = datetime.fromtimestamp(time_s, config.boat.zone).date()
    if config.charger.fitted is not None and day <= config.charger.fitted:
        raise UsageError(
            f"the fitted unit is there since {config.charger.fitted}; an exchange is later than "
            "that: name its day with --at"
        )
    exchange = _asked(args, config, time_s)
    # Everything that can be wrong is found before anything is written.
    text = moved(config.path, exchange.new.rated_w, exchange.new.serial, day)
    _nothing_logged_since(config, time_s)
    # What is known of the old unit stays with its log: the file goes on to the new one.
    keep_configuration(config.store.path, config.charger, carry(config.document.data))
    there = [e for _, e in recorded(list_events(config.store.path)) if e.new == exchange.new]
    event = None
    if not there:  # else an earlier try was cut off after the event
        event = add_event(
            config.store.path, EXCHANGE, time_s=time_s, now_s=now_s, text=exchange.text()
        )
    try:
        kept = replace_kept(config.path, text)
    except EbbwattError:
        if event is not None:
            strike_event(config.store.path, event.id, now_s=now_s)
        raise
    say(f"recorded{'' if event is None else f' as event {event.id}'}: {exchange.text()}")
    say(f"{config.path}: rated_w, serial and fitted are those of the new unit")
    say(f"the old configuration is kept as {kept}")


def _nothing_logged_since(config: Config, time_s: float) -> None:
    """Say how much of the old unit's log came after the exchange: it counts for the new unit."""
    from logger.errors import StoreError
    from logger.store.lock import StoreLock
    from logger.store.reader import Reader

    lock = StoreLock(config.store.path)
    try:
        lock.hold()
        lock.release()
    except StoreError:
        print("note: the logger runs; until it is restarted it logs into the old unit's log")
    with Reader(config.store.path) as reader:
        newest_s = reader.newest_s(reader.fitting().id)
    if newest_s is not None and newest_s > time_s + 60.0:
        print(
            f"note: {(newest_s - time_s) / 3600.0:.1f} h were logged after the exchange; they "
            "count for the new unit once the logger has begun its log"
        )


def _asked(args: argparse.Namespace, config: Config, time_s: float) -> Exchange:
    """Return the exchange by options, and by asking for what they leave out."""
    from analysis.exchange.record import Exchange, Unit, checked
    from analysis.exchange.units import counter_of
    from logger.errors import UsageError

    counter_h = counter_of(config, time_s)
    questions: list[tuple[str, str, Callable[[str], object], object]] = [
        ("old_serial", "serial number of the old unit", str, config.charger.serial),
        ("old_counter", "its hour counter, h", float, counter_h),
        ("new_serial", "serial number of the new unit", str, None),
        ("new_rated", "its rated output, W", float, None),
        ("new_counter", "its hour counter, h", float, 0.0),
        ("by", "who exchanged it", str, None),
    ]
    needed = [name for name, _, _, default in questions[2:] if default is None]
    missing = [name for name in needed if getattr(args, name) is None]
    asking = bool(missing) and sys.stdin.isatty()
    if missing and not asking:
        names = ", ".join(f"--{name.replace('_', '-')}" for name in missing)
        raise UsageError(f"an exchange needs {names}; on a terminal it is asked for")
    answers: dict[str, object] = {}
    for name, words, kind, default in questions:
        value = getattr(args, name)
        if value is None:
            value = _ask(words, kind, default) if asking else default
        answers[name] = value
    old_h, new_h = answers["old_counter"], answers["new_counter"]
    return checked(
        Exchange(
            Unit(str(answers["old_serial"] or ""), config.charger.rated_w, _number(old_h)),
            Unit(str(answers["new_serial"]), float(str(answers["new_rated"])), _number(new_h)),
            str(answers["by"]),
        )
    )


def _number(value: object) -> float | None:
    return None if value is None else float(str(value))


def _ask(words: str, kind: Callable[[str], object], default: object) -> object:
    """Ask on the terminal; an empty answer takes what is known."""
    from logger.errors import UsageError

    known = f"{default:.1f}" if isinstance(default, float) else str(default or "")
    for _ in range(3):
        print(f"{words}{f' [{known}]' if known else ''}: ", end="", flush=True)
        line = sys.stdin.readline()
        if not line:
            break
        answer = line.strip()
        if not answer and (default is not None):
            return default
        try:
            if answer:
                return kind(answer)
        except ValueError:
            print("a number is needed")
    raise UsageError(f"no answer to: {words}; nothing was recorded")


def _write_sheet(config: Config, path: Path) -> int:
    from analysis.exchange.units import last_exchange
    from analysis.show.page.exchange_sheet import SHEET, sheet
    from analysis.show.page.identity import identity_of
    from logger import __version__
    from logger.system.output import kept, write_whole

    found = last_exchange(config)
    # The configuration may name another unit by now.
    who = replace(identity_of(config, found.exchange.who), serial=found.exchange.new.serial)
    made = sheet(found, who, time.time(), __version__)
    write_whole(path, made, SHEET, kept(config))
    say(f"wrote {path}", file=sys.stderr)
    return 0
