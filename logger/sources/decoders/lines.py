"""Cuts a byte stream into lines, and checks the checksum that a line may end with."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.refusals import shown
from logger.settings import Setting
from logger.sources.decoders.checksum_setting import parse_checksum
from logger.sources.decoders.checksums import CHECKSUMS, Checksum, checksum_hex
from logger.sources.decoding import Message, Refused, Step, Value, can_write

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from logger.sources.decoding import Context, Place, Request

#: Line noise that shows up as whole bytes when a plug goes in or the speed is wrong.
NOISE = b"\x00\xff"

#: How text may be encoded: codecs of Python in which a byte below 0x80 is ASCII and a line end is
#: one byte. The code pages are those that small devices of western Europe and America use (common
#: practice, no source).
ENCODINGS = ("utf-8", "latin-1", "cp1252", "iso8859-15", "cp437", "cp850")
ENCODING = Setting(
    "encoding",
    "text",
    "utf-8",
    "how the device writes letters and signs that are not ASCII, such as ä and °: one of "
    f"{', '.join(ENCODINGS)}. Words and names in the description are written as one reads them; a "
    r"byte that is no text in this encoding stands in a value as \xe4",
)
LINE_SETTINGS = (
    Setting("line_limit", "whole", 512, "longest line; longer ones are dropped", "byte", 16, 65536),
    Setting("terminator", "text", "", "what ends a line; CR, LF or both if left empty", wire=True),
    Setting(
        "checksum", "name or table", "none", "checksum at the end of a line", choices=CHECKSUMS
    ),
    Setting("checksum_mark", "text", "*", "what stands between the text and its checksum"),
    ENCODING,
)


@dataclass(frozen=True, slots=True)
class Cut:
    """Lines found in a buffer: each with the offset at which it begins."""

    lines: tuple[tuple[bytes, int], ...]
    used: int
    refused: tuple[Refused, ...]
    in_sync: bool


@dataclass(frozen=True, slots=True)
class LineCutter:
    """How lines are ended and how long they may be."""

    limit: int
    terminator: bytes
    ending: re.Pattern[bytes]

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> LineCutter:
        """Make a cutter from checked :data:`LINE_SETTINGS`."""
        terminator = settings["terminator"].encode(settings["encoding"])
        return cls(
            settings["line_limit"],
            terminator,
            re.compile(re.escape(terminator)) if terminator else re.compile(rb"[\r\n]"),
        )

    def cut(self, data: bytes, *, in_sync: bool) -> Cut:
        """Return the complete lines in ``data``.

        Out of step, everything up to the first terminator is dropped: half a number reads like a
        number. A line that does not end within the limit is dropped up to its terminator.
        """
        lines: list[tuple[bytes, int]] = []
        refused: list[Refused] = []
        start = 0
        for match in self.ending.finditer(data):
            line, begin = data[start : match.start()], start
            start = match.end()
            if not in_sync:
                in_sync = True
            elif len(line) > self.limit:
                refused.append(self._overlong(line))
            elif stripped := line.strip(NOISE + b" \t\r\n"):
                lines.append((stripped, begin))
        rest = len(data) - start
        if rest > self.limit:
            if in_sync:
                refused.append(self._overlong(data[start:]))
            # A terminator of several bytes may be arriving: its beginning is not thrown away.
            return Cut(tuple(lines), len(data) - self._partial(data), tuple(refused), in_sync=False)
        return Cut(tuple(lines), start, tuple(refused), in_sync)

    def _partial(self, data: bytes) -> int:
        """Return how many last bytes may be the beginning of the terminator."""
        for length in range(len(self.terminator) - 1, 0, -1):
            if data.endswith(self.terminator[:length]):
                return length
        return 0

    def _overlong(self, line: bytes) -> Refused:
        return Refused(line[:256], "no end of line", f"none within {self.limit} bytes")


class LineDecoder:
    """Base of the decoders that read one line at a time; a subclass gives meaning to the text.

    Attributes
    ----------
    packets
        False: lines may be spread over packets, or several stand in one.
    """

    packets = False
    requests: tuple[Request, ...] = ()

    def __init__(self, settings: Mapping[str, Any]) -> None:
        self.longest: int = settings["line_limit"] + 256
        self.cutter = LineCutter.of(settings)
        self.checksum: Checksum = settings["checksum"]
        self.encoding: str = settings["encoding"]
        self.mark: bytes = settings["checksum_mark"].encode(self.encoding)

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode every complete line."""
        cut = self.cutter.cut(data, in_sync=context.in_sync)
        items: list[Message | Refused] = [*cut.refused]
        for line, _ in cut.lines:
            try:
                items.append(Message(line, self.values(self.text(line), context)))
            except LineError as error:
                items.append(Refused(line, error.reason, error.detail))
        return Step(cut.used, tuple(items), cut.in_sync)

    def text(self, line: bytes) -> str:
        """Check and cut off the checksum, and return the rest as text that always decodes."""
        if self.checksum != "none":
            line = checked_line(line, self.checksum, self.mark)
        return line.decode(self.encoding, errors="backslashreplace")

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the named values in a line, or raise LineError.

        ``text`` has neither blanks nor line ends at its ends.
        """
        raise NotImplementedError

    def names(self) -> frozenset[str] | None:
        """Return the names that messages may carry: whatever the device sends."""
        return None

    def answer_form(self, request: Request) -> Hashable | None:
        """Return None: the text of a line names its values."""
        del request
        return None


class LineError(Exception):
    """A line does not decode; ``reason`` is one of a few fixed texts."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.detail = detail


def checked_line(line: bytes, checksum: Checksum, mark: bytes) -> bytes:
    """Return a line without its hexadecimal checksum.

    Raises
    ------
    LineError
        If the checksum is missing or wrong.
    """
    body, found, given = line.rpartition(mark)
    if not found:
        raise LineError("no checksum", f"no {mark.decode(errors='backslashreplace')!r} in the line")
    expected = checksum_hex(checksum, body)
    if given.strip().upper() != expected.encode():
        text = given[:16].decode("ascii", errors="backslashreplace")
        raise LineError("wrong checksum", f"got {text!r}, the text gives {expected!r}")
    return body


def check_lines(settings: dict[str, Any], place: Place) -> None:
    """Check the settings of lines, and put the CRC of a table into its place.

    Raises
    ------
    ConfigError
        For settings that cannot work.
    """
    settings["checksum"] = parse_checksum(settings["checksum"], place)
    check_encoding(settings, place)
    for key in ("terminator", "checksum_mark"):
        if not can_write(settings[key], settings["encoding"]):
            raise place.error(f"no text in {settings['encoding']} holds {settings[key]!r}", key)
    if settings["checksum"] != "none" and not settings["checksum_mark"]:
        raise place.error("must not be empty where a checksum is used", "checksum_mark")


def check_encoding(settings: Mapping[str, Any], place: Place) -> None:
    """Raise ConfigError for an encoding that is not accepted; Python's other names of it are."""
    given = settings["encoding"]
    try:
        known = codecs.lookup(given).name in {codecs.lookup(name).name for name in ENCODINGS}
    except (LookupError, ValueError):
        known = False
    if not known:
        raise place.error(
            f"got {shown(given)}; accepted: one of {', '.join(ENCODINGS)}", "encoding"
        )
