"""A link that is read in a thread of its own, because a call to its driver may hang."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from typing import TYPE_CHECKING

from logger.sources.link.inbox import Inbox

if TYPE_CHECKING:
    from logger.errors import SourceError
    from logger.sources.link.inbox import Chunk


class ThreadedLink:
    """What such links share; a subclass opens, reads and closes in :meth:`_run`.

    Parameters
    ----------
    name
        What is read, for the name of the thread.

    Attributes
    ----------
    thread
        It may outlive the session where the driver hangs.
    """

    def __init__(self, name: str) -> None:
        self.inbox = Inbox()
        self.receive = self.inbox.receive
        self._loop = asyncio.get_running_loop()
        self._opened: asyncio.Future[None] = self._loop.create_future()
        self._closed = asyncio.Event()
        self._stop = threading.Event()
        self.thread = threading.Thread(target=self._run, name=f"read {name}", daemon=True)

    async def open(self) -> None:
        """Open the link in its thread.

        Raises
        ------
        SourceError
            If it cannot be opened.
        """
        self.thread.start()
        await self._opened

    async def close(self, limit_s: float = 3.0) -> None:
        """End the thread; wait for it at most ``limit_s``."""
        self._stop.set()
        if self.thread.is_alive():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(limit_s):
                    await self._closed.wait()
                    # The thread is about to end; the next session must not find it running.
                    self.thread.join(0.1)

    # The methods below run in the thread.

    def _run(self) -> None:
        raise NotImplementedError

    def _tell(self, what: object, *arguments: object) -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended in the meantime
            self._loop.call_soon_threadsafe(what, *arguments)  # type: ignore[arg-type]

    def _put(self, chunk: Chunk | SourceError) -> None:
        try:  # noqa: SIM105 - each chunk comes this way, and suppress() is an object and two calls
            self.inbox.put(chunk)
        except RuntimeError:  # as above
            pass

    def _lose(self, lost: SourceError) -> None:
        """Tell that the link cannot be opened, or is lost."""
        self._tell(self._set_opened, lost)
        self._put(lost)

    # The methods below run in the loop.

    def _set_opened(self, error: SourceError | None) -> None:
        if self._opened.done():
            return
        if error is None:
            self._opened.set_result(None)
        else:
            self._opened.set_exception(error)
