"""Passes on the bytes that a link receives; :mod:`logger.sources.link.polling` asks questions.

Only the payloads of the configured requests are ever sent to the link.
"""

from __future__ import annotations

from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Protocol

from logger.errors import SourceError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from typing import TypeAlias

    from logger.reading import Reading
    from logger.refusals import Refusals
    from logger.sources.link.inbox import Chunk, Inbox
    from logger.sources.pipeline import Pipeline

    #: Receives each piece of raw bytes: boot time, bytes, whether they were sent, characteristic.
    Tap: TypeAlias = Callable[[float, bytes, bool, str], None]


class Link(Protocol):
    """A session on a serial line or a radio link."""

    inbox: Inbox

    async def open(self) -> None:
        """Open it, or raise SourceError."""
        ...

    async def close(self) -> None:
        """Close it, however far it was opened."""
        ...

    async def receive(self, until_s: float | None = None) -> Chunk | None:
        """Return the next chunk; see :meth:`logger.sources.link.inbox.Inbox.receive`."""
        ...

    async def send(self, payload: bytes) -> None:
        """Send a request."""
        ...


class Questions(Protocol):
    """Asks questions over a link; see :class:`logger.sources.link.polling.Polling`."""

    def readings(self, talk: Conversation) -> AsyncIterator[Reading]:
        """Ask until the link is lost."""
        ...


@asynccontextmanager
async def opened(link: Link, refusals: Refusals) -> AsyncIterator[None]:
    """Open a link, and close it in any case, even after a connect that failed half way."""
    try:
        await link.open()
        yield
    finally:
        if link.inbox.overflowed:
            refusals.count("arrived faster than it could be read")
        await link.close()


class Conversation:
    """One session: it passes chunks through the pipeline, and asks questions if there are any.

    Attributes
    ----------
    link
        The session's link.
    tap
        Receives each piece of raw bytes; may be None.
    """

    def __init__(
        self, link: Link, pipeline: Pipeline, polling: Questions | None, tap: Tap | None
    ) -> None:
        self.link = link
        self.tap = tap
        self._pipeline = pipeline
        self._polling = polling

    def hold(self, seconds: float) -> None:
        """Let unasked data wait for up to ``seconds``; see ``Source.hold``."""
        if self._polling is None and self.tap is None:
            self.link.inbox.hold_s = seconds

    def rest(self) -> list[Reading]:
        """Return the readings that still wait, at the end of a session that was not lost."""
        readings: list[Reading] = []
        with suppress(SourceError):
            while (chunk := self.link.inbox.taken()) is not None:
                readings += self.feed(*chunk)
        return readings

    def readings(self) -> AsyncIterator[Reading]:
        """Give readings until the link is lost, which raises SourceError."""
        return self.until(None) if self._polling is None else self._polling.readings(self)

    async def until(self, until_s: float | None) -> AsyncIterator[Reading]:
        """Give the readings of unasked data until a time on the loop's clock; None is for ever."""
        while (chunk := await self.link.receive(until_s)) is not None:
            for reading in self.feed(*chunk):
                yield reading

    def feed(self, time_s: float, data: bytes, channel: str) -> list[Reading]:
        """Pass a chunk through the pipeline and return the readings that it completes."""
        if self.tap is not None:
            self.tap(time_s, data, False, channel)
        return self._pipeline.feed(time_s, data, channel)
