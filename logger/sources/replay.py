"""Plays a recording again: in real time, at a factor, or as fast as possible.

Three kinds of file are taken: recordings with named columns (see :mod:`logger.recordings.rows`),
captures made by ``ebbwatt probe --capture``, and plain files of bytes, whose messages get the
expected spacing as their time. The last two need the tables of a description to decode them.
"""

from __future__ import annotations

import asyncio
import math
from typing import TYPE_CHECKING

from logger.errors import RecordingError
from logger.recordings.rows import BadRow, Recording
from logger.refusals import Refusals
from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import LINKS, checked_settings
from logger.sources.capture import is_capture, read_capture
from logger.sources.description import (
    DESCRIPTION_SETTINGS,
    Description,
    configured_description,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.pipeline import Pipeline

SETTINGS = Section(
    "source",
    (
        Setting("path", "text", REQUIRED, "the recording, relative to this file"),
        Setting(
            "speed",
            "number",
            0.0,
            "1 plays in real time, 60 plays an hour in a minute, 0 as fast as possible",
            "",
            0,
            1e9,
        ),
        *(
            Setting(link, "table", None, "not used; it may stay when kind is changed to replay")
            for link in LINKS
        ),
        *DESCRIPTION_SETTINGS,
    ),
    "a recording instead of a charger",
)
#: Readings between two looks at what else the process has to do, at full speed.
_BREATH = 200
#: Bytes of a plain file that are read at a time: as many as a port gives at most.
_PIECE = 4096
#: Times in a capture are those of first bytes; an answer is allowed this much more, s.
_SETTLE_S = 0.1


class Replay:
    """A recording as a source; see :class:`logger.sources.base.Source`."""

    live = False

    def __init__(
        self, path: Path, speed: float, spacing_s: float, description: Description | None
    ) -> None:
        self.path = path
        self.refusals = Refusals()
        self.description = description
        self._speed = speed
        self._spacing_s = spacing_s

    def describe(self) -> str:
        """Name the recording."""
        return f"recording {self.path.name}"

    def hold(self, seconds: float) -> None:
        """Do nothing: each reading is made when it is due."""

    def rest(self) -> list[Reading]:
        """Return nothing: no reading waits."""
        return []

    async def close(self) -> None:
        """Release nothing: a session closes its file itself."""

    async def readings(self) -> AsyncIterator[Reading]:
        """Give the readings at the configured speed."""
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        first_s = math.nan
        for count, reading in enumerate(self._all()):
            if count == 0:
                first_s = reading.time_s
            if self._speed > 0.0:
                due_s = began_s + (reading.time_s - first_s) / self._speed
                await asyncio.sleep(max(0.0, due_s - loop.time()))
            elif count % _BREATH == 0:
                await asyncio.sleep(0)
            yield reading

    def _all(self) -> Iterator[Reading]:
        if self.description is None:
            return self._recorded()
        pipeline = self.description.pipeline(self.refusals)
        if is_capture(self.path):
            return captured(self.path, pipeline, self.description)
        return streamed(self.path, pipeline, self._spacing_s)

    def _recorded(self) -> Iterator[Reading]:
        for row in Recording(self.path):
            if isinstance(row, BadRow):
                self.refusals.count("bad row", f"line {row.line}: {row.reason}")
            else:
                yield row


#: A capture may be made with a first guess that knows no answer and waits for each to the end.
_PATIENCE = 3.0


def captured(path: Path, pipeline: Pipeline, description: Description) -> Iterator[Reading]:
    """Yield the readings in a capture; it begins in the middle of the device's talk."""
    pipeline.reset()
    poll = description.poll
    if poll is None:
        for chunk in read_capture(path):
            yield from pipeline.feed(chunk.time_s, chunk.data, chunk.channel)
        return
    # The questions say where a round ends; who captured without a description waited longer.
    pipeline.gather_s *= _PATIENCE if pipeline.rounds else 1.0
    questions = [r for whole in poll.requests for r in whole.with_parts()]
    before, asked_s = len(questions), math.inf
    for chunk in read_capture(path):
        if chunk.sent:
            asked = next((r for r in questions if r.payload == chunk.data), None)
            answered, place = pipeline.answered, questions.index(asked) if asked else -1
            if 0 <= place <= before:
                # The questions of a round are asked in their order.
                yield from pipeline.end_round()
                pipeline.begin_round()
            elif place < 0 or not answered:
                pipeline.drop_round()
            before, asked_s = place, chunk.time_s
            pipeline.asked(asked, echo=poll.echo)
        else:
            # What the logger gave up waiting for is no part of a round here either.
            if not pipeline.answered and chunk.time_s > asked_s + poll.answer_s + _SETTLE_S:
                pipeline.drop_round()
            yield from pipeline.feed(chunk.time_s, chunk.data, chunk.channel)
    yield from pipeline.end_round()


def pieces(path: Path) -> Iterator[bytes]:
    """Yield the bytes of a plain file, a few thousand at a time.

    Raises
    ------
    RecordingError
        If it cannot be read.
    """
    try:
        with path.open("rb") as file:
            while piece := file.read(_PIECE):
                yield piece
    except OSError as error:
        raise RecordingError(f"{path}: cannot be read: {error.strerror or error}") from None


def streamed(path: Path, pipeline: Pipeline, spacing_s: float) -> Iterator[Reading]:
    """Yield the readings in a plain file of bytes, ``spacing_s`` apart.

    Nothing in such a file tells the time: the last message lies at the file's own date.
    """
    from dataclasses import replace

    pipeline.reset(in_sync=True)
    found: list[Reading] = []
    written_s = path.stat().st_mtime
    for piece in pieces(path):
        found += pipeline.feed(written_s, piece)
    begin_s = written_s - spacing_s * (len(found) - 1)
    for number, reading in enumerate(found):
        yield replace(reading, time_s=begin_s + spacing_s * number)


def build(config: Config) -> Replay:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    described = settings["description"] is not None or settings["decoder"] is not None
    path = config.path.parent / settings["path"]
    if not described and path.is_file() and is_capture(path):
        raise config.document.error(
            "is a capture of bytes; to decode it, name the description of the device with "
            "description = FILE",
            "source",
            "path",
        )
    description = configured_description(config, settings) if described else None
    return Replay(path, settings["speed"], config.log.interval_s, description)
