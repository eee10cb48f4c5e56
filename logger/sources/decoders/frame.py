"""Fixed binary frames: a start marker, fields at fixed places, a checksum.

Frames stand in a stream plainly, in SLIP or in COBS, or each is a packet of a radio link.

SLIP: RFC 1055. COBS: Cheshire and Baker (1999), IEEE/ACM Trans. Networking 7:159-172; frames end
with a zero byte.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting, nearest, unknown_key
from logger.sources.decoders.checksums import CHECKSUMS, checksum, checksum_size
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Request, Value

FRAME = Section(
    "decoder",
    (
        Setting("kind", "text", "frame", "fixed binary frames"),
        Setting("length", "whole", REQUIRED, "bytes of a frame, all counted", "byte", 1, 1024),
        Setting("start", "text", "", "bytes with which each begins, as hexadecimal digits"),
        Setting(
            "framing",
            "text",
            "plain",
            "how frames are told apart; packet: each packet of a radio link is one",
            choices=("plain", "slip", "cobs", "packet"),
        ),
        Setting(
            "byte_order",
            "text",
            "little",
            "which byte comes first",
            choices=(
                "little",
                "big",
            ),
        ),
        Setting("checksum", "text", "none", "checksum at the end", choices=CHECKSUMS),
        Setting(
            "checksum_order",
            "text",
            "little",
            "which of its bytes comes first",
            choices=(
                "little",
                "big",
            ),
        ),
        Setting("checksum_from", "whole", 0, "first byte that the checksum covers", "", 0, 1023),
        Setting(
            "layout",
            "table",
            REQUIRED,
            "for each name: { at = 2, type = 'u16' }; types u8 to u32, s8 to s32, f32, f64",
        ),
    ),
    "frames such as AA 55 20 05 A4 01 02 CRC CRC",
)
#: Format of each type in Python's struct, without byte order.
TYPES = {
    "u8": "B", "s8": "b", "u16": "H", "s16": "h", "u32": "I", "s32": "i", "f32": "f", "f64": "d",
}  # fmt: skip
SLIP_END, SLIP_ESC, SLIP_ESC_END, SLIP_ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD


@dataclass(frozen=True, slots=True)
class Part:
    """One value in a frame."""

    name: str
    at: int
    code: struct.Struct


class FrameDecoder:
    """Finds frames in a stream; after garbage it looks for the next place that fits."""

    requests: tuple[Request, ...] = ()

    def __init__(self, settings: Mapping[str, Any], start: bytes, parts: tuple[Part, ...]) -> None:
        self.length: int = settings["length"]
        self.start = start
        self.framing: str = settings["framing"]
        self.packets = self.framing == "packet"
        self.checksum: str = settings["checksum"]
        self.size = checksum_size(self.checksum)
        self.order: Any = settings["checksum_order"]
        self.covered_from: int = settings["checksum_from"]
        self.parts = parts
        # Escapes may double a SLIP frame; COBS adds a byte in 254 and the delimiter.
        self.longest = 2 * self.length + 8

    def names(self) -> frozenset[str] | None:
        """Return the names of the layout."""
        return frozenset(part.name for part in self.parts)

    def answer_form(self, request: Request) -> Hashable | None:
        """Return None: the layout gives each value its name."""
        del request
        return None

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode every whole frame."""
        if self.framing == "plain":
            return self._plain(data)
        if self.packets:
            return Step(len(data), (self._packed(data),))
        end = bytes([SLIP_END]) if self.framing == "slip" else b"\0"
        pieces = data.split(end)
        # Before the first delimiter may stand the end of a frame whose beginning was missed.
        whole = pieces[:-1] if context.in_sync else pieces[1:-1]
        items = [self._packed(piece) for piece in whole if piece]
        used = len(data) - len(pieces[-1])
        return Step(used, tuple(items), in_sync=context.in_sync or len(pieces) > 1)

    def _packed(self, piece: bytes) -> Message | Refused:
        frame: bytes | None = piece
        if not self.packets:
            frame = unslip(piece) if self.framing == "slip" else uncobs(piece)
        if frame is None:
            return Refused(piece, f"not {self.framing.upper()}")
        if len(frame) != self.length:
            detail = f"got {len(frame)} bytes, expected {self.length}"
            return Refused(piece, "frame of a wrong length", detail)
        return self._frame(frame)

    def _plain(self, data: bytes) -> Step:
        items: list[Message | Refused] = []
        at = 0
        skipped = 0
        while at + self.length <= len(data):
            frame = data[at : at + self.length]
            found = self._frame(frame)
            if isinstance(found, Message):
                if skipped < at:
                    items.append(Refused(data[skipped:at], "bytes between frames"))
                items.append(found)
                at += self.length
                skipped = at
            else:
                if frame.startswith(self.start) and self.start:
                    items.append(found)
                    skipped = at + 1
                at += 1
        # What could still be the beginning of a frame waits.
        if self.start:
            while at < len(data) and not self.start.startswith(
                data[at : at + len(self.start)][: len(self.start)]
            ):
                at += 1
        if skipped < at:
            items.append(Refused(data[skipped:at], "bytes between frames"))
        return Step(at, tuple(items))

    def _frame(self, frame: bytes) -> Message | Refused:
        if not frame.startswith(self.start):
            return Refused(frame, "wrong start of frame")
        if self.size:
            given = int.from_bytes(frame[-self.size :], self.order)
            expected = checksum(self.checksum, frame[self.covered_from : -self.size])
            if given != expected:
                width = 2 * self.size
                detail = f"got {given:0{width}X}, the bytes give {expected:0{width}X}"
                return Refused(frame, "wrong CRC", detail)
        values: dict[str, Value] = {}
        for part in self.parts:
            (value,) = part.code.unpack_from(frame, part.at)
            good = not isinstance(value, float) or math.isfinite(value)
            values[part.name] = value if good else None
        return Message(frame, values)


