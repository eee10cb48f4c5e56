"""``ebbwatt watch``: the owner's dashboard."""

from __future__ import annotations

import contextlib
import errno
import os
import select
import signal
import sys
from typing import TYPE_CHECKING

from analysis import interrupts
from analysis.units import owner, read_as
from logger.config import find_config, load_config
from logger.system.signals import leaving_cleanly

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

    from rich.console import Console

    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.marks import Marks
    from analysis.show.dashboard.watch import Watch

HELP = "show the charger, the battery and the verdict, live"
DESCRIPTION = (
    "Shows whether the charger is on and producing, the battery, the output beside the available "
    "and the rated one, energy, fuel, the verdict with its confidence, and the age of the data. It "
    "is renewed every second until q or Ctrl-C; ? explains, f, h and l open fuel, health and load. "
    "Into a pipe, one frame a minute. Ebbwatt only reads; its figures are no safety device."
)
EXAMPLE = "ebbwatt watch --once"
#: Keys that end the live screen; Ctrl-D is the end of input.
QUIT = ("q", "Q", "\x04")
#: Spacing of the frames into a pipe or a file, s: the log has a row a minute.
PLAIN_EVERY_S = 60.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument("--once", action="store_true", help="show one frame and end")
    plain = parser.add_mutually_exclusive_group()
    plain.add_argument(
        "--ascii", action="store_true", help="use plain ASCII, for terminals without Unicode"
    )
    plain.add_argument(
        "--blocks", action="store_true", help="use blocks, for fonts without braille patterns"
    )


def run(args: argparse.Namespace) -> int:
    """Show the dashboard; return 1 if one frame was asked for and the log cannot be read."""
    from analysis.show.dashboard.marks import marks_for
    from analysis.show.dashboard.terminal import PipedConsole
    from analysis.show.dashboard.watch import Watch

    config = load_config(find_config(args.config))
    read_as(config.boat)
    watch = Watch(config)
    console = PipedConsole(highlight=False, soft_wrap=False)
    marks = marks_for(
        console.encoding, os.environ.get("TERM"), ascii_only=args.ascii, blocks=args.blocks
    )
    if args.once:
        return _once(console, watch, marks)
    if not console.is_terminal or console.is_dumb_terminal:
        return _line_by_line(console, watch, marks)
    return _live(console, watch, marks)


def print_frame(console: Console, facts: Facts, marks: Marks, height: int | None = None) -> None:
    """Print one frame, of ``height`` lines at most."""
    from analysis.show.dashboard.frame import frame

    for line in frame(facts, console.width, marks, height):
        console.print(line, soft_wrap=True)
    console.file.flush()


def _once(console: Console, watch: Watch, marks: Marks) -> int:
    from analysis.show.dashboard.terminal import size_of
    from analysis.show.dashboard.watch import moment_now

    moment = moment_now(owner().zone)
    watch.assess_once(moment)
    facts = watch.facts(moment)
    # On a terminal its first line must not scroll away, with the prompt below it.
    height = size_of(console)[1] - 1 if console.is_terminal else None
    with _reader_may_go():
        print_frame(console, facts, marks, height)
    return 1 if facts.trouble else 0


@contextlib.contextmanager
def _reader_may_go() -> Iterator[None]:
    """Treat it as a normal end if the reader of the output closes it, as 'head' does."""
    try:
        yield
    except BrokenPipeError:
        # Drop the rest of the output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _line_by_line(console: Console, watch: Watch, marks: Marks) -> int:
    """Print a frame every minute, for pipes and for terminals that cannot move a cursor."""
    from analysis.show.dashboard.watch import moment_now

    interrupts.raise_interrupt()
    status = 0
    try:
        with leaving_cleanly(), _reader_may_go():
            watch.assess_once(moment_now(owner().zone))
            while True:
                print_frame(console, watch.facts(moment_now(owner().zone)), marks)
                console.print()
                console.file.flush()
                if _reader_gone(console, PLAIN_EVERY_S):
                    break
    except KeyboardInterrupt:
        pass
    except SystemExit as end:
        status = int(end.code or 0)
    return _ended(watch, status)


def _reader_gone(console: Console, seconds: float) -> bool:
    """Wait ``seconds``; return True at once if the reader of a pipe goes away."""
    poll = select.poll()
    poll.register(console.file.fileno(), 0)  # errors alone
    return bool(poll.poll(1000.0 * seconds))


def _live(console: Console, watch: Watch, marks: Marks) -> int:
    """Renew the frame every second until the user or a signal ends it."""
    from analysis.show.dashboard.frame import frame
    from analysis.show.dashboard.keys import Keyboard
    from analysis.show.dashboard.terminal import Screen, size_of
    from analysis.show.dashboard.views import View, full_screen, hint
    from analysis.show.dashboard.watch import moment_now

    status, view, key = 0, View(), ""
    interrupts.raise_interrupt()
    try:
        with leaving_cleanly(), Screen(console) as screen, Keyboard() as keyboard:
            while key not in QUIT:
                facts, (width, height) = watch.facts(moment_now(owner().zone)), size_of(console)
                keys = hint(width) if keyboard.there else ""
                screen.show(
                    full_screen(view, facts, watch.found, width, height, marks)
                    if view.name
                    else frame(facts, width, marks, height, keys)
                )
                key = keyboard.wait(1.0)
                view = view.after(key)
    except KeyboardInterrupt:
        pass
    except SystemExit as end:
        status = int(end.code or 0)
    except OSError as error:
        if error.errno != errno.EIO:
            raise
        # The terminal has gone, and its SIGHUP has not come yet.
        status = 128 + signal.SIGHUP
    return _ended(watch, status)


def _ended(watch: Watch, status: int) -> int:
    if watch.assessing:
        # Do not shut the interpreter down while a thread still computes.
        os._exit(status)
    return status
