"""Wraps texts to a width: wide letters count as two, and a figure keeps its unit beside it."""

from __future__ import annotations

import io
import re

from rich.cells import cell_len
from rich.console import Console
from rich.text import Text

from analysis.text import BEFORE_UNIT

#: Stands for a space that must not break; ``harmless`` lets no such character in from outside.
_GLUE = "\ue000"
#: A mark between two statements ends a line; it never begins one.
_BEFORE_MARK = re.compile(r" (?=[·;] )")
_CONSOLE = Console(file=io.StringIO(), width=200)


def wrap(text: Text, width: int) -> list[Text]:
    """Return a styled text as lines of at most ``width`` columns; one empty line if it is empty."""
    if text.cell_len <= width:
        return [text]
    glued = text.copy()
    glued.plain = _BEFORE_MARK.sub(_GLUE, BEFORE_UNIT.sub(_GLUE, glued.plain))
    lines = list(glued.wrap(_CONSOLE, width))
    for line in lines:
        line.plain = line.plain.replace(_GLUE, " ").rstrip()
    return lines


def filled(text: str, width: int, indent: str = "") -> list[str]:
    """Return a plain text as lines, those after the first behind ``indent``; empty for none."""
    first = wrap_plain(text, width)[0]
    rest = text[len(first) :].lstrip()
    behind = wrap_plain(rest, width - cell_len(indent)) if rest else []
    return [first, *(indent + line for line in behind)] if text.strip() else []


def wrap_plain(text: str, width: int) -> list[str]:
    """Return a plain text as lines of at most ``width`` columns."""
    return [line.plain for line in wrap(Text(text), width)]
