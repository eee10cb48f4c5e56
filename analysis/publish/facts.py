"""The facts that are published: the newest reading if it is current, and the assessment."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from logger.system.snapshot import STALE_AFTER_S, boot_id, boottime_s, read_snapshot

if TYPE_CHECKING:
    from pathlib import Path

    from logger.reading import Reading
    from logger.system.snapshot import Snapshot

SCHEMA = "ebbwatt/assessment/1"
#: Largest assessment document: it has a few kilobytes, so a larger file is something else.
LARGEST_BYTES = 1_000_000
VERDICTS = ("sound", "plan", "replace", "undetermined")


@dataclass(frozen=True, slots=True)
class Facts:
    """One round of what is known.

    ``reading`` is None unless it speaks for now: the logger runs, its link is live, and the
    snapshot is fresh. ``document`` is the assessment document, None where there is none.
    """

    label: str
    snapshot: Snapshot | None
    reading: Reading | None
    reading_s: float | None
    """Unix time of the newest reading, also where it is old."""
    document: dict[str, Any] | None

    @property
    def live(self) -> bool:
        """Whether the values are current."""
        return self.reading is not None


def gather(label: str, snapshot_file: Path, document_file: Path) -> Facts:
    """Read snapshot and document; leave out what is missing, stale or cannot be read."""
    snapshot = read_snapshot(snapshot_file)
    age_s = None if snapshot is None else snapshot.age_s(boottime_s(), boot_id())
    fresh = age_s is not None and 0.0 <= age_s < STALE_AFTER_S
    reading = reading_s = None
    if snapshot is not None and snapshot.reading is not None:
        reading_s = snapshot.written_s - (snapshot.reading_age_s or 0.0)
        if fresh and snapshot.link == "live":
            reading = snapshot.reading
    return Facts(label, snapshot, reading, reading_s, read_assessment(document_file))


def read_assessment(path: Path) -> dict[str, Any] | None:
    """Return the assessment document, or None if there is none or it cannot be understood."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
        document = json.loads(data) if len(data) <= LARGEST_BYTES else None
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(document, dict) or document.get("schema") != SCHEMA:
        return None
    if document.get("verdict") not in VERDICTS:
        return None
    return document


def number(document: dict[str, Any] | None, *keys: str) -> float | None:
    """Return a number of the document, or None where it holds none.

    >>> number({"output": {"fraction": 0.64}}, "output", "fraction")
    0.64
    """
    value: Any = document
    for key in keys:
        value = value.get(key) if isinstance(value, dict) else None
    good = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if good and abs(value) < 1e15 else None


def moment(document: dict[str, Any] | None, *keys: str) -> float | None:
    """Return a time of the document as Unix time, or None where it holds none."""
    value: Any = document
    for key in keys:
        value = value.get(key) if isinstance(value, dict) else None
    try:
        return datetime.fromisoformat(value).timestamp() if isinstance(value, str) else None
    except (ValueError, OverflowError):
        return None


def iso_ms(time_s: float) -> str:
    """Return a Unix time as ISO 8601 in UTC, to the millisecond."""
    text = datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")
