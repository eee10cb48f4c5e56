"""What the sessions on a socket share: the event loop reads it; how it is closed, and how lost."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from logger.errors import SourceError
from logger.sources.link.inbox import Inbox

if TYPE_CHECKING:
    import socket
    from collections.abc import Mapping


class SocketLink:
    """A session on a socket that the running event loop reads; each kind opens it in its own way.

    Attributes
    ----------
    inbox
        What was received, and the error that ended the session.
    """

    def __init__(self) -> None:
        self.inbox = Inbox()
        self.receive = self.inbox.receive
        self._loop = asyncio.get_running_loop()
        self._socket: socket.socket | None = None

    async def close(self) -> None:
        """Close the socket, however far it was opened."""
        made, self._socket = self._socket, None
        if made is not None:
            self._loop.remove_reader(made.fileno())
            made.close()

    def _lose(self, reason: str) -> None:
        if self._socket is not None:
            self._loop.remove_reader(self._socket.fileno())
        self.inbox.put(SourceError(reason))


def explained(error: OSError, reasons: Mapping[int, str]) -> str:
    """Say in one line what is wrong with a socket: by its number, else in the system's words."""
    return reasons.get(error.errno or 0, error.strerror or type(error).__name__)
