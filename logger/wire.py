"""Wire sizes: American wire gauge in square millimetres."""

from __future__ import annotations

import math
import re

from logger.errors import UsageError

#: Sizes that a boat's battery cable may have; the finest and the thickest that are accepted.
FINEST, THICKEST = 20, -3
_SIZE = re.compile(r"([1-9]\d?)/0|(\d{1,2})")


def awg_mm2(size: str | int) -> float:
    """Return the cross-section of an AWG size, mm2: 8, "8", "2/0", "0".

    ASTM B258: the diameter of size n is 0.127 mm times 92 to the power of (36 - n) / 39; 2/0 is
    n = -1, 3/0 is -2, 4/0 is -3.

    Raises
    ------
    UsageError
        If it is no such size.
    """
    match = _SIZE.fullmatch(str(size).strip())
    number = None
    if match is not None:
        number = 1 - int(match.group(1)) if match.group(1) else int(match.group(2))
    if number is None or not THICKEST <= number <= FINEST:
        raise UsageError(f"{size!r} is not an AWG size; accepted: {FINEST} to 0, and 2/0 to 4/0")
    diameter_mm = 0.127 * math.pow(92.0, (36 - number) / 39)
    return math.pi / 4.0 * diameter_mm**2


#: Every accepted size and its cross-section, mm2.
AWG_MM2 = {
    (str(number) if number >= 0 else f"{1 - number}/0"): awg_mm2(
        str(number) if number >= 0 else f"{1 - number}/0"
    )
    for number in range(THICKEST, FINEST + 1)
}
