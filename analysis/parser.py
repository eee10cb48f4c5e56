"""The parser of the command line: one module per command, imported when its parser is built.

Each command is a module in ``analysis.commands`` with ``HELP`` (one line), ``DESCRIPTION``,
``EXAMPLE``, ``add_arguments(parser)`` and ``run(args) -> int``. Heavy imports stand inside ``run``,
so that help answers at once and the daemon never loads what it does not need.
"""

from __future__ import annotations

import argparse
import importlib
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from analysis.arguments import with_example
from logger import __version__
from logger.errors import UsageError

if TYPE_CHECKING:
    from typing import Protocol

    from _typeshed import SupportsWrite

    class Command(Protocol):
        """What a module in ``analysis.commands`` offers."""

        HELP: str
        DESCRIPTION: str
        EXAMPLE: str

        def add_arguments(self, parser: argparse.ArgumentParser) -> None:
            """Declare the command's own arguments."""
            ...

        def run(self, args: argparse.Namespace) -> int:
            """Do the work and return the exit status."""
            ...


#: Commands in the order in which help shows them.
COMMANDS = (
    "demo",
    "log",
    "probe",
    "import",
    "backup",
    "watch",
    "publish",
    "report",
    "load",
    "fuel",
    "size",
    "fitting",
    "event",
    "exchange",
    "export",
    "check",
    "fleet",
)
#: Shells for which ``--completion`` writes a script.
SHELLS = ("bash", "zsh")


#: How argparse names a word that is none of its choices.
_CHOICE = re.compile(r"invalid choice: ('[^']*'|\S+) \(choose from (.*)\)$")


class _Parser(argparse.ArgumentParser):
    """An argument parser whose errors are one line and end with status 2."""

    def error(self, message: str) -> NoReturn:
        # In the words of our own checks, and with the nearest word.
        message = re.sub(r"invalid float value: (.*)$", r"got \1; accepted: a number", message)
        found = _CHOICE.search(message)
        if found is not None:
            from logger.settings import nearest

            known = [word.strip(" '") for word in found[2].split(",")]
            hint = nearest(found[1].strip("'"), known)
            message = (
                f"{message[: found.start()]}got {found[1]}{hint}; accepted: {', '.join(known)}"
            )
        raise UsageError(f"{message}. See '{self.prog} --help'.")

    def print_help(self, file: SupportsWrite[str] | None = None) -> None:
        # argparse drops the error of a closed pipe; this raises it.
        (file or sys.stdout).write(self.format_help())


def command_module(name: str) -> Command:
    """Import the module of a command (named with a trailing underscore if it is a keyword)."""
    module = f"analysis.commands.{name}_" if name == "import" else f"analysis.commands.{name}"
    return importlib.import_module(module)


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Build the parser; with ``only``, import that command's module alone."""
    parser = _Parser(
        prog="ebbwatt",
        description="Log a charger for years, and show with evidence how its output declines.",
        epilog="For help on a command: ebbwatt COMMAND --help. Ebbwatt only reads; its "
        "figures are no safety device and replace neither the maker's instructions nor local "
        "codes nor a licensed person.",
    )
    parser.add_argument("--version", action="version", version=f"ebbwatt {__version__}")
    parser.add_argument(
        "--man", action="store_true", help="print the manual page: ebbwatt --man | man -l -"
    )
    parser.add_argument(
        "--completion",
        choices=SHELLS,
        metavar="SHELL",
        help="print completion for " + " or ".join(SHELLS),
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for name in COMMANDS if only is None else (only,):
        module = command_module(name)
        sub = commands.add_parser(
            name,
            help=module.HELP,
            description=module.DESCRIPTION,
            **with_example(module.EXAMPLE),
        )
        sub.add_argument(
            "--config",
            type=Path,
            metavar="FILE",
            help="configuration (default: ./ebbwatt.toml, then /etc/ebbwatt/ebbwatt.toml); or a "
            "database or a backup, which contains the configuration it was logged with",
        )
        module.add_arguments(sub)
        sub.set_defaults(run=module.run)
    return parser
