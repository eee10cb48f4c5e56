"""Reports to the service manager: sd_notify(3) and sd_watchdog_enabled(3) in Python alone.

It sends one datagram to the AF_UNIX socket that ``NOTIFY_SOCKET`` names, or nothing if it is unset.
"""

from __future__ import annotations

import contextlib
import os
import socket
from typing import TYPE_CHECKING

from logger.refusals import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

#: Time after which the status is renewed where there is no watchdog, s (judgement, no source).
STATUS_S = 30.0


class Notifier:
    """Reports to the service manager that started this process, if one did.

    Parameters
    ----------
    environment
        ``NOTIFY_SOCKET``, ``WATCHDOG_USEC``, ``WATCHDOG_PID``; this process's own if left out.
    """

    def __init__(self, environment: Mapping[str, str] | None = None) -> None:
        given = os.environ if environment is None else environment
        name = given.get("NOTIFY_SOCKET", "")
        # A name that begins with @ is in the abstract namespace, where a zero byte comes first.
        self._address = f"\0{name[1:]}" if name.startswith("@") else name
        self._spoken_s = -STATUS_S
        #: Longest time between two calls of :meth:`alive`, s: a quarter of the watchdog's time, so
        #: that a message is sent at least every half of it, as sd_watchdog_enabled(3) asks.
        self.period_s = STATUS_S
        self._watched = False
        usec = given.get("WATCHDOG_USEC", "")
        for_us = given.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        if self._address and for_us and usec.isascii() and usec.isdigit() and int(usec) > 0:
            self._watched = True
            self.period_s = int(usec) / 1e6 / 4.0

    def ready(self) -> None:
        """Report that the start is over."""
        self._send("READY=1")

    def stopping(self) -> None:
        """Report that the end has begun."""
        self._send("STOPPING=1")

    def alive(self, now_s: float, status: Callable[[], str]) -> None:
        """Report that all is well, if it is time to; ``status`` gives one line for a person."""
        if now_s - self._spoken_s < self.period_s:
            return
        self._spoken_s = now_s
        beat = ("WATCHDOG=1",) if self._watched else ()
        self._send(*beat, f"STATUS={printable(status())}")

    def _send(self, *lines: str) -> None:
        if not self._address:
            return
        # Do not block: a service manager that does not listen must not delay the log.
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
            s.setblocking(False)
            s.sendto("\n".join(lines).encode(), self._address)
