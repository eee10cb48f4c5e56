"""Input at the live screen: keys, and the window's size.

Keys come one by one, without Enter and without an echo; Ctrl-C still interrupts. The kernel tells
of a new window size by SIGWINCH (signal(7)), which ends the wait at once.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import termios
import tty
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from types import FrameType, TracebackType

#: Longest sequence that one key sends, such as an arrow's.
_SEQUENCE = 64


class Keyboard:
    """A context in which single keys are read; on the way out the terminal is as it was.

    Parameters
    ----------
    handle
        Descriptor of the terminal's input; without a terminal there it never gives a key.
    """

    def __init__(self, handle: int = 0) -> None:
        self._handle: int | None = handle if os.isatty(handle) else None
        self._before: list[Any] | None = None
        self._woken, self._wake = os.pipe()
        self._resized: Any = None

    def __enter__(self) -> Self:
        os.set_blocking(self._wake, False)
        if self._handle is not None:
            self._before = termios.tcgetattr(self._handle)
            tty.setcbreak(self._handle)
        self._resized = signal.signal(signal.SIGWINCH, self._on_resize)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        signal.signal(signal.SIGWINCH, self._resized)
        if self._handle is not None and self._before is not None:
            with contextlib.suppress(termios.error, OSError):  # the terminal may be gone
                termios.tcsetattr(self._handle, termios.TCSADRAIN, self._before)
        os.close(self._woken)
        os.close(self._wake)

    def _on_resize(self, _number: int, _frame: FrameType | None) -> None:
        with contextlib.suppress(BlockingIOError):  # a full pipe wakes as well
            os.write(self._wake, b"w")

    @property
    def there(self) -> bool:
        """Whether keys can come."""
        return self._handle is not None

    def wait(self, seconds: float) -> str:
        """Wait for a key and return it; empty after so many seconds, or when the window changes.

        A key that sends several characters, such as an arrow, is the first of them.
        """
        watched = [self._woken] if self._handle is None else [self._woken, self._handle]
        ready = select.select(watched, [], [], seconds)[0]
        if self._woken in ready:
            os.read(self._woken, _SEQUENCE)
        if self._handle is None or self._handle not in ready:
            return ""
        pressed = os.read(self._handle, _SEQUENCE)
        if not pressed:
            self._handle = None  # end of input
        return pressed[:1].decode("ascii", errors="ignore")
