"""Listens to a CAN bus of which no description says anything yet, and lists its frames."""

from __future__ import annotations

import time
from dataclasses import dataclass

from logger.errors import SourceError
from logger.sources.can.bus import FRAME, BusLink, explain
from logger.sources.can.signals import EXTENDED, EXTENDED_BITS, STANDARD_BITS

#: Identifiers that are listed; a bus of a whole vehicle has some hundreds (our choice).
MOST_LISTED = 100
#: Where nobody says how long to listen, s (our choice, slow frames come once a second).
LISTEN_S = 5.0


@dataclass(slots=True)
class Heard:
    """What came under one identifier."""

    frames: int = 0
    last: bytes = b""


def listen(interface: str, seconds: float) -> dict[int, Heard]:
    """Return what was heard, by identifier; nothing is sent.

    Raises
    ------
    SourceError
        If there is no such interface.
    """
    heard: dict[int, Heard] = {}
    try:
        with BusLink.make(interface, None) as made:
            end_s = time.monotonic() + seconds
            while (left_s := end_s - time.monotonic()) > 0.0:
                made.settimeout(left_s)
                try:
                    data = made.recv(FRAME.size)
                except TimeoutError:
                    break
                if len(data) == FRAME.size:
                    identifier, length, payload = FRAME.unpack(data)
                    seen = heard.setdefault(identifier, Heard())
                    seen.frames, seen.last = seen.frames + 1, payload[:length]
    except OSError as error:
        raise SourceError(f"{interface}: {explain(error)}") from None
    return heard


def listed(heard: dict[int, Heard], seconds: float) -> list[str]:
    """Return a line for each identifier, the busiest first, and what to do next."""
    if not heard:
        return [f"nothing came in {seconds:g} s: is the bit rate right, and the bus awake?"]
    lines = []
    for identifier, seen in sorted(heard.items(), key=lambda item: (-item[1].frames, item[0])):
        bits = EXTENDED_BITS if identifier & EXTENDED else STANDARD_BITS
        width = 8 if identifier & EXTENDED else 3
        name = f"0x{identifier & bits:0{width}X}"
        lines.append(f"{name:>10}  {seen.frames:5} frames, the last: {seen.last.hex(' ')}")
    rest = len(lines) - MOST_LISTED
    more = [f"and {rest} more"] if rest > 0 else []
    return [
        *lines[:MOST_LISTED],
        *more,
        'your DBC says what they mean: write kind = "can" and dbc = "FILE" into [source.decoder],',
        "the names of its signals into [source.fields]; then run: ebbwatt check",
    ]
