"""Reads numbers from a device's text: stricter than ``float``, which takes nan, inf and 1_000."""

from __future__ import annotations

import math
import re

#: Most characters of a number: no measured value needs more.
LONGEST_NUMERAL = 32
_NUMERAL = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


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
    stripped = text.strip()
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
