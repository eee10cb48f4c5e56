"""Finds frames in bytes that nobody described: marker, framing, checksum, and the byte of the type.

Only what all frames agree on is told: a start marker that cuts the bytes into few lengths, a
checksum that fits every frame.
"""

from __future__ import annotations

import struct
import tomllib
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from analysis.probe.guesses import guess_checksum
from analysis.probe.series import guesses
from logger.sources.decoders.checksums import checksum as checksum_of
from logger.sources.decoders.checksums import checksum_size
from logger.sources.decoders.frame import SLIP_END, uncobs, unslip

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

#: Frames of one kind that must be seen.
_ENOUGH = 3
#: Lengths of frames that are looked for, byte (our choice).
_LENGTHS = range(4, 129)
#: Kinds of frame that a device may mix (our choice).
_MOST_KINDS = 8
#: Bytes looked at; a second of a busy device has hundreds.
MOST_BYTES = 16_384
#: A byte of the type stands among the first.
_TYPE_WITHIN = 5


@dataclass(frozen=True, slots=True)
class Found:
    """Frames that were found.

    Parameters
    ----------
    framing, start
        As in [decoder]; the marker is empty where the framing needs none.
    checksum
        The lines of [decoder] for the checksum; empty where none fits.
    size
        Bytes of the checksum.
    type_at
        Which byte tells the kinds apart; None where there is one kind.
    kinds
        The frames of each kind, by type; 0 where there is one kind.
    """

    framing: str
    start: bytes
    checksum: str
    size: int
    type_at: int | None
    kinds: dict[int, list[bytes]]

    def words(self) -> str:
        """Return the keys of [decoder] that cut the bytes into these frames."""
        keys = [f'framing = "{self.framing}"'] if self.framing != "plain" else []
        keys += [f'start = "{self.start.hex().upper()}"'] if self.start else []
        keys += [self.checksum] if self.checksum else []
        if self.type_at is not None:
            keys.append(f"type_at = {self.type_at}")
        lengths = sorted({len(frames[0]) for frames in self.kinds.values()})
        return ", ".join([*keys, f"length = {' or '.join(map(str, lengths))}"])


def find_frames(data: bytes, packets: Sequence[bytes] = ()) -> Found | None:
    """Return the frames in a stream, or in packets of a radio link; None where there are none."""
    best: Found | None = None
    for framing, start, frames in _cuts(data[:MOST_BYTES], packets):
        found = _sorted(framing, start, frames)
        if found is not None and (best is None or (found.size > 0) > (best.size > 0)):
            best = found
            if found.size:
                break
    return best


def _cuts(data: bytes, packets: Sequence[bytes]) -> Iterator[tuple[str, bytes, list[bytes]]]:
    if packets:
        yield "packet", b"", [bytes(p) for p in packets]
        return
    for framing, end, unpack in (
        ("slip", bytes([SLIP_END]), unslip),
        ("cobs", b"\0", uncobs),
    ):
        frames = [unpack(piece) for piece in data.split(end)[1:-1] if piece]
        whole = [frame for frame in frames if frame is not None]
        if len(whole) >= _ENOUGH and len(whole) >= 0.8 * len(frames):
            yield framing, b"", whole
    marks = Counter(data[at : at + 2] for at in range(len(data) - 1))
    for mark, count in marks.most_common(24):
        if count > _ENOUGH:
            yield "plain", mark, [mark + piece for piece in data.split(mark)[1:-1]]


