"""A source under its supervisor in this process: each reading and each change is remembered."""

import asyncio
import contextlib
from concurrent.futures import ThreadPoolExecutor

from logger.sources.link.supervision import LinkState, supervise

#: Where faults are injected. It outlives each loop: what a thread starts dies with that thread.
_ASIDE = ThreadPoolExecutor(1)


class Supervised:
    """What the daemon would see of a source.

    Attributes
    ----------
    readings, changes
        All of them so far.
    """

    def __init__(self, source):
        self.source = source
        self.readings, self.changes = [], []
        self._task = None

    async def __aenter__(self):
        self._task = asyncio.create_task(
            supervise(self.source, self.readings.append, self.changes.append)
        )
        return self

    async def __aexit__(self, *_):
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        await self.source.close()

    @property
    def reasons(self):
        """Why each session ended that was lost."""
        return [change.reason for change in self.changes if change.state is LinkState.WAITING]

    @property
    def notices(self):
        """What a person was told."""
        return [change.notice for change in self.changes if change.notice]

    async def more(self, count=3, limit_s=200.0):
        """Wait for so many readings more."""
        wanted = len(self.readings) + count
        await self._until(lambda: len(self.readings) >= wanted, limit_s)

    async def told(self, words, after=0, limit_s=200.0):
        """Wait until a session has ended for a reason with these words, after so many others."""
        await self._until(lambda: any(words in why for why in self.reasons[after:]), limit_s)

    async def _until(self, condition, limit_s):
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                while not condition():
                    if self._task.done():
                        self._task.result()
                    await asyncio.sleep(0.02)
        assert condition(), f"not within {limit_s} s; sessions ended for {self.reasons}"


def survives(source, inject, says="", undo=None, many=1):
    """Inject a fault into a source that gives readings, take it back, and see readings again.

    Parameters
    ----------
    inject, undo
        Called in another thread, so that what they wait for does not stop the source.
    says
        Words of a reason for which a session must have ended before the fault is taken back; empty
        where none needs to end.
    many
        How often in a row.
    """

    async def main():
        loop = asyncio.get_running_loop()
        async with Supervised(source) as link:
            await link.more()
            for _ in range(many):
                lost = len(link.reasons)
                await loop.run_in_executor(_ASIDE, inject)
                if says:
                    await link.told(says, lost)
                if undo is not None:
                    await loop.run_in_executor(_ASIDE, undo)
                await link.more()
            return link

    return asyncio.run(main())
