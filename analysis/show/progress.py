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
