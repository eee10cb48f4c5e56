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
import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.refusals import one_line
from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping
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
#: No scale and no offset is larger; with it, a value of 64 bits is still a finite number.
MOST_FIGURE = 1e100
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
    page: frozenset[int] = frozenset()

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

    def page(self, frame: bytes) -> tuple[int, int | float | None] | None:
        """Return what tells frames apart that hold different wanted values: identifier and page.

        None where a frame holds none. There are no more of them than the DBC has pages with wanted
        signals, whatever comes.
        """
        inside = self._inside(frame)
        if not inside:
            return None
        pages = next((s.pages for s in inside if s.pages), "")
        page = self.signals[pages].raw(frame[4:]) if pages else None
        return int.from_bytes(frame[:4], "big"), page

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
        """Tell whether a frame is long enough for the wanted signals in it, and their page."""
        data, wanted = frame[4:], self._wanted.get(int.from_bytes(frame[:4], "big"), ())
        return all(
            self.signals[signal.pages].raw(data) is not None for signal in wanted if signal.pages
        ) and all(signal.raw(data) is not None for signal in self._inside(frame))

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
    except ValueError as error:
        raise place.error(f"{compiled.name} is no compiled DBC: {error}; {_WORDS}", "dbc") from None
    # A board may do without the DBC itself.
    try:
        content = dbc.read_bytes() if dbc.is_file() else None
    except OSError as error:
        raise place.error(f"{settings['dbc']} {error.strerror}: {_WORDS}", "dbc") from None
    if content is not None and fingerprint(content) != print_of:
        raise place.error(f"{settings['dbc']} has changed since: {_WORDS}", "dbc")
    return CanDecoder(signals)


def read_compiled(text: bytes) -> tuple[str, dict[str, Signal]]:
    """Return the fingerprint of the DBC and its signals by name.

    Raises
    ------
    ValueError
        If it is no compiled form, or holds a signal that cannot be; it says what is wrong.
    """
    if len(text) > LONGEST_FILE:
        raise ValueError(f"it is longer than {LONGEST_FILE:,} bytes")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("it is no JSON") from None
    if not isinstance(data, dict) or data.get("form") != FORM:
        raise ValueError(f"it does not say that it is {FORM}")
    print_of, tables = data.get("fingerprint"), data.get("signals")
    if not isinstance(print_of, str):
        raise ValueError("it has no fingerprint of its DBC")  # noqa: TRY004 - one kind of error
    if not isinstance(tables, dict):
        raise ValueError("it has no signals")  # noqa: TRY004
    signals = {name: _signal(name, table) for name, table in tables.items()}
    for signal in signals.values():
        if signal.pages and signal.pages not in signals:
            raise _wrong(signal.name, "pages")
    return print_of, signals


def _wrong(name: str, key: str) -> ValueError:
    return ValueError(f"signal {one_line(name, 60)}: {key} cannot be")


def _signal(name: str, table: object) -> Signal:
    """Check the table of one signal."""
    if not isinstance(table, dict):
        raise ValueError(f"signal {one_line(name, 60)} is no table")  # noqa: TRY004
    for key in {**dict.fromkeys(table), **_KEYS}:
        if key not in _KEYS or not _KEYS[key](table.get(key, _ABSENT.get(key, _MISSING))):
            raise _wrong(name, key)
    signal = Signal(
        name=name,
        **{
            **table,
            "choices": {int(raw): word for raw, word in table.get("choices", {}).items()},
            "page": frozenset(table.get("page", ())),
        },
    )
    most = EXTENDED | EXTENDED_BITS if signal.identifier & EXTENDED else STANDARD_BITS
    if signal.identifier > most:
        raise _wrong(name, "identifier")
    # A signal that does not end within the longest frame would never be seen.
    if (signal.is_float and signal.length not in _FLOATS) or signal.raw(bytes(MOST_BYTES)) is None:
        raise _wrong(name, "length")
    return signal


def _whole(low: int, high: int) -> Callable[[object], bool]:
    return lambda value: type(value) is int and low <= value <= high


def _flag(value: object) -> bool:
    return isinstance(value, bool)


def _figure(value: object) -> bool:
    """Tell whether it is a number with which a raw value can be multiplied without overflow."""
    return type(value) in {int, float} and abs(value) <= MOST_FIGURE  # type: ignore[arg-type]


def _scale(value: object) -> bool:
    # One that is too small cannot be turned into a division.
    return _figure(value) and (value == 0 or abs(value) >= 1.0 / MOST_FIGURE)  # type: ignore[arg-type]


def _bound(value: object) -> bool:
    return (
        value is None
        or (type(value) is int and abs(value) < 1 << 1000)
        or (type(value) is float and math.isfinite(value))
    )


def _choices(value: object) -> bool:
    return isinstance(value, dict) and all(
        _RAW.fullmatch(raw) and isinstance(word, str) for raw, word in value.items()
    )


def _page(value: object) -> bool:
    return isinstance(value, list) and all(map(_whole(0, 1 << 64), value))


_MISSING = object()
#: What stands for a key that may be left out.
_ABSENT: Mapping[str, object] = {"choices": {}, "pages": "", "page": []}
_RAW = re.compile(r"-?[0-9]{1,20}", re.ASCII)
#: The keys of a signal, each with what tells whether a value can be.
_KEYS: Mapping[str, Callable[[object], bool]] = {
    "identifier": _whole(0, EXTENDED | EXTENDED_BITS),
    "start": _whole(0, 8 * MOST_BYTES - 1),
    "length": _whole(1, 8 * MOST_BYTES),
    "little": _flag,
    "signed": _flag,
    "is_float": _flag,
    "scale": _scale,
    "offset": _figure,
    "low": _bound,
    "high": _bound,
    "choices": _choices,
    "pages": lambda value: isinstance(value, str),
    "page": _page,
}
