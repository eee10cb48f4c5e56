"""Tells the files of other programs by their content, and reads them as blocks of readings."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analysis.transfer.series.line_protocol import looks_like_line_protocol, read_line_protocol
from analysis.transfer.series.mapping import mapping
from analysis.transfer.series.parquet import is_parquet, read_parquet
from analysis.transfer.series.prometheus import of_one_line, read_prometheus
from analysis.transfer.series.samples import Samples
from logger.errors import RecordingError
from logger.recordings.files import RecordedFile
from logger.recordings.rows import FIELDS

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from analysis.transfer.condense import Block
    from analysis.transfer.refused_rows import RefusedRows
    from logger.config import Config
    from logger.recordings.limits import Limits

    Reader = Callable[[Samples], None]

#: So much of a file tells what it is.
_HEAD = 8192
_RANGE_QUERY = re.compile(
    rb'^\s*(?:\{.*"(?:resultType|errorType)"\s*:|\[\s*\{\s*"metric"\s*:)', re.DOTALL
)
#: A Parquet file may have the columns of a recording.
_COLUMNS = {name: name for name in FIELDS if name != "time"}


class SeriesRecording:
    """A file of another program as blocks; made by :func:`series_recording`."""

    def __init__(self, path: Path, config: Config, read: Reader) -> None:
        self.path = path
        self._read = read
        own = _COLUMNS if read is read_parquet else None
        self._samples = Samples(path, mapping(config, own), config.limits)

    @property
    def bad(self) -> RefusedRows:
        """Rows and values that were refused."""
        return self._samples.bad

    @property
    def time_unit(self) -> str:
        """Nothing: its files say it, or [import] does."""
        return ""

    @property
    def unknown(self) -> list[str]:
        """Series that no field names."""
        return list(self._samples.names)

    @property
    def words(self) -> Counter[str]:
        """State words that are none of ours."""
        return self._samples.words

    def __iter__(self) -> Iterator[Block]:
        """Yield blocks of readings that rise in time.

        Raises
        ------
        RecordingError
            If the file cannot be read, or nothing of it is a channel.
        """
        self._read(self._samples)
        yield from self._samples.blocks()


def series_recording(path: Path, config: Config) -> SeriesRecording | None:
    """Return the file as one of another program; None if it is none.

    Raises
    ------
    ConfigError
        If [import] is not as it must be.
    """
    read = _reader(path, config.limits)
    return None if read is None else SeriesRecording(path, config, read)


def _reader(path: Path, limits: Limits) -> Reader | None:
    if is_parquet(path):
        return read_parquet
    try:
        with RecordedFile(path, of_one_line(limits)) as file:
            head = file.head[:_HEAD]
    except RecordingError:
        return None  # said by whoever reads it
    if _RANGE_QUERY.match(head):
        return read_prometheus
    if looks_like_line_protocol(head.decode("utf-8", "replace")):
        return read_line_protocol
    return None
