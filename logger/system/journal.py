"""Keeps the journal short and harmless: few lines a minute, none with a control character.

What a peer sends can end up in an error's text, and a fault may repeat for years.
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

#: Lines in any stretch of so many seconds at most; what is beyond is counted.
MOST_LINES, WITHIN_S = 10, 60.0


class Bounded(logging.Filter):
    """Lets few lines through in :data:`WITHIN_S`, each cut and made printable.

    The next line after a flood says how many were left out.

    Parameters
    ----------
    most
        Lines in that time.
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
        """Decide on one line, and make it harmless."""
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
    """Send what the program tells to standard error, which a service manager keeps."""
    handler = logging.StreamHandler(sys.stderr)
    handler.addFilter(Bounded(math.inf if verbose else MOST_LINES))
    logging.basicConfig(level=logging.INFO, format="%(message)s", handlers=[handler])
    # Of the program alone: what libraries do inside is no news of the link.
    logging.getLogger("ebbwatt").setLevel(logging.DEBUG if verbose else logging.INFO)
