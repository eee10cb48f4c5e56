"""``ebbwatt event``: fuel changes, service, renewals, ticked checks and notes, kept for ever."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.figures import local_iso
from analysis.text import say
from analysis.units import owner, read_as

if TYPE_CHECKING:
    from logger.config import Config
    from logger.event import Event

HELP = "record and list what was done: fuel, service, renewal, replacement, checks, notes"
DESCRIPTION = (
    "Records what was done to the charger, or lists it. Fuel changes tell how much fuel a\n"
    "kilowatt-hour takes and how long the fuel lasts. Give times with their offset (Z is UTC).\n"
    "'add reading' keeps what a clamp meter and a voltmeter showed in a run. The log of those\n"
    "minutes then shows how far the current sensor is off, and every output is corrected by it.\n"
    "'tick' keeps who checked an item of the fitter's check list, or who did a job of [service];\n"
    "the hours and months of the job then begin anew.\n"
    "A wrong event is struck: it no longer counts, but stays in the database."
)
EXAMPLE = "ebbwatt event add fuel --litres 10 --at 2024-06-02T08:30Z"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what can be done with events."""
    from analysis.arguments import whole_number, with_example

    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    add = actions.add_parser("add", help="record an event", **with_example(EXAMPLE))
    _declare_add(add)
    tick = actions.add_parser(
        "tick",
        help="tick items of the fitter's check list, and jobs of [service]",
        **with_example("ebbwatt event tick fuse air --by 'A. Fitter'"),
    )
    _declare_tick(tick)
    listing = actions.add_parser(
        "list", help="list the events", **with_example("ebbwatt event list --all")
    )
    listing.add_argument("--all", action="store_true", help="show struck ones as well")
    listing.add_argument("--json", action="store_true", help="print the list as JSON")
    strike = actions.add_parser(
        "strike",
        help="strike a wrong event; it stays but does not count",
        **with_example("ebbwatt event strike 12"),
    )
    strike.add_argument(
        "number", type=whole_number(1, 2**31), help="its number in 'ebbwatt event list'"
    )
    for action in (add, tick, listing, strike):
        # Suppressed where absent, so that one given before the action is not forgotten.
        action.add_argument(
            "--config", type=Path, metavar="FILE", default=argparse.SUPPRESS, help="configuration"
        )


def _declare_add(add: argparse.ArgumentParser) -> None:
    from analysis.arguments import number_between
    from logger.event import PERSON_KINDS

    add.add_argument("kind", choices=PERSON_KINDS, help="what was done")
    add.add_argument(
        "--litres",
        type=number_between(0.0, 1e6),
        metavar="L",
        help="fuel: what the new container holds, L",
    )
    add.add_argument(
        "--current",
        type=number_between(-1000.0, 1000.0),
        metavar="A",
        help="reading: what the clamp meter showed, A",
    )
    add.add_argument(
        "--voltage",
        type=number_between(0.0, 100.0),
        metavar="V",
        help="reading: what the voltmeter showed, V",
    )
    add.add_argument("--by", default="", metavar="NAME", help="reading: who read it")
    add.add_argument(
        "--at", metavar="TIME", help="when (ISO 8601, such as 2024-06-02T08:30Z; default: now)"
    )
    add.add_argument("--text", default="", help="what to remember, one line")
    add.add_argument(
        "--insert", action="store_true", help="fuel: accept a change older than one recorded"
    )


def _declare_tick(tick: argparse.ArgumentParser) -> None:
    from analysis.installation.checklist import KEYS

    tick.add_argument(
        "items", nargs="+", metavar="ITEM", help=f"{', '.join(KEYS)}, or a job of [service]"
    )
    tick.add_argument("--by", required=True, metavar="NAME", help="who looked at it, or did it")
    tick.add_argument("--at", metavar="TIME", help="when (ISO 8601; default: now)")
    tick.add_argument("--text", default="", help="a remark, one line")


def run(args: argparse.Namespace) -> int:
    """Add, tick, list or strike."""
    from logger.config import find_config, load_config

    config = load_config(find_config(args.config))
    read_as(config.boat)
    if args.action == "add":
        return _add(args, config)
    if args.action == "tick":
        return _tick(args, config)
    if args.action == "strike":
        return _strike(args, config)
    return _list(args, config)


def _add(args: argparse.Namespace, config: Config) -> int:
    import time

    from logger.store.events import add_event

    now_s = time.time()
    event = add_event(
        config.store.path,
        args.kind,
        time_s=now_s if args.at is None else time_of(args.at),
        now_s=now_s,
        amount=args.litres,
        text=_text(args),
        container_l=None if config.fuel is None else config.fuel.container_l,
        fitted=_first_fitted(config),
        insert=args.insert,
    )
    say(f"recorded as event {event.id}: {_line(event)}")
    if event.kind == "fuel" and config.fuel is None:
        print("note: without a [fuel] section in the configuration, 'ebbwatt fuel' is silent")
    elif event.kind == "fuel":
        _say_if_log_ends_before(event, config)
    if event.kind == "reading":
        print(_beside_log(event, config))
    return 0


