"""The common part of sources whose device has a description, on a line or by radio."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING

from logger.errors import SourceError
from logger.refusals import Refusals
from logger.sources.base import LINKS
from logger.sources.link.conversation import Conversation, opened
from logger.sources.link.polling import Polling

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable

    from logger.reading import Reading
    from logger.sources.description import Description
    from logger.sources.link.conversation import Link, Tap
    from logger.sources.pipeline import Outcome, Pipeline

#: Time for which a local link is tried every second, s: a try costs nothing (judgement, no source).
EAGER_S = 60.0


class DescribedSource:
    """A live source without its sessions; see :class:`logger.sources.base.Source`.

    Parameters
    ----------
    place
        Where the device is, for a person: a port, an address.
    description
        What it speaks.
    eager_s
        How long after a loss each wait is the first one, where the description does not say; see
        :class:`logger.sources.link.supervision.Delays`.

    Attributes
    ----------
    live
        True: readings carry the boot time of their first byte.
    refusals
        What was refused, over all sessions.
    delays
        Delays of the link, for the supervisor.
    """

    live = True

    def __init__(self, place: str, description: Description, *, eager_s: float = 0.0) -> None:
        self.description = description
        self.delays = description.delays
        if "eager_s" not in (description.tables.get("timing") or {}):
            self.delays = replace(self.delays, eager_s=eager_s)
        self.refusals = Refusals()
        self.pipeline: Pipeline = description.pipeline(self.refusals)
        self._place = place
        self._tap: Tap | None = None
        self._talk: Conversation | None = None
        poll = description.poll
        self._polling = None if poll is None else Polling(poll, self.pipeline)

    def observe(self, watch: Callable[[Outcome], None], tap: Tap) -> None:
        """Tell ``watch`` what became of each message, and ``tap`` each piece of raw bytes.

        ``tap`` gets the boot time, the bytes, whether they were sent, and the characteristic.
        """
        self.pipeline.watch = watch
        self._tap = tap

    def describe(self) -> str:
        """Name the port or address, and the decoder."""
        label = f"{self.description.label}, " if self.description.label else ""
        return f"{label}{self.description.decoder_kind} on {self._place}"

    def hold(self, seconds: float) -> None:
        """Let readings wait; see :class:`logger.sources.base.Source`."""
        if self._talk is not None:
            # A hold must stay shorter than the time after which a silent link counts as lost.
            self._talk.hold(min(seconds, 0.75 * self.delays.stale_s))

    def rest(self) -> list[Reading]:
        """Return the readings that still wait."""
        return [] if self._talk is None else self._talk.rest()

    async def close(self) -> None:
        """Release nothing: a session closes its link itself."""

    async def _session(self, link: Link) -> AsyncGenerator[Reading, None]:
        """Give the readings of one session on a link of whole messages; errors name the place."""
        self.pipeline.reset(in_sync=True, opened_s=time.clock_gettime(time.CLOCK_BOOTTIME))
        try:
            async with opened(link, self.refusals):
                async for reading in self._converse(link).readings():
                    yield reading
        except SourceError as error:
            raise SourceError(f"{self._place}: {error}") from None

    def _converse(self, link: Link) -> Conversation:
        """Begin the conversation of a session, which is the one that can wait from now on."""
        self._talk = Conversation(link, self.pipeline, self._polling, self._tap)
        return self._talk


def refuse_links(
    description: Description, where: str, own: str = "", *, polled: bool = True
) -> None:
    """Refuse tables of other links than a source's own, and [poll] where nothing is asked.

    Raises
    ------
    logger.errors.ConfigError
        It says that the table has no meaning ``where`` the source is, such as "over TCP".
    """
    for key in (*LINKS, *(() if polled else ("poll",))):
        if key != own and description.tables.get(key) is not None:
            raise description.place.error(f"has no meaning {where}; leave it out", key)
