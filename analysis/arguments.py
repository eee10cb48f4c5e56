"""Parts of the command line that several commands share; it loads nothing heavy."""

from __future__ import annotations

import argparse
import textwrap
from typing import TYPE_CHECKING, TypedDict

if TYPE_CHECKING:
    from collections.abc import Callable


_EXAMPLE = "example:\n  "


class HelpFormatter(argparse.HelpFormatter):
    """Wraps each paragraph of a description to the width, and leaves an example as it is."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        if text.startswith(_EXAMPLE):
            return text
        paragraphs = (" ".join(piece.split()) for piece in text.split("\n\n"))
        return "\n\n".join(textwrap.fill(p, width, initial_indent=indent) for p in paragraphs)


class WithExample(TypedDict):
    """Arguments of a parser whose help ends in an example."""

    epilog: str
    formatter_class: type[argparse.HelpFormatter]


def with_example(example: str) -> WithExample:
    """Return the arguments that make a parser's help end in an example."""
    return {"epilog": _EXAMPLE + example, "formatter_class": HelpFormatter}


def examples_of(parser: argparse.ArgumentParser) -> list[str]:
    """Return the examples in a parser's help, one command line each."""
    epilog = parser.epilog or ""
    if not epilog.startswith(_EXAMPLE):
        return []
    return [line.strip() for line in epilog.removeprefix(_EXAMPLE).splitlines()]


def whole_number(low: int, high: int) -> Callable[[str], int]:
    """Return a parser of whole numbers from ``low`` to ``high`` for argparse."""

    def parse(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            value = low - 1
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(
                f"got {text!r}; accepted: a whole number from {low} to {high}"
            )
        return value

    return parse


def add_fitting(parser: argparse.ArgumentParser) -> None:
    """Declare the option that names an earlier charger of the log."""
    parser.add_argument(
        "--fitting",
        type=whole_number(1, 2**31),
        metavar="ID",
        help="an earlier charger of this log, by its number",
    )


def positive_number(text: str) -> float:
    """Parse a number above zero for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text!r}; accepted: a number above 0")
    return value


def number_between(low: float, high: float) -> Callable[[str], float]:
    """Return a parser of numbers from ``low`` to ``high`` for argparse."""

    def parse(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(
                f"got {text!r}; accepted: a number from {low:g} to {high:g}"
            )
        return value

    return parse