def _say_if_log_ends_before(event: Event, config: Config) -> None:
    """Say so where the log ends too early for a fuel change to count yet."""
    from analysis.figures import age
    from analysis.fuel.changes import LATE_S
    from logger.errors import StoreEmptyError
    from logger.store.reader import Reader

    try:
        with Reader(config.store.path) as reader:
            end_s = reader.newest_s(reader.fitting().id)
    except StoreEmptyError:
        end_s = None
    if end_s is not None and event.time_s > end_s + LATE_S:
        print(
            f"note: the log ends {age(event.time_s - end_s)} before this change; 'ebbwatt fuel' "
            "counts it once the log has reached it: does 'ebbwatt log' run?"
        )


def _beside_log(event: Event, config: Config) -> str:
    """Return what a clamp reading tells beside the log of its minutes."""
    from analysis.history.history import load_fitting
    from analysis.inputs.clamp import beside_log, beside_words, read_events

    (reading,) = read_events([event])
    return beside_words(beside_log(reading, load_fitting(config)[0]))


def _text(args: argparse.Namespace) -> str:
    """Return the text of a new event; a clamp meter's figures stand in it."""
    from analysis.inputs.clamp import clamp_text
    from logger.errors import UsageError

    given = args.current is not None or args.voltage is not None or bool(args.by)
    if args.kind != "reading":
        if given:
            raise UsageError("--current, --voltage and --by belong to: ebbwatt event add reading")
        return str(args.text)
    if args.current is None:
        raise UsageError("a reading needs --current: what the clamp meter showed, A")
    if not 0.1 <= abs(args.current) <= 2000.0:
        raise UsageError(f"--current {args.current:g}: accepted: 0.1 to 2000 A, read in a run")
    if args.voltage is not None and not 5.0 <= args.voltage <= 100.0:
        raise UsageError(f"--voltage {args.voltage:g}: accepted: 5 to 100 V")
    return clamp_text(args.current, args.voltage, args.by, args.text)


def _first_fitted(config: Config) -> str | None:
    """Return the day on which the first charger of the log was fitted, if all days are known."""
    from logger.store.files import is_there
    from logger.store.reader import Reader

    fitted = config.charger.fitted
    days = [None if fitted is None else fitted.isoformat()]
    if is_there(config.store.path):
        with Reader(config.store.path) as reader:
            days += [fitting.fitted for fitting in reader.fittings()]
    known = [day for day in days if day is not None]
    return min(known) if len(known) == len(days) else None


def _tick(args: argparse.Namespace, config: Config) -> int:
    import time

    from logger.store.events import add_event

    now_s = time.time()
    time_s = now_s if args.at is None else time_of(args.at)
    fitted = None if config.charger.fitted is None else config.charger.fitted.isoformat()
    ticks = [_ticked(item, args, config) for item in dict.fromkeys(args.items)]
    for kind, text in ticks:
        event = add_event(
            config.store.path, kind, time_s=time_s, now_s=now_s, text=text, fitted=fitted
        )
        say(f"recorded as event {event.id}: {_line(event)}")
    return 0


def _ticked(item: str, args: argparse.Namespace, config: Config) -> tuple[str, str]:
    """Return kind and text of the event that ticks an item or a job."""
    from analysis.assessment import service
    from analysis.installation import checklist
    from logger.errors import UsageError

    jobs = [job.name for job in config.services]
    if item in jobs:
        return service.KIND, service.done_text(item, jobs, args.by, args.text)
    if item not in checklist.KEYS:
        accepted = ", ".join((*checklist.KEYS, *jobs))
        raise UsageError(
            f"{item!r} is no item of the check list and no job of [service]; accepted: {accepted}"
        )
    return checklist.KIND, checklist.tick_text(item, args.by, args.text)


def _strike(args: argparse.Namespace, config: Config) -> int:
    import time

    from logger.store.events import strike_event

    event = strike_event(config.store.path, args.number, now_s=time.time())
    say(f"struck event {event.id}: {_line(event)}")
    return 0


def _list(args: argparse.Namespace, config: Config) -> int:
    from analysis.figures import iso
    from logger.store.events import list_events

    events = list_events(config.store.path, struck=args.all)
    if args.json:
        rows = [
            {
                "id": event.id,
                "time": iso(event.time_s),
                "kind": event.kind,
                "amount": event.amount,
                "text": event.text,
                "struck": event.struck,
            }
            for event in events
        ]
        print(json.dumps(rows, indent=1))
        return 0
    if not events:
        print("no events recorded; 'ebbwatt event add --help' shows how")
    for event in events:
        mark = "  (struck)" if event.struck else ""
        say(f"{event.id:>5}  {_line(event)}{mark}")
    return 0


def _line(event: Event) -> str:
    from logger.event import clean_text

    amount = ""
    if event.amount is not None:
        is_fuel = event.kind == "fuel"
        amount = f"  {owner().units.litres(event.amount) if is_fuel else f'{event.amount:g}'}"
    return f"{local_iso(event.time_s)}  {event.kind}{amount}  {clean_text(event.text)}".rstrip()


def time_of(text: str) -> float:
    """Return a time given on the command line as Unix seconds, or raise UsageError."""
    from logger.errors import UsageError
    from logger.recordings.times import parse_time

    try:
        return parse_time(text)
    except ValueError as error:
        raise UsageError(f"--at: {error}") from None
