"""How probe shows bytes: as text, in hexadecimal with their places, with times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.refusals import printable

if TYPE_CHECKING:
    from pathlib import Path

#: Bytes in a row, and of one message at most.
_ROW, _MOST = 16, 96


@dataclass(frozen=True, slots=True)
class Manner:
    """What the person who probes wants to see, and where a first description goes."""

    hex: bool = False
    raw: bool = False
    verbose: bool = False
    write: Path | None = None

    @property
    def of_bytes(self) -> bool:
        """Whether it is about bytes, which not every source has."""
        return self.hex or self.raw or self.write is not None

    def bytes_words(self, data: bytes) -> str:
        """Write the bytes of a message."""
        return hex_rows(data) if self.hex else printable(data, 60)

    def traffic(self, at_s: float, data: bytes, sent: bool, since_asked_s: float) -> str:  # noqa: FBT001 - callback
        """Return a line for bytes as they pass; empty where they are shown decoded only."""
        if not (self.raw or self.verbose):
            return ""
        shown = data[:_MOST].hex(" ") if self.hex else printable(data, 240)
        if sent:
            return f"{at_s:9.3f} s  asked  {shown}"
        if not self.raw:
            return ""
        after = f"  ({since_asked_s:.3f} s after the question)" if self.verbose else ""
        return f"{at_s:9.3f} s  came   {shown}{after}"


def hex_rows(data: bytes) -> str:
    """Write bytes in hexadecimal with the place of each, from 0, below it."""
    rows = []
    for at in range(0, min(len(data), _MOST), _ROW):
        part = data[at : at + _ROW]
        rows.append("  ".join(f"{byte:02X}" for byte in part))
        rows.append(" ".join(f"{k:>3}" for k in range(at, at + len(part)))[1:])
    if len(data) > _MOST:
        rows.append(f"... {len(data)} bytes")
    return "\n".join(rows)


def quoted(word: str) -> str:
    """Write untrusted text as a key or a text of TOML 1.0, in plain ASCII."""
    pieces = []
    for c in word:
        if c in '"\\':
            pieces.append(f"\\{c}")
        elif " " <= c <= "~":
            pieces.append(c)
        else:
            pieces.append(f"\\u{ord(c):04x}" if ord(c) <= 0xFFFF else f"\\U{ord(c):08x}")
    return f'"{"".join(pieces)}"'
