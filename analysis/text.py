"""Makes text from outside harmless: names that devices send, labels and notes that people type.

Such text may hold terminal escapes, markup, direction overrides, heaps of combining marks, or a
megabyte of the letter A. It is shown as what it is, letters, on one line, cut to a bound; a
character that could act instead of being read is dropped. Right-to-left letters stay, but cannot
turn the text around them: overrides are dropped here, and HTML isolates each such text.
"""

from __future__ import annotations

import re
import sys
import unicodedata
from typing import TYPE_CHECKING

from markupsafe import Markup

from logger.refusals import one_line

if TYPE_CHECKING:
    from typing import TextIO

_UNITS = "kWh|Wh|Ah|mOhm|mm2|cm2|m3|cm|degC|degF|ppm|gal|min|runs|days"
#: The space between a figure and its unit, at which no line should break.
BEFORE_UNIT = re.compile(rf"(?<=\d) (?=(?:%|(?:[WVAhLdsKm]|US|{_UNITS})\b))|(?<=\bUS) (?=gal\b)")

#: Lines of an answer that leave room for the prompt below it on a terminal of 24 lines.
SCREEN_LINES = 23

#: Longest text from outside that is shown on one line, in characters (our choice).
LONGEST = 80

#: Unicode general categories that are never shown: control, format (direction overrides, zero
#: width), surrogate, private use, not assigned. Source: Unicode Standard, section 4.5, table 4-4.
_ACTING = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})

#: More combining marks than this on one letter are noise (Unicode text of living languages stays
#: below; common practice, no source).
_MARKS = 3


def counted(number: int, one: str) -> str:
    """Return a number and its noun: '1 run', '3 runs'."""
    return f"{number} {one}" if number == 1 else f"{number} {one}s"


def boat_and_charger(boat: str, charger: str) -> str:
    """Return what a charger is called: many a label begins with the boat's name already.

    >>> boat_and_charger("Dabchick", "aft locker")
    'Dabchick, aft locker'
    >>> boat_and_charger("Dabchick", "Dabchick, aft locker")
    'Dabchick, aft locker'
    """
    words = (charger,) if charger.startswith(boat) else (boat, charger)
    return ", ".join(word for word in words if word)


def harmless(text: object, longest: int = LONGEST) -> str:
    """Return ``text`` as one printable line of at most ``longest`` characters.

    Tabs, line ends and line separators become spaces; runs of spaces become one. A cut text ends
    in three dots.
    """
    # Work only on what can be shown: a peer may send megabytes.
    source = str(text)[: longest * 8]
    letters: list[str] = []
    marks = 0
    for letter in unicodedata.normalize("NFC", source):
        category = unicodedata.category(letter)
        if letter in "\t\n\r\v\f\x85" or category.startswith("Z"):
            letters.append(" ")
            continue
        if category in _ACTING:
            continue
        marks = marks + 1 if category.startswith("M") else 0
        if marks <= _MARKS:
            letters.append(letter)
    line = " ".join("".join(letters).split())
    if len(line) > longest or len(str(text)) > len(source):
        return line[: max(0, longest - 3)].rstrip() + "..."
    return line


def say(line: str, file: TextIO | None = None, *, flush: bool = False) -> None:
    """Print one line, on standard output if no file is named; whatever could act is escaped.

    For lines that hold names of files: these are shown whole, but as they can be read.
    """
    print(one_line(line, sys.maxsize - 1), file=file, flush=flush)


def for_html(text: object, longest: int = LONGEST) -> Markup:
    """Return ``text`` as harmless HTML, isolated from the direction of the text around it."""
    return Markup("<bdi>{}</bdi>").format(harmless(text, longest))


def for_encoding(text: str, encoding: str | None) -> str:
    """Return ``text`` with every character that ``encoding`` lacks replaced by '?'."""
    name = encoding or "ascii"
    return text.encode(name, errors="replace").decode(name)
