"""Progress of long work: drawn on a terminal, silent elsewhere, gone when interrupted.

It goes to standard error, so that it never mixes with figures.
"""

from __future__ import annotations

import signal
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def leaving_cleanly() -> Iterator[None]:
    """Turn SIGTERM and SIGHUP into an exit with the usual status, 128 and the signal's number.

    As an exception, so that whatever was changed on the terminal is put back on the way out.
    """

    def leave(number: int, _: object) -> NoReturn:
        sys.exit(128 + number)

    numbers = (signal.SIGTERM, signal.SIGHUP)
    # What was ignored, as nohup does, stays ignored.
    before = {n: signal.getsignal(n) for n in numbers if signal.getsignal(n) != signal.SIG_IGN}
    for number in before:
        signal.signal(number, leave)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def bar(title: str) -> Iterator[Callable[[float], None]]:
    """Yield a function that takes the fraction that is done."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(compact=True),
    )
    with leaving_cleanly(), Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(title, total=1.0)
        yield lambda done: progress.update(task, completed=min(1.0, done))


@contextmanager
def stages(first: str) -> Iterator[Callable[[str], None]]:
    """Yield a function that takes what is being done now."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.text import Text

    # As Text, so that a file name with brackets is no markup.
    with leaving_cleanly(), Console(stderr=True).status(Text(first)) as status:
        yield lambda words: status.update(Text(words))
