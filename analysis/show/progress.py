"""Progress of long work: drawn on a terminal, silent elsewhere, gone when interrupted.

It goes to standard error, so that it never mixes with figures.
"""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


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
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(title, total=1.0)
        yield lambda done: progress.update(task, completed=min(1.0, done))


@contextmanager
def counted(what: str) -> Iterator[Callable[[int, int], None]]:
    """Yield a function that takes how many of how many are done; shows how many a minute."""
    if not sys.stderr.isatty():
        yield lambda *_: None
        return
    import time

    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as Remaining

    columns = (
        TextColumn(what),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.description}"),
        Remaining(compact=True),
    )
    begun_s = time.monotonic()
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task("", total=None)

        def told(done: int, of: int) -> None:
            minutes = (time.monotonic() - begun_s) / 60.0
            pace = f"{done / minutes:.0f} a minute" if done and minutes > 0.0 else ""
            progress.update(task, completed=done, total=of, description=pace)

        yield told


@contextmanager
def stages(first: str) -> Iterator[Callable[[str], None]]:
    """Yield a function that takes what is being done now."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.text import Text

    # As Text, so that a file name with brackets is no markup.
    with Console(stderr=True).status(Text(first)) as status:
        yield lambda words: status.update(Text(words))
