"""Transducer sentences (XDR) of NMEA 0183, with their checksum.

A sentence holds groups of four fields: type, value, unit, name. A value is called by type and name,
such as ``U:Battery#1``, since one name may stand for a voltage and a current.
"""

from __future__ import annotations

from functools import reduce
from operator import xor
from typing import TYPE_CHECKING, Any

from logger.settings import Section, Setting
from logger.sources.decoders.lines import (
    ENCODING,
    LINE_SETTINGS,
    LineDecoder,
    LineError,
    check_encoding,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.sources.decoding import Context, Decoder, Place, Value

XDR = Section(
    "decoder",
    (
        Setting("kind", "text", "xdr", "XDR sentences of NMEA 0183"),
        Setting(
            "checksum",
            "text",
            "required",
            "whether a sentence must end with its checksum",
            choices=("required", "optional", "none"),
        ),
        Setting("talker", "text", "", "take only sentences of this talker, such as II; all if ''"),
        ENCODING,
    ),
    "sentences such as $IIXDR,U,13.52,V,Battery#1,I,4.20,A,Battery#1*76",
)

#: Units by transducer type (NMEA's "Update to XDR Sentence", 2019). A value in another unit is
#: refused; types that are not listed, and empty unit fields, pass.
UNITS = {
    "C": ("C",),
    "U": ("V",),
    "I": ("A",),
    "V": ("M",),
    "T": ("R",),
    "F": ("H",),
    "H": ("P",),
    "P": ("B", "P"),
}


class XdrDecoder(LineDecoder):
    """Reads XDR sentences; other valid sentences are messages without values."""

    def __init__(self, settings: Mapping[str, Any]) -> None:
        lines = {setting.key: setting.default for setting in LINE_SETTINGS}
        super().__init__(lines | {"encoding": settings["encoding"]})
        self.policy: str = settings["checksum"]
        self.talker: str = settings["talker"]

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the transducer values of a sentence."""
        del context
        start = text.rfind("$")
        if start < 0:
            raise LineError("not a sentence", "no $ in the line")
        body = self._checked(text[start + 1 :])
        address, *fields = body.split(",")
        if address[2:] != "XDR" or (self.talker and address[:2] != self.talker):
            return {}
        if not fields or len(fields) % 4:
            raise LineError("wrong number of fields", f"{len(fields)} is not a multiple of four")
        found: dict[str, Value] = {}
        for kind, value, unit, name in zip(*(iter(fields),) * 4, strict=True):
            if unit and unit not in UNITS.get(kind, (unit,)):
                raise LineError("wrong unit", f"{kind} in {unit}")
            key = f"{kind}:{name}"
            if key in found:
                raise LineError("a key stands twice", key)
            found[key] = value
        return found

    def _checked(self, sentence: str) -> str:
        body, mark, given = sentence.partition("*")
        if self.policy == "none":
            return body
        if not mark:
            if self.policy == "required":
                raise LineError("no checksum", "no '*' in the sentence")
            return body
        expected = f"{reduce(xor, body.encode(self.encoding, 'replace'), 0):02X}"
        if given.strip().upper() != expected:
            raise LineError("wrong checksum", f"got {given[:8]!r}, the text gives {expected!r}")
        return body


def build_xdr(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder of XDR sentences from its table."""
    settings = place.checked(XDR, table)
    check_encoding(settings, place)
    if len(settings["talker"]) not in {0, 2}:
        raise place.error("takes two letters such as II, or nothing", "talker")
    return XdrDecoder(settings)
