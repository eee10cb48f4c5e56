"""Takes recordings into the log: what is new goes in, what is there already is left alone."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.condense import BulkCondenser
from analysis.transfer.cover import Cover
from analysis.transfer.read_blocks import BulkRecording, plausible
from analysis.transfer.series.recording import series_recording
from logger import __version__
from logger.errors import EbbwattError
from logger.refusals import Refusals, printable
from logger.sources.spacing import wrong_words
from logger.store.file_format.carried import carry
from logger.store.reader import Reader
from logger.store.records import SessionStart, write_import

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from logger.config import Config
    from logger.recording import BadRow

    Row = tuple[int | None, ...]


@dataclass(slots=True)
class FileResult:
    """What became of one file."""

    path: Path
    readings: int = 0
    """Readings that were new."""
    known: int = 0
    """Readings that the log held already."""
    intervals: int = 0
    bad: list[BadRow] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)
    implausible: dict[str, int] = field(default_factory=dict)
    samples: dict[str, str] = field(default_factory=dict)
    """The first value refused for each reason in ``implausible``."""
    rows: int = 0
    """Rows of the file, refused ones included."""
    alone: int = 0
    """New readings with a gap on either side: nothing can be added up over them."""
    usual_s: float | None = None
    """Usual spacing of the readings, s; None where they are too few."""
    spacing_words: str = ""
    """What is wrong with the settings of spacing; empty where they fit."""
    words: dict[str, int] = field(default_factory=dict)
    """State words that are none of ours; the readings went in without a state."""

    @property
    def usable(self) -> bool:
        """Whether the log holds anything of this file that can be judged.

        Of one or two readings nobody expects a sum; many that all stand alone are a lost season.
        """
        return self.known > 0 or self.readings > (self.alone if self.alone > 2 else 0)


class Importer:
    """Imports recordings into one fitting's log, the configured one.

    Files that follow one another without a gap are condensed as one stream. Each file's rows are
    written in one transaction when it has been read to its end, so a failure leaves the files
    before it complete and nothing of the failed one.
    """

    def __init__(self, config: Config) -> None:
        self._config = config
        self._path = config.store.path
        self._cover = load_cover(config)
        self._condenser = BulkCondenser(config.log, self._cover)
        self._mark = self._condenser.mark()
        self._last: SessionStart | None = None
        self._number: int | None = None

    def take(self, path: Path, progress: Callable[[int], None] = lambda _: None) -> FileResult:
        """Import one recording; ``progress`` is told of each lot of readings taken.

        Raises
        ------
        RecordingError
            If it cannot be read at all.
        StoreError
            If the database cannot be written.
        """
        self._mark = self._condenser.mark()
        try:
            return self._take(path, progress)
        except EbbwattError:
            self._condenser.rewind(self._mark)
            raise

    def _take(self, path: Path, progress: Callable[[int], None]) -> FileResult:
        result = FileResult(path)
        recording = series_recording(path, self._config) or BulkRecording(path)
        refusals = Refusals()
        rows: list[Row] = []
        seen = 0
        used_before = self._condenser.readings_used
        first_s: float | None = None
        last_s = 0.0
        for raw in recording:
            block = plausible(raw, self._config.plausible, refusals)
            seen += len(block)
            result.rows += len(raw)
            if not len(block):
                continue
            if first_s is None:
                first_s = float(block.time_s[0])
                if (end_s := self._condenser.last_s) is not None and first_s <= end_s:
                    self.finish()
                    self._mark = self._condenser.mark()
            last_s = float(block.time_s[-1])
            rows += self._condenser.add(block)
            progress(len(block))
        result.readings = self._condenser.readings_used - used_before
        result.known = seen - result.readings
        result.bad, result.unknown = recording.bad, recording.unknown
        result.implausible, result.samples = dict(refusals.by_reason), dict(refusals.samples)
        result.rows += len(recording.bad)
        result.words = dict(recording.words)
        result.intervals = len(rows)
        result.alone = sum(row[1] == 0 for row in rows) + self._condenser.open_alone
        result.usual_s = self._condenser.spacing.usual_s
        result.spacing_words = wrong_words(self._config.log, *self._condenser.spacing.each_s)
        spacing_s = result.usual_s or self._config.log.interval_s
        session = SessionStart(
            source=f"import {path.name}",
            started_s=0.0 if first_s is None else first_s,
            digest=_digest(path),
            version=__version__,
            configuration=carry(self._config.document.data),
        )
        refused = len(recording.bad) + refusals.total
        notes: list[tuple[float, str, float | None, str]] = (
            [
                (
                    last_s,
                    "refused",
                    refused * spacing_s,
                    f"{path.name}: {refused} rows or values",
                )
            ]
            if refused and result.readings
            else []
        )
        if result.readings:
            notes += [
                (last_s, "state_word", float(count), printable(word))
                for word, count in result.words.items()
            ]
            self._last, self._number = session, None
        self._write(rows, notes)
        return result

    def finish(self) -> int:
        """Close the open interval, write it, and return how many intervals that made (0 or 1)."""
        rows = self._condenser.flush()
        self._write(rows)
        self._condenser.cover = self._cover
        return len(rows)

    def _write(
        self, rows: list[Row], notes: Sequence[tuple[float, str, float | None, str]] = ()
    ) -> None:
        """Write into the session of the last file that held anything new."""
        if self._last is None or not (rows or notes):
            return
        superseded_ms = self._condenser.superseded_ms
        self._number = write_import(
            self._path, self._config.charger, self._last, rows, notes, self._number, superseded_ms
        )
        superseded_ms.clear()
        start_ms = np.array([row[0] for row in rows], dtype=np.int64)
        duration_ms = np.array([row[1] for row in rows], dtype=np.int64)
        self._cover = self._cover.joined(start_ms, start_ms + duration_ms)


def load_cover(config: Config) -> Cover:
    """Return what the log of the configured fitting covers already."""
    if not config.store.path.exists():
        return Cover()
    fitted = None if config.charger.fitted is None else config.charger.fitted.isoformat()
    with Reader(config.store.path) as reader:
        for fitting in reader.fittings():
            if (fitting.label, fitting.fitted) == (config.charger.label, fitted):
                spans = np.array(reader.spans(fitting.id), dtype=np.int64).reshape(-1, 2)
                return Cover(spans[:, 0], spans[:, 0] + spans[:, 1])
    return Cover()


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
