"""Fixed binary frames: a start marker, values at fixed places, a checksum.

A device may send frames of several kinds, which are told apart by a byte or by their length
(:mod:`logger.sources.decoders.layouts`). Frames stand in a stream plainly, in SLIP or in COBS, or
each is a packet of a radio link.

SLIP: RFC 1055. COBS: Cheshire and Baker (1999), IEEE/ACM Trans. Networking 7:159-172; frames end
with a zero byte.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from logger.settings import Section, Setting
from logger.sources.decoders.checksum_setting import parse_checksum
from logger.sources.decoders.checksums import CHECKSUMS, Checksum, checksum, checksum_size
from logger.sources.decoders.layouts import LAYOUT_HELP, Layout, Layouts, parse_layouts
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Request

FRAME = Section(
    "decoder",
    (
        Setting("kind", "text", "frame", "fixed binary frames"),
        Setting("length", "whole", None, "bytes of a frame, all counted", "byte", 1, 1024),
        Setting("start", "text", "", "bytes with which each begins, as hexadecimal digits"),
        Setting(
            "framing",
            "text",
            "plain",
            "how frames are found in the bytes; packet: each packet of a radio link is a frame",
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
        Setting("checksum", "name or table", "none", "checksum at the end", choices=CHECKSUMS),
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
        Setting("layout", "table", {}, LAYOUT_HELP),
        Setting(
            "frames",
            "list",
            [],
            "instead of length and layout: several kinds of frame, each a table "
            "[[source.decoder.frames]]",
        ),
        Setting(
            "type_at",
            "whole",
            None,
            "which byte, from 0, tells the kinds of frame apart; their lengths do if left out",
            "",
            0,
            1023,
        ),
        Setting(
            "ignore",
            "list",
            [],
            "types of frames to leave out, such as [0x30, 0x31]; without type_at, their lengths",
        ),
    ),
    "frames such as AA 55 20 05 A4 01 02 CRC CRC",
)
SLIP_END, SLIP_ESC, SLIP_ESC_END, SLIP_ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD
#: Why a frame is refused whose type nobody described.
UNKNOWN_TYPE = "frame of an unknown type"
#: Each place in a plain stream is tried with each length: so many lengths take 2 s at worst.
MOST_BY_LENGTH = 4
#: A frame of no interest, whose length is not known, ends within so many bytes.
LONGEST_IGNORED = 1024


class FrameDecoder:
    """Finds frames in a stream; after garbage it looks for the next place that fits.

    Attributes
    ----------
    groups
        The names that come together, of each kind of frame.
    """

    requests: tuple[Request, ...] = ()

    def __init__(self, settings: Mapping[str, Any], start: bytes, layouts: Layouts) -> None:
        self.layouts = layouts
        self.start = start
        self.framing: str = settings["framing"]
        self.packets = self.framing == "packet"
        self.checksum: Checksum = settings["checksum"]
        self.size = checksum_size(self.checksum)
        self.order: Any = settings["checksum_order"]
        self.covered_from: int = settings["checksum_from"]
        self.groups = tuple(
            frozenset(part.name for part in layout.parts) for layout in layouts.every
        )
        # Escapes may double a SLIP frame; COBS adds a byte in 254 and the delimiter.
        length = LONGEST_IGNORED if layouts.ignored else layouts.every[-1].length
        self.longest = 2 * length + 8

    def names(self) -> frozenset[str] | None:
        """Return the names of the layouts."""
        return frozenset().union(*self.groups)

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
        """Decode a frame whose ends are known."""
        frame: bytes | None = piece
        if not self.packets:
            frame = unslip(piece) if self.framing == "slip" else uncobs(piece)
        if frame is None:
            return Refused(piece, f"not {self.framing.upper()}")
        layout = self.layouts.of_whole(frame)
        if layout is not None:
            return self._frame(frame, layout)
        if self.layouts.is_ignored(frame):
            return Message(frame)
        if self.layouts.type_at is not None and not self.layouts.candidates(frame, 0):
            return self._unknown(frame)
        lengths = " or ".join(str(a.length) for a in self.layouts.candidates(frame, 0) or ())
        detail = f"got {len(frame)} bytes, expected {lengths}"
        return Refused(frame, "frame of a wrong length", detail)

    def _unknown(self, frame: bytes) -> Refused:
        detail = f"{self.layouts.named(frame)}, {len(frame)} bytes"
        return Refused(frame, UNKNOWN_TYPE, detail)

    def _plain(self, data: bytes) -> Step:
        """Decode frames that follow each other with nothing, or garbage, in between."""
        items: list[Message | Refused] = []
        at = skipped = 0  # what lies between was looked at and is no frame
        while at < len(data):
            if not data.startswith(self.start, at):
                at = _find(data, self.start, at)
                if len(data) - at < len(self.start):
                    break  # the beginning of a marker at most
            layouts = self.layouts.candidates(data, at)
            if layouts is None:
                break
            item, size = self._at(data, at, layouts)
            if size == 0:
                break
            if item is not None:
                if skipped < at:
                    items.append(Refused(data[skipped:at], "bytes between frames"))
                items.append(item)
                skipped = at + size
            at += size
        if skipped < at:
            items.append(Refused(data[skipped:at], "bytes between frames"))
        return Step(at, tuple(items))

    def _at(
        self, data: bytes, at: int, layouts: tuple[Layout, ...]
    ) -> tuple[Message | Refused | None, int]:
        """Return what begins at ``at`` and how many bytes it is done with; 0: more may come."""
        spoiled: Refused | None = None
        for layout in layouts:
            frame = data[at : at + layout.length]
            if len(frame) < layout.length:
                return None, 0
            item = self._frame(frame, layout)
            if isinstance(item, Message):
                return item, layout.length
            spoiled = item
        if not self.start:
            return None, 1
        if spoiled is not None:
            return spoiled, 1
        # Its length is not known: it ends where the next begins.
        end = data.find(self.start, at + len(self.start))
        if end < 0:
            return None, 0
        frame = data[at:end]
        return (
            Message(frame) if self.layouts.is_ignored(frame) else self._unknown(frame)
        ), end - at

    def _frame(self, frame: bytes, layout: Layout) -> Message | Refused:
        if not frame.startswith(self.start):
            return Refused(frame, "wrong start of frame")
        if self.size:
            given = int.from_bytes(frame[-self.size :], self.order)
            expected = checksum(self.checksum, frame[self.covered_from : -self.size])
            if given != expected:
                width = 2 * self.size
                detail = f"got {given:0{width}X}, the bytes give {expected:0{width}X}"
                return Refused(frame, "wrong CRC", detail)
        return Message(frame, layout.values(frame))


def _find(data: bytes, start: bytes, at: int) -> int:
    """Return where a start marker begins at or behind ``at``, whole or cut by the end."""
    found = data.find(start, at)
    if found >= 0:
        return found
    cut = max(at, len(data) - len(start) + 1)
    return next((k for k in range(cut, len(data)) if start.startswith(data[k:])), len(data))


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
    settings["checksum"] = parse_checksum(settings["checksum"], place)
    try:
        start = bytes.fromhex(settings["start"])
    except ValueError:
        raise place.error("takes pairs of hexadecimal digits", "start") from None
    plain, unsealed = settings["framing"] == "plain", settings["checksum"] == "none"
    if plain and not start and unsealed:
        raise place.error("plain frames need a start marker or a checksum", "start")
    size = checksum_size(settings["checksum"])
    layouts = parse_layouts(settings, place, len(start), size)
    if plain and unsealed and len(layouts.every) > 1 and layouts.type_at is None:
        raise place.error(
            "is needed: plain frames without a checksum are not told apart by length", "type_at"
        )
    if plain and layouts.type_at is None and len(layouts.every) > MOST_BY_LENGTH:
        raise place.error(
            f"at most {MOST_BY_LENGTH} kinds of plain frames are told apart by length; where a "
            f"byte tells them apart: type_at = ...",
            "frames",
        )
    if plain and layouts.ignored and not start:
        raise place.error("needs start: where does such a frame end?", "ignore")
    if settings["checksum_from"] >= layouts.every[0].length - size:
        raise place.error("lies behind the last byte before the checksum", "checksum_from")
    return FrameDecoder(settings, start, layouts)
