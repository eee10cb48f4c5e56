"""The queue of chunks that a link has received and that nobody has taken yet."""

from __future__ import annotations

import asyncio
import math
from collections import deque

from logger.errors import SourceError
from logger.system.waking import woken

#: Most chunks that wait for a busy reader: a quarter of an hour at one a second.
MOST_WAITING = 1000

#: Boot time of the first byte, the bytes, and the characteristic they came from ('' for a stream).
Chunk = tuple[float, bytes, str]


class Inbox:
    """A bounded queue of chunks that ends with the reason for which the link was lost.

    Any thread may put; one task of the loop in which it was made receives.

    Attributes
    ----------
    overflowed
        Chunks dropped because nobody took them in time.
    hold_s
        Chunks wake the receiver no more often than this, s; 0 wakes it each time. A processor that
        wakes has cold caches, so five chunks together cost little more than one of them alone.
    """

    def __init__(self) -> None:
        self.overflowed = 0
        self.hold_s = 0.0
        self._loop = asyncio.get_running_loop()
        self._waiting: deque[Chunk | SourceError] = deque()
        self._arrived = asyncio.Event()
        self._patient = False  # whether the receiver wakes by itself, at the end of a hold

    def put(self, chunk: Chunk | SourceError) -> None:
        """Append a chunk, or the loss of the link, which is never dropped and never waits."""
        lost = isinstance(chunk, SourceError)
        waiting = len(self._waiting)
        if waiting >= MOST_WAITING and not lost:
            self.overflowed += 1
            return
        self._waiting.append(chunk)
        # Test this after the append: the receiver sets it before it looks into the queue.
        if lost or not self._patient or waiting >= MOST_WAITING // 2:
            self._loop.call_soon_threadsafe(self._arrived.set)

    def taken(self) -> Chunk | None:
        """Take the oldest chunk, None if there is none.

        Raises
        ------
        SourceError
            If the link is lost.
        """
        if not self._waiting:
            return None
        chunk = self._waiting.popleft()
        if isinstance(chunk, SourceError):
            raise chunk
        return chunk

    async def receive(self, until_s: float | None = None) -> Chunk | None:
        """Return the next chunk; None if none came until ``until_s`` on the loop's clock.

        Raises
        ------
        SourceError
            If the link is lost.
        """
        while True:
            self._patient = self.hold_s > 0.0
            self._arrived.clear()
            if (chunk := self.taken()) is not None:
                return chunk
            now_s = self._loop.time()
            if until_s is not None and now_s >= until_s:
                return None
            wake_s = until_s
            if self._patient:
                # Wake on a fixed grid, so that other work on this grid finds all chunks handled.
                next_s = (math.floor(now_s / self.hold_s) + 1.0) * self.hold_s
                wake_s = next_s if until_s is None else min(until_s, next_s)
            await woken(self._arrived, wake_s)
