"""Takes recordings into the log: what is new goes in, what is there already is left alone."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.transfer.believed import BelievedBlocks
from analysis.transfer.condense import BulkCondenser
from analysis.transfer.cover import differing, logged
from analysis.transfer.packing import packing_of
from analysis.transfer.read_blocks import BulkRecording
from analysis.transfer.refused_rows import RefusedRows
from analysis.transfer.series.recording import SeriesRecording, series_recording
from analysis.transfer.spool import Spool
from logger import __version__
from logger.config import gap_after
from logger.errors import EbbwattError
from logger.plausibility.values import Plausibility
from logger.refusals import Refusals, printable
from logger.sources.spacing import wrong_words
from logger.store.file_format.carried import carry
from logger.store.records import SessionStart, write_import

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from logger.config import Config


#: Of the readings that the log holds already each so many is held against it, up to so many: enough
#: to tell a recording of another time. Fewer than the last tell nothing (our choice).
_EACH, _MOST_COMPARED, _FEWEST_COMPARED = 20, 5_000, 50


@dataclass(slots=True)
class FileResult:
    """What became of one file."""

    path: Path
    readings: int = 0
    """Readings that were new."""
    known: int = 0
    """Readings that the log held already."""
    intervals: int = 0
    bad: RefusedRows = field(default_factory=RefusedRows)
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
    time_unit: str = ""
    """Unit of the times that are numbers; empty where there was none."""
    compared: int = 0
    """Readings that the log held already and that were held against it: a sample ..."""
    differ: int = 0
    """... and those of them with another voltage than the log has of that time."""
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
        self._cover = logged(config)
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
        limits = self._config.limits
        recording = series_recording(path, self._config) or BulkRecording(path, limits=limits)
        refusals = Refusals()
        with Spool(self._path.parent) as rows:
            span = self._condense(recording, refusals, result, rows, progress)
            result.rows += recording.bad.total
            result.bad, result.unknown = recording.bad, recording.unknown
            result.implausible, result.samples = dict(refusals.by_reason), dict(refusals.samples)
            result.words, result.time_unit = dict(recording.words), recording.time_unit
            result.intervals = len(rows)
            result.alone += self._condenser.open_alone
            result.usual_s = self._condenser.spacing.usual_s
            result.spacing_words = wrong_words(self._config.log, *self._condenser.spacing.each_s)
            self._keep(result, rows, span, recording.bad.total + refusals.total)
        return result

    def _condense(
        self,
        recording: BulkRecording | SeriesRecording,
        refusals: Refusals,
        result: FileResult,
        rows: Spool,
        progress: Callable[[int], None],
    ) -> tuple[float, float]:
        """Fill ``rows`` with what the recording closes; return times of first and last reading."""
        believed = BelievedBlocks(Plausibility.of(self._config, refusals))
        seen = 0
        used_before = self._condenser.readings_used
        first_s: float | None = None
        last_s = 0.0
        known_ms: list[NDArray[np.int64]] = []
        known_v: list[NDArray[np.float64]] = []
        sampled = 0
        for raw in recording:
            block = believed.clean(raw)
            seen += len(block)
            result.rows += len(raw)
            if not len(block):
                continue
            if first_s is None:
                first_s = float(block.time_s[0])
                if not self._goes_on(first_s):
                    self.finish()
                    self._mark = self._condenser.mark()
            last_s = float(block.time_s[-1])
            if sampled < _MOST_COMPARED:
                at_ms = np.round(block.time_s * 1000.0).astype(np.int64)
                held = np.flatnonzero(self._cover.holds(at_ms) & np.isfinite(block.voltage_v))
                held = held[::_EACH]
                sampled += len(held)
                known_ms.append(at_ms[held])
                known_v.append(block.voltage_v[held])
            closed = self._condenser.add(block)
            result.alone += int(np.count_nonzero(closed[:, 1] == 0))
            rows.add(closed)
            progress(len(block))
        result.readings = self._condenser.readings_used - used_before
        result.known = seen - result.readings
        if sampled >= _FEWEST_COMPARED:
            found = differing(self._config, np.concatenate(known_ms), np.concatenate(known_v))
            result.compared, result.differ = found
        return 0.0 if first_s is None else first_s, last_s

    def _goes_on(self, first_s: float) -> bool:
        """Tell whether a file that begins then continues the one before it."""
        end_s, log = self._condenser.last_s, self._config.log
        usual_s = self._condenser.spacing.usual_s
        gap_s = gap_after(usual_s) if log.adapts and usual_s is not None else log.gap_s
        return end_s is None or 0.0 < first_s - end_s <= gap_s

    def _keep(
        self, result: FileResult, rows: Spool, span: tuple[float, float], refused: int
    ) -> None:
        """Write what one file brought, with what is to be noted of it."""
        path, (first_s, last_s) = result.path, span
        spacing_s = result.usual_s or self._config.log.interval_s
        session = SessionStart(
            source=f"import {path.name}",
            started_s=first_s,
            digest=_digest(path),
            version=__version__,
            configuration=carry(self._config.document.data),
        )
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

    def finish(self) -> int:
        """Close the open interval, write it, and return how many intervals that made (0 or 1)."""
        with Spool(self._path.parent) as rows:
            rows.add(self._condenser.flush())
            self._write(rows)
            self._condenser.cover = self._cover
            return len(rows)

    def _write(
        self, rows: Spool, notes: Sequence[tuple[float, str, float | None, str]] = ()
    ) -> None:
        """Write into the session of the last file that held anything new."""
        if self._last is None or not (len(rows) or notes):
            return
        superseded_ms = self._condenser.superseded_ms
        self._number = write_import(
            self._path,
            self._config.charger,
            self._last,
            rows,
            notes,
            self._number,
            superseded_ms,
            packing_of(rows),
        )
        superseded_ms.clear()
        for lot in rows.lots():
            self._cover = self._cover.joined(lot[:, 0], lot[:, 0] + lot[:, 1])


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
