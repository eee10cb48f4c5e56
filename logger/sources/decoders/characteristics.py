"""Bluetooth SIG characteristics by UUID, and custom ones by the format that the device states.

A value is called by the short UUID, such as ``2B18``; a part of a structure by UUID and part, such
as ``2BED.charging_type``; a custom characteristic by its whole UUID in lower case. What the values
mean stands in :mod:`logger.sources.decoders.sig`.
"""

from __future__ import annotations

import math
import struct
from typing import TYPE_CHECKING, Any

from logger.settings import Section, Setting, nearest
from logger.sources.decoders.sig import (
    SCALARS,
    STRUCTURES,
    TEXTS,
    Scalar,
    medfloat16,
    medfloat32,
)
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Request, Value

DECODER = Section(
    "decoder",
    (
        Setting("kind", "text", "characteristics", "Bluetooth characteristics"),
        Setting(
            "formats",
            "table",
            {},
            'formats of custom characteristics, such as "7b1d0001-..." = "uint16"',
        ),
    ),
    "values of Bluetooth characteristics; those of the SIG are known by their number",
)

#: The second half of every UUID that the SIG assigned.
BASE = "-0000-1000-8000-00805f9b34fb"


#: Formats of custom characteristics: the names of descriptor 0x2904's format codes.
FORMATS: dict[str, Scalar | str] = {
    **{f"uint{8 * n}": Scalar(n) for n in (1, 2, 3, 4)},
    **{f"sint{8 * n}": Scalar(n, signed=True) for n in (1, 2, 3, 4)},
    "float32": "<f",
    "float64": "<d",
    "medfloat16": "medfloat16",
    "medfloat32": "medfloat32",
    "utf8": "utf8",
}


def full_uuid(text: str) -> str | None:
    """Return a 16-bit or 128-bit UUID in its long lower-case form, or None if it is none."""
    plain = text.strip().lower().removeprefix("0x")
    if len(plain) == 4 and all(c in "0123456789abcdef" for c in plain):
        return f"0000{plain}{BASE}"
    parts = plain.split("-")
    good = [len(p) for p in parts] == [8, 4, 4, 4, 12]
    return plain if good and all(c in "0123456789abcdef-" for c in plain) else None


def short_name(uuid: str) -> str:
    """Return the short upper-case form of a UUID of the SIG, or the whole UUID."""
    return uuid[4:8].upper() if uuid.startswith("0000") and uuid.endswith(BASE) else uuid


class CharacteristicsDecoder:
    """Decodes whole values; each packet of the transport is one value of one characteristic."""

    packets = True
    requests: tuple[Request, ...] = ()
    longest = 512

    def __init__(self, formats: Mapping[str, str]) -> None:
        self._formats = dict(formats)

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode one value; never raises, whatever the bytes are."""
        name = short_name(context.channel)
        try:
            values = self._values(name, data)
        except (IndexError, ValueError, OverflowError, struct.error, ArithmeticError):
            refused = Refused(data, "value of a wrong length or form", f"{name}: {len(data)} bytes")
            return Step(len(data), (refused,))
        return Step(len(data), (Message(data, values),))

    def _values(self, name: str, data: bytes) -> dict[str, Value]:
        kind = self._formats.get(name)
        if kind is not None:
            return {name: by_format(kind, data)}
        scalar = SCALARS.get(name)
        if scalar is not None:
            if len(data) != scalar.size:
                raise ValueError
            return {name: scalar.decode(data)}
        if name in STRUCTURES:
            decode, _ = STRUCTURES[name]
            return {f"{name}.{part}": value for part, value in decode(data).items()}
        return {name: _text(data)} if name in TEXTS else {}

    def names(self) -> frozenset[str] | None:
        """Return every name that [fields] may use."""
        parts = {f"{name}.{part}" for name, (_, ps) in STRUCTURES.items() for part in ps}
        return frozenset({*SCALARS, *TEXTS, *parts, *self._formats})

    def answer_form(self, request: Request) -> Hashable | None:
        """Return None: the UUID names the value."""
        del request
        return None


def _text(data: bytes) -> str:
    return data.decode("utf-8", errors="backslashreplace")


def by_format(form: str, data: bytes) -> Value:
    """Return the value of a custom characteristic; ``form`` is a name of :data:`FORMATS`.

    Raises
    ------
    ValueError, struct.error
        If the bytes are too few or too many.
    """
    kind = FORMATS[form]
    if isinstance(kind, Scalar):
        if len(data) != kind.size:
            raise ValueError
        value = kind.decode(data)
        return None if value is None else int(value)
    if kind == "utf8":
        return _text(data)
    if kind in {"medfloat16", "medfloat32"}:
        if len(data) != (2 if kind == "medfloat16" else 4):
            raise ValueError
        return medfloat16(data) if kind == "medfloat16" else medfloat32(data)
    number: float = struct.unpack(kind, data)[0]
    return number if math.isfinite(number) else None


def build_characteristics(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder from its table."""
    settings = place.checked(DECODER, table)
    formats: dict[str, str] = {}
    for uuid, kind in settings["formats"].items():
        full = full_uuid(uuid)
        if full is None:
            raise place.error("is no UUID: four or 32 hexadecimal digits", "formats", uuid)
        if not isinstance(kind, str) or kind not in FORMATS:
            hint = nearest(str(kind), list(FORMATS))
            accepted = ", ".join(FORMATS)
            raise place.error(f"got {kind!r}{hint}; accepted: {accepted}", "formats", uuid)
        formats[short_name(full)] = kind
    return CharacteristicsDecoder(formats)


def uuid_of(name: str) -> str | None:
    """Return the UUID of the characteristic that a name of [fields] belongs to."""
    return full_uuid(name.partition(".")[0])
