"""Opens recordings as lines of UTF-8, whatever they come as, within bounds of memory.

Compressed files are known by their first bytes, as are those that are no text at all. UTF-16 and
UTF-32, a byte order mark and the line ends of any system are recognised. A line may be long, a
compressed file may unfold to more than any disk: each has a limit, and the error names the key in
[limits] that raises it.
"""

from __future__ import annotations

import codecs
import contextlib
import functools
import gzip
import io
import re
import stat
import zlib
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Self, cast

from logger.errors import RecordingError
from logger.recordings.limits import Limits

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from types import TracebackType

#: Bytes that are read and unpacked at a time.
_CHUNK = 256 * 1024
#: Text that is looked at to tell what a file is.
HEAD = 64 * 1024
_GZIP = b"\x1f\x8b"
#: Stands in place of a line beyond the limit; no text holds it.
_TOO_LONG = b"\0\0line is longer than the limit\0\0"
#: Files that are no recordings, by their first bytes, and what to do. Sources: parquet-format
#: README; sqlite.org/fileformat2.html; APPNOTE 4.3.7 (ZIP); RFC 8878 (zstd); the xz and bzip2
#: format descriptions; ISO 32000 (PDF); MS-CFB (files of older spreadsheets).
_FOREIGN = (
    (b"PAR1", "a Parquet file; unpack it first if it is packed, or convert it into CSV"),
    (b"SQLite format 3\0", "a database, not a recording"),
    (b"PK\x03\x04", "a ZIP archive or a spreadsheet; unpack it, or save the sheet as CSV"),
    (b"BZh", "compressed with bzip2; unpack it first (only gzip is unpacked here)"),
    (b"\xfd7zXZ\0", "compressed with xz; unpack it first (only gzip is unpacked here)"),
    (b"\x28\xb5\x2f\xfd", "compressed with zstd; unpack it first (only gzip is unpacked here)"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or document; save the sheet as CSV"),
    (b"%PDF", "a PDF document"),
)
#: Byte order marks, longest first (Unicode Standard, section 23.8).
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_JSON_LINES = (".jsonl", ".ndjson")
#: Control characters that no text has many of.
_CONTROLS = bytes({*range(32)} - set(b"\t\n\r\f\v"))
_DECIMAL_COMMA = re.compile(rb"[0-9],[0-9]")


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a file is written."""

    json: bool = False
    """One object a line, not columns."""
    delimiter: str = ","
    decimal: str = "."


def beyond_unpacked(path: Path, limits: Limits) -> str:
    """Say that a file unpacks to more than is taken."""
    return (
        f"{path}: unpacks to more than {limits.largest_unpacked_mb} MB; if that is right, raise "
        f"largest_unpacked_mb in [limits]"
    )


class RecordedFile:
    """The lines of one file; a context manager.

    Raises
    ------
    RecordingError
        On entering and while reading, if it is missing, unreadable, no text, or beyond the limits.

    Attributes
    ----------
    head
        The beginning of the text, :data:`HEAD` bytes or what there is.
    """

    def __init__(self, path: Path, limits: Limits | None = None) -> None:
        self.path = path
        self.limits = limits or Limits()
        self.head = b""
        self._files = contextlib.ExitStack()
        self._file: IO[bytes] = io.BytesIO()
        self._packed = False
        self._decoder: codecs.IncrementalDecoder | None = None
        self._held = b""
        """Text that was read and not given yet."""
        self._ended = self._skipping = False
        self._unpacked = 0

    def __enter__(self) -> Self:
        """Open the file and look at its beginning."""
        try:
            self._open()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None = None,
        error: BaseException | None = None,
        trace: TracebackType | None = None,
    ) -> None:
        """Close the file."""
        self._files.close()

    @functools.cached_property
    def dialect(self) -> Dialect:
        """How the file is written, by its name and its beginning.

        Raises
        ------
        RecordingError
            If it is no lines of text.
        """
        return _dialect(self.path, self.head)

    def whole(self, most: int) -> bytes:
        """Return the whole text as one piece, however long its lines are.

        Call it instead of :meth:`pieces`, with a limit of the lines that is not below ``most``.

        Raises
        ------
        ValueError
            If it is longer than ``most`` bytes; no more than these are read.
        """
        self._fill(most + 1)
        if len(self._held) > most:
            raise ValueError(f"longer than {most:,} bytes")
        return self._held

    def pieces(self, size: int) -> Iterator[bytes]:
        """Yield whole lines, about ``size`` bytes at a time; the last may lack its end."""
        while True:
            self._fill(size)
            if not self._held:
                return
            cut = len(self._held) if self._ended else self._held.rfind(b"\n") + 1
            if not cut:
                # Not one line in so much: the limit of a line is larger than a piece.
                size = len(self._held) + _CHUNK
                continue
            piece, self._held = self._held[:cut], self._held[cut:]
            yield self._shortened(piece)

    def lines(self) -> Iterator[str | None]:
        """Yield each line with its end; None for one that is longer than the limit."""
        for piece in self.pieces(_CHUNK):
            yield from text_lines(piece)

    def too_long(self) -> str:
        """Say of a line that it is longer than the limit."""
        return f"is longer than {self.limits.longest_line_kb} kB (longest_line_kb in [limits])"

    def _open(self) -> None:
        try:
            if not stat.S_ISREG(self.path.stat().st_mode):
                raise RecordingError(f"{self.path}: is no plain file; copy what it gives into one")
            self._file = self._files.enter_context(self.path.open("rb"))
            begins = self._file.read(len(_GZIP))
            self._file.seek(0)
            if begins != _GZIP and self.path.suffix == ".gz":
                raise RecordingError(f"{self.path}: cannot be read: Not a gzipped file")
            if begins == _GZIP:
                self._packed = True
                packed = gzip.GzipFile(fileobj=self._file, mode="rb")
                self._file = cast("IO[bytes]", self._files.enter_context(packed))
        except FileNotFoundError:
            raise RecordingError(f"{self.path}: there is no such file") from None
        except OSError as error:
            raise RecordingError(
                f"{self.path}: cannot be read: {error.strerror or error}"
            ) from None
        raw = self._raw(HEAD)
        for magic, what in _FOREIGN:
            if raw.startswith(magic):
                raise RecordingError(f"{self.path}: is {what}")
        encoding, mark = _encoding(raw)
        if encoding != "utf-8":
            self._decoder = codecs.getincrementaldecoder(encoding)("replace")
        self._take(raw[mark:])
        self._fill(HEAD)
        self.head = self._held[:HEAD]

    def _raw(self, size: int) -> bytes:
        """Return the next bytes of the unpacked file; none at its end."""
        try:
            raw = self._file.read(size)
        except (OSError, EOFError, zlib.error) as error:
            raise RecordingError(f"{self.path}: cannot be read: {error}") from None
        self._unpacked += len(raw)
        if self._packed and self._unpacked > self.limits.largest_unpacked_mb * 1_000_000:
            raise RecordingError(beyond_unpacked(self.path, self.limits))
        return raw

    def _fill(self, size: int) -> None:
        """Read until ``size`` bytes of text are held, or the file ends."""
        while len(self._held) < size and not self._ended:
            self._take(self._raw(_CHUNK))

    def _take(self, raw: bytes) -> None:
        """Hold more text: UTF-8 with plain line ends, no line much longer than its limit."""
        self._ended = not raw
        if self._decoder is not None:
            raw = self._decoder.decode(raw, final=self._ended).encode("utf-8", "replace")
        # A carriage return at the end may be half of a line end.
        if self._held.endswith(b"\r"):
            self._held, raw = self._held[:-1], b"\r" + raw
        if b"\r" in raw:
            half = raw.endswith(b"\r") and not self._ended
            raw = raw[:-1] if half else raw
            raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n") + (b"\r" if half else b"")
        if self._skipping:
            end = raw.find(b"\n")
            if end < 0:
                return
            self._skipping, raw = False, raw[end:]
        self._held += raw
        begins = self._held.rfind(b"\n") + 1
        if len(self._held) - begins > self.limits.longest_line_kb * 1000:
            # Whatever comes up to its end is not kept.
            self._held, self._skipping = self._held[:begins] + _TOO_LONG, True

    def _shortened(self, piece: bytes) -> bytes:
        longest = self.limits.longest_line_kb * 1000
        if not _has_longer_line(piece, longest):
            return piece
        lines = piece.split(b"\n")
        return b"\n".join(_TOO_LONG if len(line) > longest else line for line in lines)


def _has_longer_line(piece: bytes, longest: int) -> bool:
    """Tell whether a line is longer; few line ends are looked at."""
    begins = 0
    while len(piece) - begins > longest:
        end = piece.rfind(b"\n", begins, begins + longest + 1)
        if end < 0:
            return True
        begins = end + 1
    return False


def text_lines(piece: bytes) -> Iterator[str | None]:
    """Yield the lines of a piece with their ends; None for one that is longer than the limit."""
    lines = piece.split(b"\n")
    if not lines[-1]:
        lines.pop()
    for line in lines:
        if line == _TOO_LONG:
            yield None
        else:
            yield line.decode("utf-8", "replace").replace("\0", "\ufffd") + "\n"


def _encoding(raw: bytes) -> tuple[str, int]:
    """Return the encoding of a text by its first bytes, and the length of its byte order mark."""
    for mark, encoding in _MARKS:
        if raw.startswith(mark):
            return encoding, len(mark)
    # Headers are of letters below U+0100: every second byte of their UTF-16 is zero.
    even, odd = raw[0:64:2], raw[1:64:2]
    if len(odd) > 4 and not any(odd) and all(even):
        return "utf-16-le", 0
    if len(odd) > 4 and not any(even) and all(odd):
        return "utf-16-be", 0
    return "utf-8", 0


def _dialect(path: Path, head: bytes) -> Dialect:
    """Tell how a file is written from its name and beginning.

    Raises
    ------
    RecordingError
        If it is no lines of text.
    """
    name, begins = path.name.removesuffix(".gz"), head.lstrip()[:1]
    if begins == b"[" and not name.endswith(_JSON_LINES):
        raise RecordingError(f"{path}: is one JSON list; write one object a line instead")
    if begins == b"{" or name.endswith((*_JSON_LINES, ".json")):
        return Dialect(json=True)
    header, _, rows = head.partition(b"\n")
    if _TOO_LONG not in header and len(header.translate(None, _CONTROLS)) < 0.9 * len(header):
        raise RecordingError(f"{path}: is no text; a recording is CSV or JSON Lines")
    for delimiter in (b";", b"\t"):
        if delimiter in header and b"," not in header:
            comma = _DECIMAL_COMMA.search(rows) is not None
            return Dialect(delimiter=delimiter.decode(), decimal="," if comma else ".")
    return Dialect()
