"""Values in CAN frames, by the compiled form of a DBC.

``ebbwatt check`` compiles a DBC (``analysis/probe/dbc.py``) into a JSON file beside it; this module
reads that file and never the DBC, so that the logger needs no library for it. A message of the link
is the identifier, big-endian with the kernel's flag for 29 bits, and the data::

    98 ff 50 11   4c 05 a4 01 02 00 ff ff
    '- 0x18FF5011 '- up to 8 bytes

Bits are counted as a DBC does: little-endian signals begin at their least significant bit, bit 0
of byte 0 first; big-endian ones at their most significant bit.
"""

from __future__ import annotations

import hashlib
import json
import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping
    from pathlib import Path

    from logger.sources.decoding import Context, Decoder, Place, Request, Value

CAN = Section(
    "decoder",
    (
        Setting("kind", "text", "can", "signals of a CAN bus, by a DBC file"),
        Setting(
            "dbc",
            "text",
            REQUIRED,
            "the DBC file, relative to this one; 'ebbwatt check' compiles it (extra ebbwatt[can]) "
            "into a file beside it, which alone the logger reads",
        ),
    ),
    "signals of a CAN bus",
)
#: The first bytes of a compiled form say what it is.
FORM = "ebbwatt/can/1"
#: What follows the name of the DBC in the name of its compiled form.
ENDING = ".json"
#: A compiled form is some hundred bytes a signal.
LONGEST_FILE = 4_000_000
#: Why a frame is refused.
TOO_SHORT = "a CAN frame shorter than its DBC says"
#: Flag of a 29-bit identifier, and the bits of both kinds (linux/can.h).
EXTENDED, EXTENDED_BITS, STANDARD_BITS = 0x80000000, 0x1FFFFFFF, 0x7FF
#: Bytes of data in a classic frame.
MOST_BYTES = 8
_FLOATS = {16: "e", 32: "f", 64: "d"}
_WORDS = "run 'ebbwatt check' on this configuration where cantools is installed"


