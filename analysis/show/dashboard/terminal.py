"""The live screen: frames on the terminal's alternate screen, of which only what changed is sent.

A dashboard changes a line or two a second. Sending those alone keeps the picture still, the link
from the cabin idle and the processor cool.
"""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING, NoReturn, Self

from rich.console import Console
from rich.control import Control
from rich.segment import ControlType

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from rich.text import Text

_REST_OF_LINE = Control((ControlType.ERASE_IN_LINE, 0))


class PipedConsole(Console):
    """A console that lets the command decide how to end when the reader of a pipe has gone."""

    def on_broken_pipe(self) -> NoReturn:
        """Say so, as writing without a console does."""
        raise BrokenPipeError


def size_of(console: Console) -> tuple[int, int]:
    """Return columns and lines of the window as it is now, whatever the environment says.

    A terminal that does not know its size has the one that the console supposes.
    """
    with contextlib.suppress(OSError, ValueError, AttributeError):
        columns, lines = os.get_terminal_size(console.file.fileno())
        if columns > 0 and lines > 0:
            return columns, lines
    return console.size.width, console.size.height


class Screen:
    """A context in which frames are shown; on the way out the terminal is as it was."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._size = size_of(console)
        self._shown: list[Text] = []

    def __enter__(self) -> Self:
        self._console.set_alt_screen(enable=True)
        self._console.show_cursor(show=False)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # The terminal may be gone, as when the link from the cabin is cut.
        with contextlib.suppress(OSError):
            self._console.show_cursor(show=True)
            self._console.set_alt_screen(enable=False)

    def show(self, lines: Sequence[Text]) -> int:
        """Show a frame and return how many lines had to be written."""
        console, written = self._console, 0
        with console:  # everything in one write
            if size_of(console) != self._size or len(lines) < len(self._shown):
                self._size, self._shown = size_of(console), []
                console.control(Control.home(), Control.clear())
            for row, line in enumerate(lines):
                if row < len(self._shown) and _same(self._shown[row], line):
                    continue
                console.control(Control.move_to(0, row))
                console.print(line, end="", soft_wrap=True)
                console.control(_REST_OF_LINE)
                written += 1
        self._shown = [line.copy() for line in lines]
        return written


def _same(one: Text, other: Text) -> bool:
    return one == other and one.style == other.style
