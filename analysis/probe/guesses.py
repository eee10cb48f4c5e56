"""Guesses what bytes are that do not decode, for a person who has to describe them.

A framing or a checksum is named only where several frames agree; nothing is decoded by a guess.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from logger.refusals import printable
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

#: A line is text if so much of it is ASCII that can be printed (our choice).
_TEXT = 0.8
#: So many lines, and this part of all, hold letters that are not ASCII: fewer may be noise.
_LETTERED, _LETTERED_PART = 2, 0.1
#: Characters of a line that are shown before and from its first such letter on.
_BEFORE, _SHOWN = 8, 24


def plain_bytes(data: bytes) -> int:
    """Return how many of the bytes are printable ASCII, line ends or tabs."""
    return sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in data)


def is_text(line: bytes) -> bool:
    """Tell whether a line is text, whatever its letters beyond ASCII are."""
    return plain_bytes(line) >= _TEXT * len(line)


def guess_encoding(lines: Sequence[bytes]) -> str:
    """Return how lines of text are probably encoded."""
    if all(map(is_utf8, lines)):
        return "utf-8"
    # Latin-1 has control codes from 0x80 to 0x9F, where code pages have letters.
    return "cp437" if any(0x80 <= byte < 0xA0 for line in lines for byte in line) else "latin-1"


def is_utf8(line: bytes) -> bool:
    """Tell whether bytes are valid UTF-8, as all ASCII is."""
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


@dataclass(slots=True)
class Letters:
    """Counts the lines with letters beyond ASCII, to say how they are encoded."""

    lines: int = 0
    in_utf8: int = 0
    not_utf8: int = 0
    sample: bytes = b""
    """The first line with letters that are not UTF-8."""

    def hear(self, line: bytes) -> None:
        """Take note of a line."""
        self.lines += bool(line)
        if line.isascii() or not is_text(line):
            return
        if is_utf8(line):
            self.in_utf8 += 1
        else:
            self.not_utf8 += 1
            self.sample = self.sample or line

    def hint(self, encoding: str) -> str:
        """Say which encoding to try instead of this one; empty where nothing speaks for another."""
        enough = max(_LETTERED, _LETTERED_PART * self.lines)
        if encoding == "utf-8" and self.not_utf8 >= enough:
            first = next(k for k, byte in enumerate(self.sample) if byte > 0x7F)
            shown = printable(self.sample[max(0, first - _BEFORE) :][:_SHOWN])
            guess = guess_encoding([self.sample])
            other = "cp1252" if guess == "cp437" else "cp437"
            return (
                f"the lines hold letters or signs that are not UTF-8 ({shown}): write encoding = "
                f'"{guess}" into [decoder], or "{other}" if they come out wrong; words and names '
                f"are then written as one reads them"
            )
        if encoding != "utf-8" and self.in_utf8 >= enough and not self.not_utf8:
            return 'the letters beyond ASCII are UTF-8: write encoding = "utf-8" into [decoder]'
        return ""


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