@dataclass(frozen=True, slots=True)
class Signal:
    """One value in the frames of one identifier.

    ``identifier`` has the flag of 29 bits. ``start`` and ``length`` are in bits. ``low`` and
    ``high`` bound what the value can be; outside, the device does not know it. ``choices`` are
    names of raw values. ``page`` holds the raw values that the signal ``pages`` has where this one
    stands in the frame (multiplexed); it is empty where it always does.
    """

    name: str
    identifier: int
    start: int
    length: int
    little: bool
    signed: bool
    is_float: bool
    scale: float
    offset: float
    low: float | None
    high: float | None
    choices: Mapping[int, str]
    pages: str = ""
    page: tuple[int, ...] = ()

    def raw(self, data: bytes) -> int | float | None:
        """Return the number as it stands in the data, None where the data end before it."""
        if self.little:
            if self.start + self.length > 8 * len(data):
                return None
            bits = int.from_bytes(data, "little") >> self.start
        else:
            # A DBC counts the bits of each byte from the right: the first bit from the left.
            first = 8 * (self.start // 8) + 7 - self.start % 8
            if first + self.length > 8 * len(data):
                return None
            bits = int.from_bytes(data, "big") >> (8 * len(data) - first - self.length)
        bits &= (1 << self.length) - 1
        if self.is_float:
            packed = bits.to_bytes(self.length // 8, "big")
            (number,) = struct.unpack(f">{_FLOATS[self.length]}", packed)
            return float(number)
        if self.signed and bits >> (self.length - 1):
            return bits - (1 << self.length)
        return bits

    def value(self, data: bytes, *, words: bool) -> Value:
        """Return the value; with ``words``, the name of a raw value that has one.

        A raw value with a name is no number: without ``words`` it is not known.
        """
        raw = self.raw(data)
        if raw is None or not math.isfinite(raw):
            return None
        if raw in self.choices:
            return self.choices[int(raw)] if words else None
        number = _scaled(raw, self.scale) + self.offset
        if self.low is not None and self.high is not None and not self.low <= number <= self.high:
            return None
        return int(number) if number == raw and isinstance(raw, int) else number


def _scaled(raw: float, scale: float) -> float:
    """Multiply; by 0.01 as a division by 100, so that 1320 becomes 13.2 and not 13.2000...01."""
    parts = round(1.0 / scale) if 0.0 < abs(scale) < 1.0 else 0
    return raw / parts if parts and math.isclose(parts * scale, 1.0, rel_tol=1e-12) else raw * scale


class CanDecoder:
    """Turns one frame into the values of its signals.

    Attributes
    ----------
    words
        Signals whose raw values are named: those that tell the state.
    """

    packets = True
    requests: tuple[Request, ...] = ()
    longest = 4 + MOST_BYTES

    def __init__(self, signals: Mapping[str, Signal]) -> None:
        self.signals = signals
        self.words: frozenset[str] = frozenset()
        self._wanted: dict[int, list[Signal]] = {}
        self.want(frozenset(signals))

    def want(self, names: frozenset[str], words: frozenset[str] = frozenset()) -> None:
        """Decode these signals alone, ``words`` of them as names."""
        self.words = words
        self._wanted = {}
        for signal in self.signals.values():
            if signal.name in names:
                self._wanted.setdefault(signal.identifier, []).append(signal)

    @property
    def identifiers(self) -> tuple[int, ...]:
        """Return the identifiers of the frames in which the wanted signals stand."""
        return tuple(self._wanted)

    def page(self, frame: bytes) -> tuple[int, int | float | None]:
        """Return what tells frames apart that hold different values: identifier and page."""
        identifier = int.from_bytes(frame[:4], "big")
        pages = next((s.pages for s in self._wanted.get(identifier, ()) if s.pages), "")
        return identifier, self.signals[pages].raw(frame[4:]) if pages else None

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode one frame."""
        del context
        if not 4 <= len(data) <= self.longest:
            refused = (Refused(data, "no CAN frame"),) if data else ()
            return Step(len(data), refused)
        if not self.is_whole(data):
            return Step(len(data), (Refused(data, TOO_SHORT),))
        values: dict[str, Value] = {
            signal.name: signal.value(data[4:], words=signal.name in self.words)
            for signal in self._inside(data)
        }
        return Step(len(data), (Message(data, values),))

    def _inside(self, frame: bytes) -> list[Signal]:
        """Return the wanted signals that stand in a frame, by its identifier and page."""
        return [
            signal
            for signal in self._wanted.get(int.from_bytes(frame[:4], "big"), ())
            if not signal.pages or self.signals[signal.pages].raw(frame[4:]) in signal.page
        ]

    def is_whole(self, frame: bytes) -> bool:
        """Tell whether a frame is long enough for the wanted signals in it."""
        return all(signal.raw(frame[4:]) is not None for signal in self._inside(frame))

    def names(self) -> frozenset[str] | None:
        """Return the names of the signals."""
        return frozenset(self.signals)

    def answer_form(self, request: Request) -> Hashable | None:
        """Return None: nothing is ever asked."""
        del request
        return None


def fingerprint(dbc: bytes) -> str:
    """Return what tells one version of a DBC from another."""
    return hashlib.sha256(dbc).hexdigest()


def compiled_path(dbc: Path) -> Path:
    """Return where the compiled form of a DBC stands."""
    return dbc.with_name(dbc.name + ENDING)


def build_can(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder from its table and the compiled form of its DBC."""
    settings = place.checked(CAN, table)
    dbc = place.document.path.parent / settings["dbc"]
    compiled = compiled_path(dbc)
    try:
        with compiled.open("rb") as file:
            text = file.read(LONGEST_FILE + 1)
    except OSError as error:
        what = (
            "is not compiled yet" if isinstance(error, FileNotFoundError) else str(error.strerror)
        )
        raise place.error(f"{settings['dbc']} {what}: {_WORDS}", "dbc") from None
    try:
        print_of, signals = read_compiled(text)
    except (ValueError, KeyError, TypeError, RecursionError):
        raise place.error(f"{compiled.name} is no compiled DBC: {_WORDS}", "dbc") from None
    # A board may do without the DBC itself.
    if dbc.is_file() and fingerprint(dbc.read_bytes()) != print_of:
        raise place.error(f"{settings['dbc']} has changed since: {_WORDS}", "dbc")
    return CanDecoder(signals)


def read_compiled(text: bytes) -> tuple[str, dict[str, Signal]]:
    """Return the fingerprint of the DBC and its signals by name.

    Raises
    ------
    ValueError, KeyError, TypeError
        If it is no compiled form, or holds a signal that cannot be.
    """
    if len(text) > LONGEST_FILE:
        raise ValueError("too long")
    data = json.loads(text)
    if data["form"] != FORM:
        raise ValueError("another form")
    if not isinstance(data["signals"], dict):
        raise TypeError("no signals")
    signals = {}
    for name, given in data["signals"].items():
        choices = {int(raw): str(word) for raw, word in given.pop("choices", {}).items()}
        page = tuple(int(number) for number in given.pop("page", ()))
        signal = Signal(name=str(name), choices=choices, page=page, **given)
        _check(signal)
        signals[signal.name] = signal
    if any(signal.pages and signal.pages not in signals for signal in signals.values()):
        raise ValueError("a page without its signal")
    return str(data["fingerprint"]), signals


def _check(signal: Signal) -> None:
    whole = (signal.identifier, signal.start, signal.length)
    if any(type(number) is not int for number in whole):
        raise TypeError(signal.name)
    figures = [n for n in (signal.scale, signal.offset, signal.low, signal.high) if n is not None]
    most = EXTENDED | EXTENDED_BITS if signal.identifier & EXTENDED else STANDARD_BITS
    if (
        not all(math.isfinite(n) for n in figures)
        or not 0 <= signal.identifier <= most
        or not 0 <= signal.start < 8 * MOST_BYTES
        or not 1 <= signal.length <= 8 * MOST_BYTES
        or (signal.is_float and signal.length not in _FLOATS)
    ):
        raise ValueError(signal.name)
