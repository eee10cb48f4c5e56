"""``ebbwatt watch``: what the owner looks at."""

from __future__ import annotations

import errno
import os
import signal
from typing import TYPE_CHECKING

from analysis import interrupts
from logger.config import find_config, load_config
from logger.system.signals import leaving_cleanly

if TYPE_CHECKING:
    import argparse

    from rich.console import Console

    from analysis.show.dashboard.facts import Facts

HELP = "show the charger, the battery and the verdict, live"
DESCRIPTION = (
    "Shows whether the charger is on and producing, what the battery does, output against what "
    "is available and rated, energy, fuel, the verdict with its confidence, and how old all that "
    "is. Renewed every second until Ctrl-C. Ebbwatt only reads; its figures are no safety device."
)
EXAMPLE = "ebbwatt watch --once"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument("--once", action="store_true", help="show one picture and end")
    parser.add_argument(
        "--ascii", action="store_true", help="use plain ASCII, for terminals without Unicode"
    )


def run(args: argparse.Namespace) -> int:
    """Show the dashboard."""
    from analysis.show.dashboard.terminal import PipedConsole
    from analysis.show.dashboard.watch import Watch, moment_now

    config = load_config(find_config(args.config))
    watch = Watch(config)
    console = PipedConsole(highlight=False, soft_wrap=False)
    if args.once or not console.is_terminal:
        moment = moment_now()
        watch.assess_once(moment)
        print_frame(console, watch.facts(moment), ascii_only=args.ascii)
        return 0
    return _live(console, watch, ascii_only=args.ascii)


def print_frame(console: Console, facts: Facts, *, ascii_only: bool = False) -> None:
    """Print one picture."""
    from analysis.show.dashboard.frame import frame
    from analysis.show.dashboard.marks import marks_for

    marks = marks_for(console.encoding, os.environ.get("TERM"), ascii_only=ascii_only)
    for line in frame(facts, console.width, marks):
        console.print(line, soft_wrap=True)


def _live(console: Console, watch: Watch, *, ascii_only: bool) -> int:
    """Renew the picture every second until the user or a signal ends it."""
    import time

    from analysis.show.dashboard.frame import frame
    from analysis.show.dashboard.marks import marks_for
    from analysis.show.dashboard.terminal import Screen
    from analysis.show.dashboard.watch import moment_now

    marks = marks_for(console.encoding, os.environ.get("TERM"), ascii_only=ascii_only)
    status = 0
    interrupts.raise_interrupt()
    try:
        with leaving_cleanly(), Screen(console) as screen:
            while True:
                facts = watch.facts(moment_now())
                screen.show(frame(facts, console.width, marks, console.height))
                time.sleep(1.0)
    except KeyboardInterrupt:
        pass
    except SystemExit as end:
        status = int(end.code or 0)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        # The terminal has gone, and the signal that tells of it is still to come.
        status = 128 + signal.SIGHUP
    if watch.assessing:
        # The interpreter must not be taken down under a thread that computes.
        os._exit(status)
    return status


if TYPE_CHECKING:
    from analysis.show.dashboard.watch import Watch
