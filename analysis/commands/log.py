"""``ebbwatt log``: log the configured source until it ends or is told to stop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logger.config import find_config, load_config

if TYPE_CHECKING:
    import argparse

HELP = "log the configured source into the database"
DESCRIPTION = (
    "Logs the configured source, for years if need be. It reconnects after every dropout, commits "
    "at most once a minute, and ends cleanly on SIGTERM, SIGHUP or Ctrl-C. Only one logger at a "
    "time can write into a database. It only reads: no command ever goes to the charger."
)
EXAMPLE = "ebbwatt log --config /etc/ebbwatt/ebbwatt.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument("--verbose", action="store_true", help="log every change of the link")


def run(args: argparse.Namespace) -> int:
    """Run the daemon in the foreground."""
    from logger.system.without_tls import load_asyncio

    load_asyncio()  # before any other module does
    from logger.daemon import run as run_daemon
    from logger.system.journal import set_up

    set_up(verbose=args.verbose)
    return run_daemon(load_config(find_config(args.config)))
