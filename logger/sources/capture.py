"""Captured byte streams: the bytes of a link with their times, in a file that can be replayed.

JSON Lines. The first line is ``{"capture": 1, "began": "2026-05-03T14:05:30Z", "link": "..."}``;
each further line is ``{"at_s": 0.513, "bytes": "553d31330a"}`` with the seconds since the
beginning and the bytes as hexadecimal digits, ``"channel"`` where a radio link has several, and
``"sent": true`` for what went out.
"""

from __future__ import annotations

import json
import stat
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import IO, TYPE_CHECKING, Any

from logger.errors import RecordingError, UsageError
from logger.recordings.times import latest_s
from logger.system.output import Kind

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: Number of the format in its first line.
_VERSION = 1
#: First bytes of a capture.
_HEAD = 12


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that came (or went, if ``sent``) at one instant, Unix time."""

    time_s: float
    data: bytes
    channel: str = ""
    sent: bool = False


class CaptureWriter:
    """Writes chunks as they come; each line is complete, so a power cut costs at most the last."""

    def __init__(self, file: IO[str], began_s: float, link: str) -> None:
        self._file = file
        self._began_s = began_s
        began = datetime.fromtimestamp(began_s, UTC).isoformat().replace("+00:00", "Z")
        self._line({"capture": _VERSION, "began": began, "link": link})

    def write(self, chunk: Chunk) -> None:
        """Append one chunk."""
        line: dict[str, Any] = {
            "at_s": round(chunk.time_s - self._began_s, 4),
            "bytes": chunk.data.hex(),
        }
        if chunk.channel:
            line["channel"] = chunk.channel
        if chunk.sent:
            line["sent"] = True
        self._line(line)

    def _line(self, value: dict[str, Any]) -> None:
        self._file.write(json.dumps(value) + "\n")
        self._file.flush()


def _begins_like_one(head: bytes) -> bool:
    return head[:_HEAD].replace(b" ", b"").startswith(b'{"capture":')


CAPTURE = Kind("capture", lambda head, _: _begins_like_one(head))


def is_capture(path: Path) -> bool:
    """Tell whether the file begins like a capture.

    Raises
    ------
    UsageError
        If there is no such file.
    RecordingError
        If it cannot be read.
    """
    try:
        if not stat.S_ISREG(mode := path.stat().st_mode) and not stat.S_ISDIR(mode):
            raise RecordingError(f"{path}: is no plain file; copy what it gives into one")
        with path.open("rb") as file:
            return _begins_like_one(file.read(_HEAD))
    except FileNotFoundError:
        raise UsageError(f"{path}: there is no such file") from None
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {error.strerror or error}") from None


def read_capture(path: Path) -> Iterator[Chunk]:
    """Yield the chunks of a capture; of one that was cut, those of its whole lines.

    Raises
    ------
    RecordingError
        With the line that cannot be understood.
    """
    began_s, latest = 0.0, latest_s()
    with path.open(encoding="utf-8", errors="replace") as file:
        for number, line in enumerate(file, start=1):
            try:
                row = json.loads(line)
                if number == 1:
                    if row["capture"] != _VERSION:
                        raise RecordingError(
                            f"{path}: is a capture of version {row['capture']!r}; this program "
                            f"reads version {_VERSION}"
                        )
                    began_s = datetime.fromisoformat(row["began"]).timestamp()
                    continue
                yield _chunk(row, began_s, latest)
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
                if number > 1 and not line.endswith("\n"):
                    return  # the last line is incomplete
                raise RecordingError(
                    f"{path}, line {number}: is not a line of a capture: {error!r}"
                ) from None


def _chunk(row: dict[str, Any], began_s: float, latest: float) -> Chunk:
    time_s = began_s + float(row["at_s"])
    if not 0.0 <= time_s <= latest:
        raise ValueError("its time lies before 1970 or in the future")
    data = bytes.fromhex(row["bytes"])
    return Chunk(time_s, data, str(row.get("channel", "")), row.get("sent") is True)
