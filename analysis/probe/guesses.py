"""Guesses what bytes are that do not decode, for a person who has to describe them.

A framing or a checksum is named only where several frames agree; nothing is decoded by a guess.
"""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING

from logger.sources.decoders.checksums import CHECKSUMS, checksum, checksum_size
from logger.sources.decoders.frame import SLIP_END, uncobs, unslip

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Frames that must agree: by chance three would fit a checksum of 8 bits once in 16 million tries.
_ENOUGH = 3
#: The first bytes of a frame that a checksum may leave out.
_LEFT_OUT = range(5)
#: Lengths of plain frames that are looked for, byte (our choice).
_LENGTHS = range(4, 65)


def guess_kind(line: bytes) -> str:
    """Say which decoder may read a line that holds no key and value."""
    text = line.decode("latin-1")
    if text.startswith("{"):
        return 'the lines look like JSON: kind = "jsonlines" in [decoder]'
    if text.startswith(("$", "!")) and "," in text:
        return 'the lines look like sentences of NMEA 0183: kind = "xdr" in [decoder]'
    for mark in (":", "~", "#"):
        if mark in text:
            return f'the lines may be key and value with another separator = "{mark}" in [decoder]'
    for mark, name in ((",", ","), (";", ";"), ("\t", "\\t")):
        if mark in text:
            return (
                f'the lines may be {text.count(mark) + 1} columns: kind = "csv" in [decoder], with '
                f'columns, and delimiter = "{name}"'
            )
    return (
        'the lines are not key=value: kind = "pattern" in [decoder] finds values by named groups, '
        "such as pattern = 'V (?P<volts>\\S+)', over several lines with lines = 3"
    )


def guess_framing(data: bytes) -> str | None:
    """Return the settings of [decoder] that cut the bytes into frames of one length, or None."""
    for name, end, unpack in (
        ("slip", bytes([SLIP_END]), unslip),
        ("cobs", b"\0", uncobs),
    ):
        # The first and the last may be parts of frames.
        frames = [unpack(piece) for piece in data.split(end)[1:-1] if piece]
        lengths = Counter(len(frame) for frame in frames if frame is not None)
        if not lengths:
            continue
        length, count = lengths.most_common(1)[0]
        if count >= _ENOUGH and count >= 0.8 * len(frames) and length >= _LENGTHS.start:
            return f'framing = "{name}", length = {length}'
    return _guess_plain(data)


def _guess_plain(data: bytes) -> str | None:
    """Look for two bytes that come back at one spacing."""
    places: dict[bytes, list[int]] = {}
    for at in range(len(data) - 1):
        places.setdefault(data[at : at + 2], []).append(at)
    for mark, found in places.items():
        spacings = {b - a for a, b in pairwise(found)}
        if len(found) > _ENOUGH and len(spacings) == 1 and (length := spacings.pop()) in _LENGTHS:
            return f'start = "{mark.hex().upper()}", length = {length}'
    return None


def guess_checksum(frames: Sequence[bytes]) -> str | None:
    """Return the settings of [decoder] by which every frame carries its checksum, or None."""
    if len(set(frames)) < _ENOUGH:
        return None
    for first in _LEFT_OUT:
        for name in CHECKSUMS:
            size = checksum_size(name)
            for order in ("little", "big")[: size or None]:
                if size and all(_fits(frame, name, order == "big", first) for frame in frames):
                    return (
                        f'checksum = "{name}"'
                        + (f', checksum_order = "{order}"' if size > 1 else "")
                        + (f", checksum_from = {first}" if first else "")
                    )
    return None


def _fits(frame: bytes, name: str, big: bool, first: int) -> bool:  # noqa: FBT001 - private
    size = checksum_size(name)
    given = int.from_bytes(frame[-size:], "big" if big else "little")
    return len(frame) > first + size and given == checksum(name, frame[first:-size])
