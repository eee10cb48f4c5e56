"""``ebbwatt backup``: a copy of the log to take away."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from analysis.text import say
from logger.config import find_config, load_config

if TYPE_CHECKING:
    import argparse

HELP = "copy the database while the logger writes"
DESCRIPTION = (
    "Makes a consistent copy of the database, checks it, and only then gives it its name. The copy "
    "is a single file that opens anywhere, even on a write-protected stick. To report from it: "
    "'ebbwatt report --config COPY'."
)
EXAMPLE = "ebbwatt backup log-copy.db"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of this command."""
    parser.add_argument(
        "file", type=Path, metavar="FILE", help="the copy; in a folder, it keeps its name"
    )


def run(args: argparse.Namespace) -> int:
    """Copy and check."""
    from logger.store.backup import backup
    from logger.system.output import kept

    config = load_config(find_config(args.config))
    path = config.store.path
    target = args.file / path.name if args.file.is_dir() else args.file
    count = backup(path, target, kept(config))
    say(f"wrote {target}: {count} intervals, checked")
    return 0
