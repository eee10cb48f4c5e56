"""What a link has received and nobody has taken yet."""

from __future__ import annotations

import asyncio

from logger.errors import SourceError

#: Chunks that may wait for a busy reader; at one a second that is a quarter of an hour.
MOST_WAITING = 1000

#: Boot time of the first byte, the bytes, and the characteristic they came from ('' for a stream).
Chunk = tuple[float, bytes, str]


class Inbox:
    """A bounded queue of chunks that ends with the reason for which the link was lost.

    Attributes
    ----------
    overflowed
        Chunks dropped because nobody took them in time.
    """

    def __init__(self) -> None:
        self.overflowed = 0
        self._waiting: asyncio.Queue[Chunk | SourceError] = asyncio.Queue()

    def put(self, chunk: Chunk | SourceError) -> None:
        """Append a chunk, or the loss of the link, which is never dropped."""
        if self._waiting.qsize() >= MOST_WAITING and not isinstance(chunk, SourceError):
            self.overflowed += 1
        else:
            self._waiting.put_nowait(chunk)

    async def receive(self, until_s: float | None = None) -> Chunk | None:
        """Return the next chunk; None if none came until ``until_s`` on the loop's clock.

        Raises
        ------
        SourceError
            If the link is lost.
        """
        if self._waiting.empty() and until_s is not None:
            try:
                async with asyncio.timeout_at(until_s):
                    chunk = await self._waiting.get()
            except TimeoutError:
                return None
        else:
            chunk = await self._waiting.get()
        if isinstance(chunk, SourceError):
            raise chunk
        return chunk
