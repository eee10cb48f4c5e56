"""Takes what a link receives, asking first where questions are configured.

Nothing but the payloads of the configured requests is handed to the link.
"""

from __future__ import annotations

import asyncio
import time
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Protocol

from logger.errors import SourceError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from typing import TypeAlias

    from logger.reading import Reading
    from logger.refusals import Refusals
    from logger.sources.decoding import Request
    from logger.sources.description import Poll
    from logger.sources.link.inbox import Chunk, Inbox
    from logger.sources.pipeline import Pipeline

    #: Told each piece of raw bytes: boot time, bytes, whether they were sent, characteristic.
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


@asynccontextmanager
async def opened(link: Link, refusals: Refusals) -> AsyncIterator[None]:
    """Open a link and close it in any case: a connect that fails half way is undone as well."""
    try:
        await link.open()
        yield
    finally:
        if link.inbox.overflowed:
            refusals.count("arrived faster than it could be read")
        await link.close()


class Conversation:
    """One session: chunks go through the pipeline, and questions are asked in their turn."""

    def __init__(self, link: Link, pipeline: Pipeline, poll: Poll | None, tap: Tap | None) -> None:
        self._link = link
        self._pipeline = pipeline
        self._poll = poll
        self._tap = tap

    def hold(self, seconds: float) -> None:
        """Let what comes unasked wait for so long; see :meth:`logger.sources.base.Source.hold`."""
        if self._poll is None and self._tap is None:
            self._link.inbox.hold_s = seconds

    def rest(self) -> list[Reading]:
        """Return the readings that wait; for the end of a session that was not lost."""
        readings: list[Reading] = []
        with suppress(SourceError):
            while (chunk := self._link.inbox.taken()) is not None:
                readings += self._feed(*chunk)
        return readings

    async def readings(self) -> AsyncIterator[Reading]:
        """Give readings until the link is lost, which raises SourceError."""
        if self._poll is None:
            async for reading in self._until(None):
                yield reading
            return
        async for reading in self._rounds(self._poll):
            yield reading

    async def _rounds(self, poll: Poll) -> AsyncIterator[Reading]:
        loop = asyncio.get_running_loop()
        next_round_s = loop.time()
        while True:
            for request in poll.requests:
                async for reading in self._exchange(poll, request):
                    yield reading
                async for reading in self._until(loop.time() + poll.pause_s):
                    yield reading
            # A round that took too long is followed by the next at once, but none is caught up.
            next_round_s = max(next_round_s + poll.every_s, loop.time())
            async for reading in self._until(next_round_s):
                yield reading

    async def _exchange(self, poll: Poll, request: Request) -> AsyncIterator[Reading]:
        loop = asyncio.get_running_loop()
        self._pipeline.asked(request, echo=poll.echo)
        if self._tap is not None:
            self._tap(time.clock_gettime(time.CLOCK_BOOTTIME), request.payload, True, "")
        await self._link.send(request.payload)
        deadline_s = loop.time() + poll.answer_s
        while not self._pipeline.answered:
            chunk = await self._link.receive(deadline_s)
            if chunk is None:
                self._pipeline.unanswered(request)
                # A late answer must not pass for that to the next question.
                late_s = loop.time() + poll.answer_s
                while await self._link.receive(late_s) is not None:
                    pass
                return
            for reading in self._feed(*chunk):
                yield reading

    async def _until(self, until_s: float | None) -> AsyncIterator[Reading]:
        """Take what comes unasked until a time on the loop's clock; None for ever."""
        while (chunk := await self._link.receive(until_s)) is not None:
            for reading in self._feed(*chunk):
                yield reading

    def _feed(self, time_s: float, data: bytes, channel: str) -> list[Reading]:
        if self._tap is not None:
            self._tap(time_s, data, False, channel)
        return self._pipeline.feed(time_s, data, channel)
