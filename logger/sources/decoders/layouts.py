"""What stands where in binary frames: one layout, or several that are told apart.

::

    start | type | values ...                    | checksum
    AA 55 |  01  | 20 34  A4 01                  | CRC CRC      type 1: volts, amps
    AA 55 |  02  | 7D 1F 00 00                   | CRC CRC      type 2: hours
             ^-- type_at = 2

Without a type byte the lengths must differ: a frame is what its length and its checksum say.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting, nearest, unknown_key

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from logger.sources.decoding import Place, Value

#: So many layouts are told apart at most; common practice, no source.
MOST_LAYOUTS = 32
LAYOUT_HELP = "for each name: { at = 2, type = 'u16' }; types u8 to u32, s8 to s32, f32, f64"
FRAMES = Section(
    "frames",
    (
        Setting("type", "whole", None, "the byte at type_at that tells this frame", "", 0, 255),
        Setting("length", "whole", REQUIRED, "bytes of this frame, all counted", "byte", 1, 1024),
        Setting(
            "layout",
            "table",
            {},
            f"{LAYOUT_HELP}; leave it out for a frame that is known and not used",
        ),
    ),
    "one of several kinds of frame",
)
#: Format of each type in Python's struct, without byte order.
TYPES = {
    "u8": "B", "s8": "b", "u16": "H", "s16": "h", "u32": "I", "s32": "i", "f32": "f", "f64": "d",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Part:
    """One value in a frame."""

    name: str
    at: int
    code: struct.Struct


@dataclass(frozen=True, slots=True)
class Layout:
    """One kind of frame: its length, all counted, and the values in it."""

    length: int
    parts: tuple[Part, ...]

    def values(self, frame: bytes) -> dict[str, Value]:
        """Return the values of a frame of this length; None for a number that is not finite."""
        values: dict[str, Value] = {}
        for part in self.parts:
            (value,) = part.code.unpack_from(frame, part.at)
            good = not isinstance(value, float) or math.isfinite(value)
            values[part.name] = value if good else None
        return values


@dataclass(frozen=True, slots=True)
class Layouts:
    """The kinds of frame of a device.

    Parameters
    ----------
    every
        All of them, the shortest first.
    type_at
        Which byte tells them apart; None where the length does.
    by_type
        Layout for each value of that byte.
    ignored
        Types (lengths, where these tell the frames apart) that are of no interest.
    """

    every: tuple[Layout, ...]
    type_at: int | None = None
    by_type: Mapping[int, Layout] | None = None
    ignored: frozenset[int] = frozenset()

    def candidates(self, data: bytes, at: int) -> tuple[Layout, ...] | None:
        """Return which layouts a frame that begins at ``at`` may have; None: too few bytes."""
        if self.type_at is None or self.by_type is None:
            return self.every
        place = at + self.type_at
        if place >= len(data):
            return None
        found = self.by_type.get(data[place])
        return () if found is None else (found,)

    def of_whole(self, frame: bytes) -> Layout | None:
        """Return the layout of a frame whose ends are known, None where there is none."""
        layouts = self.candidates(frame, 0) or ()
        return next((layout for layout in layouts if layout.length == len(frame)), None)

    def is_ignored(self, frame: bytes) -> bool:
        """Tell whether a frame is of no interest."""
        return self._mark(frame) in self.ignored

    def named(self, frame: bytes) -> str:
        """Name the kind of a frame as the description would: its type, or its length."""
        mark = self._mark(frame)
        if self.type_at is None:
            return f"length {mark}"
        return "too short for a type" if mark is None else f"type 0x{mark:02X}"

    def _mark(self, frame: bytes) -> int | None:
        if self.type_at is None:
            return len(frame)
        return frame[self.type_at] if self.type_at < len(frame) else None


def parse_layouts(settings: Mapping[str, Any], place: Place, front: int, behind: int) -> Layouts:
    """Check length and layout, or the [[frames]], of a [decoder].

    Parameters
    ----------
    settings
        The checked table of the decoder.
    place
        Where it stands.
    front, behind
        Bytes of the start marker and of the checksum.

    Raises
    ------
    ConfigError
        With line, key and the accepted values.
    """
    if not settings["frames"]:
        return _single(settings, place, front, behind)
    for key in ("length", "layout"):
        if settings[key]:
            raise place.error("stands in each of [[decoder.frames]] instead", key)
    entries = settings["frames"]
    if len(entries) > MOST_LAYOUTS or not all(isinstance(entry, dict) for entry in entries):
        raise place.error(f"takes 1 to {MOST_LAYOUTS} tables [[decoder.frames]]", "frames")
    type_at = settings["type_at"]
    found: dict[int, Layout] = {}
    for entry in entries:
        frame = place.under("frames").checked(FRAMES, entry)
        mark = _mark(frame, type_at, place)
        if mark in found:
            what = "length" if type_at is None else "type"
            raise place.error(
                f"{mark} stands twice; accepted: one for each {what}"
                + (", or type_at = ... where a byte tells them apart" if type_at is None else ""),
                "frames",
                what,
            )
        least = front + behind + 1 if type_at is None else max(front, type_at + 1) + behind
        found[mark] = _layout(
            frame, place.under("frames"), frame["length"] - behind, least, settings["byte_order"]
        )
    every = tuple(sorted(found.values(), key=lambda layout: layout.length))
    if not any(layout.parts for layout in every):
        raise place.error("needs at least one name in a layout", "frames")
    ignored = frozenset(_marks(settings["ignore"], place))
    if twice := sorted(ignored & found.keys()):
        raise place.error(f"{twice[0]} is described in [[decoder.frames]] as well", "ignore")
    return Layouts(every, type_at, None if type_at is None else found, ignored)


def _mark(frame: Mapping[str, Any], type_at: int | None, place: Place) -> int:
    """Return the number by which a kind of frame is told from the others."""
    if type_at is None:
        if frame["type"] is not None:
            raise place.error("needs type_at in [decoder]: where does it stand?", "frames", "type")
        return int(frame["length"])
    if frame["type"] is None:
        raise place.error("is needed in each, as type_at is set", "frames", "type")
    return int(frame["type"])


def _single(settings: Mapping[str, Any], place: Place, front: int, behind: int) -> Layouts:
    for key in ("type_at", "ignore"):
        if settings[key] not in (None, []):
            raise place.error("goes with [[decoder.frames]]", key)
    if settings["length"] is None:
        raise place.error("must be given, or several [[decoder.frames]]", "length")
    if not settings["layout"]:
        raise place.error("needs at least one name", "layout")
    least = front + behind + 1
    room = settings["length"] - behind
    return Layouts((_layout(settings, place, room, least, settings["byte_order"]),))


def _marks(entries: list[object], place: Place) -> Iterator[int]:
    for entry in entries:
        if not isinstance(entry, int) or isinstance(entry, bool) or not 0 <= entry <= 1024:
            raise place.error(f"got {entry!r}; accepted: whole numbers such as 0x30", "ignore")
        yield entry


def _layout(settings: Mapping[str, Any], place: Place, room: int, least: int, order: str) -> Layout:
    if settings["length"] < least:
        raise place.error(
            f"got {settings['length']}; start, checksum and at least one byte need more", "length"
        )
    parts = tuple(
        _part(name, entry, room, order, place) for name, entry in settings["layout"].items()
    )
    return Layout(settings["length"], parts)


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