def unslip(data: bytes) -> bytes | None:
    """Undo SLIP's escapes, or return None where they are broken."""
    out = bytearray()
    escaped = False
    for byte in data:
        if escaped:
            if byte not in {SLIP_ESC_END, SLIP_ESC_ESC}:
                return None
            out.append(SLIP_END if byte == SLIP_ESC_END else SLIP_ESC)
            escaped = False
        elif byte == SLIP_ESC:
            escaped = True
        else:
            out.append(byte)
    return None if escaped else bytes(out)


def uncobs(data: bytes) -> bytes | None:
    """Undo COBS (without its delimiter), or return None where it is broken."""
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        if code == 0 or at + code > len(data):
            return None
        out += data[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(data):
            out.append(0)
    return bytes(out)


def build_frame(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the frame decoder from its table."""
    settings = place.checked(FRAME, table)
    try:
        start = bytes.fromhex(settings["start"])
    except ValueError:
        raise place.error("takes pairs of hexadecimal digits", "start") from None
    if settings["framing"] == "plain" and not start and settings["checksum"] == "none":
        raise place.error("plain frames need a start marker or a checksum", "start")
    room = settings["length"] - checksum_size(settings["checksum"])
    if room <= len(start):
        raise place.error(
            f"got {settings['length']}; start, checksum and at least one byte need more", "length"
        )
    if settings["checksum_from"] >= room:
        raise place.error("lies behind the last byte before the checksum", "checksum_from")
    parts = tuple(
        _part(name, entry, room, settings["byte_order"], place)
        for name, entry in settings["layout"].items()
    )
    if not parts:
        raise place.error("needs at least one name", "layout")
    return FrameDecoder(settings, start, parts)


def _part(name: str, entry: object, room: int, order: str, place: Place) -> Part:
    if not isinstance(entry, dict):
        raise place.error("takes a table such as { at = 2, type = 'u16' }", "layout", name)
    unknown_key(place.document, entry, ("at", "type"), *place.prefix, "layout", name)
    kind, at = entry.get("type"), entry.get("at")
    if not isinstance(kind, str) or kind not in TYPES:
        hint = nearest(str(kind), list(TYPES))
        raise place.error(
            f"got {kind!r}{hint}; accepted: {', '.join(TYPES)}", "layout", name, "type"
        )
    code = struct.Struct(("<" if order == "little" else ">") + TYPES[kind])
    if not isinstance(at, int) or isinstance(at, bool) or not 0 <= at <= room - code.size:
        raise place.error(
            f"got {at!r}; accepted: a whole number from 0 to {room - code.size}",
            "layout", name, "at",
        )  # fmt: skip
    return Part(name, at, code)
