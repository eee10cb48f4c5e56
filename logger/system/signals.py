"""Decides what each signal does: the logger commits and ends, or goes on; a command cleans up.

A signal that is not handled ends a process at once, and what is not committed is lost: up to twenty
minutes at rest. Numbers and defaults: signal(7) of Linux.
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import CodeType, FrameType

#: Signals on which the logger commits and ends. HUP: the terminal was closed; PWR: the power is
#: about to fail; XCPU: a limit of processor time was reached.
ENDING = (
    signal.SIGTERM,
    signal.SIGINT,
    signal.SIGHUP,
    signal.SIGQUIT,
    signal.SIGPWR,
    signal.SIGXCPU,
)
#: Signals that do nothing: timers, and those whose meaning users define.
HARMLESS = (
    signal.SIGUSR1,
    signal.SIGUSR2,
    signal.SIGALRM,
    signal.SIGVTALRM,
    signal.SIGPROF,
    signal.SIGIO,
    signal.SIGSTKFLT,
    *range(signal.SIGRTMIN, signal.SIGRTMAX + 1),
)

#: A signal whose exception was dropped is sent again after so long, s, and not before Python has
#: done with the exception.
_AGAIN_S = 0.01


def nothing_happens() -> None:
    """Let the harmless signals do nothing in this process; children keep the defaults."""
    for number in HARMLESS:
        signal.signal(number, lambda *_: None)


def end_with(end: Callable[[], object]) -> None:
    """Call ``end`` on each ending signal, inside the running loop.

    A signal that was ignored from the start, as HUP under nohup(1), stays ignored.
    """
    import asyncio

    loop = asyncio.get_running_loop()
    for number in ENDING:
        if signal.getsignal(number) is not signal.SIG_IGN:
            loop.add_signal_handler(number, end)


@dataclass(slots=True)
class Leaving:
    """The signal that ended a command; None until one comes."""

    number: int | None = None

    @property
    def status(self) -> int:
        """The exit status that a shell gives for this signal."""
        return 128 + (self.number or 0)


@contextmanager
def leaving_cleanly(*, from_now: bool = True) -> Iterator[Leaving]:
    """Turn SIGTERM and SIGHUP into an exit with the usual status, 128 and the signal's number.

    The exit is an exception, so that half-written files are removed and the terminal is restored.
    SIGINT raises an exception in Python already. A signal that was ignored, as under nohup, stays
    ignored. With ``from_now`` False this changes nothing: a context inside this one will.

    An exception may come where Python only prints and drops it: in a callback that clears the lock
    of a module, or in ``__del__``. The signal is then sent again, or else it would be lost.
    """
    left = Leaving()
    dropped = sys.unraisablehook

    def leave(number: int, _: object) -> NoReturn:
        left.number = number
        sys.exit(left.status)

    def send_again(what: sys.UnraisableHookArgs) -> None:
        if what.exc_type is KeyboardInterrupt:
            number = int(signal.SIGINT)
        elif what.exc_type is SystemExit and left.number is not None:
            number = left.number
        else:
            dropped(what)
            return
        # Not from here: the exception would be dropped again. Not by threading, which waits here
        # until the thread runs.
        _thread.start_new_thread(_send_outside, (number, send_again.__code__))

    numbers = (signal.SIGTERM, signal.SIGHUP)
    before = {n: signal.getsignal(n) for n in numbers if signal.getsignal(n) != signal.SIG_IGN}
    if not from_now or threading.current_thread() is not threading.main_thread():
        before = {}  # only the main thread may set handlers
    for number in before:
        signal.signal(number, leave)
    if before:
        sys.unraisablehook = send_again
    try:
        yield left
    finally:
        sys.unraisablehook = dropped
        for number, handler in before.items():
            signal.signal(number, handler)


def _send_outside(number: int, hook: CodeType) -> None:
    """Send a signal to the main thread as soon as it is no longer inside the hook.

    On a busy machine it may stay there for long.
    """
    main = threading.main_thread().ident or 0
    time.sleep(_AGAIN_S)
    while _is_inside(sys._current_frames().get(main), hook):  # noqa: SLF001 - documented
        time.sleep(_AGAIN_S)
    signal.pthread_kill(main, number)


def _is_inside(frame: FrameType | None, code: CodeType) -> bool:
    while frame is not None and frame.f_code is not code:
        frame = frame.f_back
    return frame is not None
