"""Keeps the journal short and harmless: few lines a minute, none with a control character.

Text from a device can end up in an error, and a fault may repeat for years.
"""

from __future__ import annotations

import logging
import math
import sys
import time
from typing import TYPE_CHECKING

from logger.refusals import one_line

if TYPE_CHECKING:
    from collections.abc import Callable

#: Most lines in any ``WITHIN_S``, s; further ones are counted. Ten a minute are a page of journal
#: in six minutes of trouble (judgement, no source).
MOST_LINES, WITHIN_S = 10, 60.0


class Bounded(logging.Filter):
    """Passes at most ``most`` lines in :data:`WITHIN_S`, each cut and made printable.

    The next line after a flood says how many were left out.

    Parameters
    ----------
    most
        Most lines in that time.
    now_s
        A clock that never steps.
    """

    def __init__(
        self, most: float = MOST_LINES, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__()
        self._most = most
        self._now_s = now_s
        self._passed_s: list[float] = []
        self._left_out = 0

    def filter(self, record: logging.LogRecord) -> bool:
        """Decide whether a line passes, and make its text harmless."""
        now_s = self._now_s()
        self._passed_s = [t for t in self._passed_s if now_s - t < WITHIN_S]
        if len(self._passed_s) >= self._most:
            self._left_out += 1
            return False
        self._passed_s.append(now_s)
        text = one_line(record.getMessage())
        if self._left_out:
            text += f" ({self._left_out} lines before this one were left out)"
            self._left_out = 0
        record.msg, record.args = text, None
        record.exc_info = record.exc_text = record.stack_info = None
        return True


def set_up(*, verbose: bool) -> None:
    """Send the program's messages to standard error, which a service manager keeps."""
    handler = logging.StreamHandler(sys.stderr)
    handler.addFilter(Bounded(math.inf if verbose else MOST_LINES))
    logging.basicConfig(level=logging.INFO, format="%(message)s", handlers=[handler])
    # Only this program's logger: messages of libraries say nothing about the link.
    logging.getLogger("ebbwatt").setLevel(logging.DEBUG if verbose else logging.INFO)
