"""Decides what Ctrl-C does in each phase of a command.

Python turns SIGINT into ``KeyboardInterrupt`` between any two instructions. During an import that
may hit a callback whose exceptions Python prints and drops, such as importlib's own, which clears
the locks of modules. The program then runs on as if nobody had pressed a key, and a command that
listens until it is told to stop would run for ever. So SIGINT keeps its default action while
modules load: the process ends at once.
"""

from __future__ import annotations

import signal


def _set(handler: signal.Handlers | object) -> None:
    # A shell ignores SIGINT for a process in the background; keep it ignored.
    if signal.getsignal(signal.SIGINT) in {signal.SIG_DFL, signal.default_int_handler}:
        signal.signal(signal.SIGINT, handler)  # type: ignore[arg-type]


def end_at_once() -> None:
    """Let SIGINT end this process, as the system does by default."""
    _set(signal.SIG_DFL)


def raise_interrupt() -> None:
    """Let SIGINT raise ``KeyboardInterrupt``, so that a command can tidy up."""
    _set(signal.default_int_handler)


#: The signals that cancelled the task, in order.
_cancelled_by: list[int] = []


def cancel_this_task() -> None:
    """Let SIGINT, SIGTERM and SIGHUP cancel the running task, at its next ``await``."""
    import asyncio

    if (task := asyncio.current_task()) is None:
        return

    def cancel(number: int) -> None:
        _cancelled_by.append(number)
        task.cancel()

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is not signal.SIG_IGN:
            asyncio.get_running_loop().add_signal_handler(number, cancel, number)


def status_of_cancelled() -> int:
    """Return the exit status of a command whose task a signal has cancelled.

    Ctrl-C is the usual end of a command that runs until it is told to stop: status 0.
    """
    by_signal = [number for number in _cancelled_by if number != signal.SIGINT]
    return 128 + by_signal[0] if by_signal else 0
