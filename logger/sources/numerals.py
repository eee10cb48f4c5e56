"""Reads numbers from a device's text: stricter than ``float``, which takes nan, inf and 1_000."""

from __future__ import annotations

import math
import re

#: Most characters of a number: no measured value needs more.
LONGEST_NUMERAL = 32
_NUMERAL = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")

#: What nearly every value is: one test instead of six. It is never longer than LONGEST_NUMERAL.
_PLAIN = re.compile(r"[+-]?[0-9]{1,15}(?:\.[0-9]{1,15})?")
_CLOCK = re.compile("[0-9]{1,7}(?::[0-5][0-9]){1,2}")
#: Blanks that stand between thousands, plain, not to be broken, and narrow (ISO 80000-1, 7.3.1,
#: from memory).
_THOUSANDS = re.compile("[+-]?[0-9]{1,3}(?:[ \u00a0\u202f][0-9]{3})+(?![0-9])")


def split_numeral(text: str, *, decimal_comma: bool = False) -> tuple[float, str]:
    """Split '13.52 V' into 13.52 and 'V'.

    Parameters
    ----------
    text
        What the device sent for one field.
    decimal_comma
        The decimal mark is a comma. The other mark is refused, never taken as a separator of
        thousands: guessing would be wrong by a factor of a thousand.

    Raises
    ------
    ValueError
        If the text does not start with a finite number; the message says what it is.
    """
    if not decimal_comma and _PLAIN.fullmatch(text):
        return float(text), ""
    stripped = text.strip()
    if _THOUSANDS.match(stripped):
        raise ValueError("has a blank between thousands")
    if _CLOCK.fullmatch(stripped):
        raise ValueError("has hours and minutes with a colon")
    match = _NUMERAL.match(stripped)
    if match is None:
        raise ValueError("not a number")
    numeral, rest = match.group(), stripped[match.end() :].strip()
    if len(numeral) > LONGEST_NUMERAL:
        raise ValueError("too many digits")
    mark, other = (",", ".") if decimal_comma else (".", ",")
    if other in numeral:
        raise ValueError(f"has a decimal {'point' if decimal_comma else 'comma'}")
    value = float(numeral.replace(mark, "."))
    if not math.isfinite(value):
        raise ValueError("not a finite number")
    if rest[:1].isdigit() or rest[:1] in {".", ",", "_"}:
        raise ValueError("not a number")
    return value, rest


def join_thousands(text: str, between: str) -> str:
    """Take the marks between thousands out of a number: '1 284,58 h' becomes '1284,58 h'.

    Parameters
    ----------
    text
        What the device sent for one field.
    between
        The mark, one character; a blank stands for each of the blanks of ISO 80000-1.
    """
    marks = "[ \u00a0\u202f]" if between == " " else re.escape(between)
    found = re.match(rf"[+-]?[0-9]{{1,3}}(?:{marks}[0-9]{{3}})+(?![0-9])", text.strip())
    if found is None:
        return text
    return re.sub(marks, "", found.group()) + text.strip()[found.end() :]
