"""Lays a frame out for the room at hand: one column, or two from 110 columns on.

The top line always stands. Below it stand as many blocks as fit, in the order of their worth:
output and the battery's day, energy, health, fuel, events.
"""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

from rich.text import Text

from analysis.show.dashboard import top
from analysis.show.dashboard.blocks import WORDINGS
from analysis.show.dashboard.marks import INKS
from analysis.show.dashboard.pen import Pen

if TYPE_CHECKING:
    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.marks import Marks

#: From this width on the frame has two columns.
TWO_COLUMNS = 110
#: The frame is readable down to this width.
NARROWEST = 40
#: Greatest width: longer lines are hard to read.
WIDEST = 132

_LEFT = ("output", "battery", "use")
_RIGHT = ("health", "fuel", "log")
#: Order in which blocks become shorter on a low screen: a block, and the number of its wording.
#: Content that the top line repeats goes first. "title", "gaps" and "rule" are there or not.
_SHORTER = (
    ("battery", 1), ("health", 1), ("battery", 2), ("health", 2), ("log", 1), ("log", 2),
    ("gaps", 1), ("health", 3), ("battery", 3), ("health", 4), ("battery", 4), ("log", 3),
    ("rule", 1), ("health", 5), ("use", 1), ("battery", 5), ("health", 6), ("health", 7),
    ("log", 4), ("fuel", 1), ("health", 8), ("health", 9), ("output", 1), ("title", 1), ("fuel", 2),
    ("health", 10), ("use", 2), ("battery", 6), ("battery", 7), ("output", 2), ("battery", 8),
)  # fmt: skip


#: The wordings of a frame without a given height, where they are not the fullest.
_FREE = {"battery": 2, "health": 2}


def frame(
    facts: Facts, width: int, marks: Marks, height: int | None = None, hint: str = ""
) -> list[Text]:
    """Return one frame as lines of at most ``width`` columns and, if given, ``height`` lines.

    ``hint`` is the last line: what the keys do.
    """
    layout = _Layout(facts, max(NARROWEST, min(width, WIDEST)), marks, hint)
    if height is None:
        layout.choose(_FREE)
    else:
        layout.fit(height)
    return layout.lines()[:height]


class _Layout:
    """The blocks of one frame, each in one of its wordings."""

    def __init__(self, facts: Facts, width: int, marks: Marks, hint: str) -> None:
        self._facts, self._width, self._marks = facts, width, marks
        self._two = width >= TWO_COLUMNS
        self._pen = Pen((width - 3) // 2 if self._two else width, marks)
        whole = Pen(width, marks)
        self._title = top.title(whole, facts)
        self._head = [*top.top(whole, facts), *top.advice(whole, facts)]
        self._hint = [Text(hint, style=INKS["quiet"])] if hint else []
        self._chosen = dict.fromkeys((*WORDINGS, "gaps", "rule", "title"), 0)
        self._made: dict[tuple[str, int], list[Text]] = {}

    def choose(self, wordings: dict[str, int]) -> None:
        """Set the wordings, by name of the block."""
        self._chosen.update(wordings)

    def fit(self, height: int) -> None:
        """Choose the fullest wordings that fit together."""
        for name, number in _SHORTER:
            count = self._count()
            if count <= height:
                break
            before, self._chosen[name] = self._chosen[name], number
            if self._count() == count:
                # In two columns the other column is the longer one, so keep this block.
                self._chosen[name] = before
        # A block that was shortened early may have room again.
        for name, number in reversed(_SHORTER):
            if self._chosen[name] == number:
                self._chosen[name] = number - 1
                if self._count() > height:
                    self._chosen[name] = number

    def lines(self) -> list[Text]:
        """Return the lines of the frame."""
        head = [] if self._chosen["title"] else self._title
        if head and not self._chosen["rule"]:
            head = [*head, Text(self._marks.rule * self._width, style=INKS["quiet"])]
        head = [*head, *self._head, *self._gap()]
        if self._two:
            lines = [*head, *self._side_by_side(), *self._hint]
        else:
            lines = [*head, *self._column((*_LEFT, *_RIGHT)), *self._hint]
        lines = [line.copy() for line in lines]
        for line in lines:
            line.rstrip()
            line.truncate(self._width, overflow="crop")
        return lines

    def _gap(self) -> list[Text]:
        return [] if self._chosen["gaps"] else [Text()]

    def _block(self, name: str) -> list[Text]:
        key = (name, self._chosen[name])
        if key not in self._made:
            self._made[key] = WORDINGS[name][key[1]](self._pen, self._facts)
        return self._made[key]

    def _column(self, names: tuple[str, ...]) -> list[Text]:
        gap = self._gap()
        spaced = [
            line for name in names if self._block(name) for line in (*self._block(name), *gap)
        ]
        return spaced[: len(spaced) - len(gap)]

    def _side_by_side(self) -> list[Text]:
        joined = []
        left, right = self._column(_LEFT), self._column(_RIGHT)
        for mine, other in zip_longest(left, right, fillvalue=Text()):
            # Not a copy: the style of the left line must not reach the right one.
            line = Text().append_text(mine)
            line.truncate(self._pen.width, overflow="crop", pad=True)
            line.append("   ")
            line.append_text(other)
            joined.append(line)
        return joined

    def _count(self) -> int:
        """Return how many lines there are, without making them."""
        chosen = self._chosen
        head = len(self._head) + len(self._gap())
        if not chosen["title"]:
            head += len(self._title) + (not chosen["rule"])
        if self._two:
            body = max(len(self._column(_LEFT)), len(self._column(_RIGHT)))
        else:
            body = len(self._column((*_LEFT, *_RIGHT)))
        return head + body + len(self._hint)
