"""``ebbwatt publish``: hands values outwards by open standards."""

from __future__ import annotations

import signal
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse

HELP = "publish values by open standards: text file, MQTT, Signal K, a page"
DESCRIPTION = (
    "Publishes the live snapshot and the last assessment document to the outlets named in the\n"
    "[publish] sections of the configuration, until it is told to end. No outlet can change a\n"
    "setting of the charger. Without such a section nothing is published."
)
EXAMPLE = "ebbwatt publish --once"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument("--once", action="store_true", help="publish one round and end")


def run(args: argparse.Namespace) -> int:
    """Publish until SIGTERM, SIGINT or SIGHUP."""
    from analysis.publish.publisher import run as publish
    from analysis.publish.settings import publishing
    from logger.config import find_config, load_config
    from logger.system.journal import set_up

    config = load_config(find_config(args.config))
    chosen = publishing(config)
    set_up(verbose=False)
    stop = threading.Event()
    ended: list[int] = []

    def end(number: int, _frame: object) -> None:
        ended.append(number)
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, end)
    publish(config, chosen, stop, rounds=1 if args.once else None)
    # A stop by the service manager is no failure. Ctrl-C gives the shell's status.
    return 128 + signal.SIGINT if ended and ended[0] == signal.SIGINT else 0
