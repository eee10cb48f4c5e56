"""What Ctrl-C does, and from when on.

Python turns SIGINT into ``KeyboardInterrupt``, raised between any two instructions. In the middle
of an import that may be a callback whose exceptions Python prints and drops: importlib's own, which
clears the locks of modules, is one. The program then goes on as if nobody had pressed a key; a
command that listens until it is told to stop would go on for ever. So while modules load, SIGINT
keeps the action that the system gives it: the process ends at once.
"""

from __future__ import annotations

import signal


def _set(handler: signal.Handlers | object) -> None:
    # What was ignored, as a shell's background does, stays ignored.
    if signal.getsignal(signal.SIGINT) in {signal.SIG_DFL, signal.default_int_handler}:
        signal.signal(signal.SIGINT, handler)  # type: ignore[arg-type]


def end_at_once() -> None:
    """Let SIGINT end this process, as the system does by default."""
    _set(signal.SIG_DFL)


def raise_interrupt() -> None:
    """Let SIGINT raise ``KeyboardInterrupt``, so that a command can tidy up."""
    _set(signal.default_int_handler)


#: The signal that cancelled the task; Ctrl-C is the usual end of what goes on until it is told.
_cancelled_by: list[int] = []


def cancel_this_task() -> None:
    """Let SIGINT, SIGTERM and SIGHUP cancel the running task.

    Nothing is raised in the middle of other code.
    """
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
    """Return the exit status of a command whose task a signal has cancelled."""
    by_signal = [number for number in _cancelled_by if number != signal.SIGINT]
    return 128 + by_signal[0] if by_signal else 0
