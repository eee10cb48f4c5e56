"""Kinds of command line arguments that several commands share; loads nothing heavy."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


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


def positive_number(text: str) -> float:
    """Parse a number above zero for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"got {text!r}; accepted: a number above 0")
    return value
