"""Shell completion for bash and zsh; shtab writes it from the parsers."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from analysis.manual import arguments, commands
from analysis.parser import COMMANDS, command_module

if TYPE_CHECKING:
    import argparse


def completion(parser: argparse.ArgumentParser, shell: str) -> str:
    """Return a script for a shell that completes the command line of a parser."""
    import shtab

    for name, command in (("", parser), *commands(parser)):
        if name in COMMANDS:  # a shell shows one line for a command, not its whole description
            command.description = command_module(name).HELP
        for action in arguments(command):
            if action.metavar == "FILE":
                takes_files: Any = action
                takes_files.complete = shtab.FILE
    return str(shtab.complete(parser, shell))