def _sorted(framing: str, start: bytes, frames: list[bytes]) -> Found | None:
    """Sort frames by kind; None where they do not look like frames."""
    lengths = Counter(map(len, frames))
    usual = lengths.most_common(1)[0][0] if lengths else 0
    checksum = _checksum([frame for frame in frames if len(frame) == usual]) or ""
    if checksum:
        frames = [frame for piece in frames if (frame := _whole(piece, checksum, lengths))]
        lengths = Counter(map(len, frames))
    common = [n for n, count in lengths.items() if count >= _ENOUGH and n in _LENGTHS]
    if not common or len(common) > _MOST_KINDS:
        return None
    known = [frame for frame in frames if len(frame) in common]
    if len(known) < 0.8 * len(frames):
        return None
    most = len(common) + 1 if framing != "plain" and len(common) > 1 else _MOST_KINDS
    kinds = _by_type(known, len(start), most)
    type_at: int | None = None
    if kinds is not None:
        type_at, by_type = kinds
    else:
        by_type = {0: [frame for frame in known if len(frame) == usual]}
        if len(common) > 1 and framing == "plain":
            return None
        if len(common) > 1:
            by_type = {n: [frame for frame in known if len(frame) == n] for n in sorted(common)}
    return Found(framing, start, checksum, _size(checksum), type_at, by_type)


def _checksum(frames: list[bytes]) -> str | None:
    """Return the checksum that fits four of five frames at least: a line is never free of noise."""
    whole = guess_checksum(frames[:64])
    if whole:
        return whole
    for first in range(min(4, len(frames))):
        if guess := guess_checksum(frames[first : first + 8]):
            return guess
    return None


def _size(checksum: str) -> int:
    return checksum_size(_settings(checksum)["checksum"]) if checksum else 0


def _settings(checksum: str) -> dict[str, Any]:
    """Return the keys of [decoder] that a guess at the checksum names."""
    return tomllib.loads(checksum.replace(", ", "\n"))


def _whole(piece: bytes, checksum: str, lengths: Counter[int]) -> bytes | None:
    """Return the frame at the beginning of a piece, None where none of its lengths fits."""
    found = _settings(checksum)
    size, first = checksum_size(found["checksum"]), found.get("checksum_from", 0)
    for length in sorted({n for n in lengths if n <= len(piece)}, reverse=True):
        frame = piece[:length]
        given = int.from_bytes(frame[-size:], found.get("checksum_order", "little"))
        covered = frame[first:-size]
        if covered and given == checksum_of(found["checksum"], covered):
            return frame
    return None


def _by_type(
    frames: list[bytes], front: int, most: int
) -> tuple[int, dict[int, list[bytes]]] | None:
    """Return the byte that tells kinds of frame apart, and the frames of each; None if none does.

    Frames of one type have one length. Where all have the same, a byte of few values that leaves
    other bytes standing still in each kind may be it.
    """
    several = len({len(frame) for frame in frames}) > 1
    if not several and _has_voltage(frames, front):
        return None
    for at in range(front, front + _TYPE_WITHIN):
        kinds: dict[int, list[bytes]] = {}
        for frame in frames:
            if at < len(frame):
                kinds.setdefault(frame[at], []).append(frame)
        if not 2 <= len(kinds) <= most:
            continue
        if any(len({len(f) for f in kind}) > 1 for kind in kinds.values()):
            continue
        if several or _restless(frames) > 2 * max(map(_restless, kinds.values())):
            return at, dict(sorted(kinds.items()))
    return None


def _has_voltage(frames: list[bytes], front: int) -> bool:
    """Tell whether two bytes of every frame move like the voltage of a bank."""
    for at in range(front, len(frames[0]) - 1):
        for order in ("<H", ">H"):
            numbers = [float(struct.unpack_from(order, frame, at)[0]) for frame in frames]
            # The seconds matter to counters alone.
            found = guesses(numbers, 0.0, whole=True)
            if any(g.channel == "voltage_v" and g.low < g.high and g.scale < 0.1 for g in found):
                return True
    return False


def _restless(frames: list[bytes]) -> float:
    """Return how far bytes leap from one frame to the next, on average over frames and places."""
    if len(frames) < 2:
        return 0.0
    length = len(frames[0])
    leaps = sum(abs(a[k] - b[k]) > 64 for a, b in pairwise(frames) for k in range(length - 2))
    return leaps / ((len(frames) - 1) * max(length - 2, 1))
