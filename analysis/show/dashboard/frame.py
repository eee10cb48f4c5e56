"""Lays the blocks of a frame out for the room at hand: one column, or two from 110 columns on."""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

from rich.text import Text

from analysis.show.dashboard import blocks
from analysis.show.dashboard.blocks import Pen

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.marks import Marks

    Block = Callable[[Pen, Facts], list[Text]]

#: From this width on the frame has two columns.
TWO_COLUMNS = 110
#: The frame is readable down to this width.
NARROWEST = 40
#: Wider than this, lines become too long for the eye.
WIDEST = 132

_NOW: tuple[Block, ...] = (
    blocks.gap,
    blocks.output,
    blocks.battery,
    blocks.voltage_plot,
    blocks.gap,
    blocks.use,
    blocks.fuel,
)
_LIFE: tuple[Block, ...] = (
    blocks.gap,
    blocks.health,
    blocks.output_plot,
    blocks.gap,
    blocks.log,
)
#: What is left out first where the screen is too low.
_LEAST = (
    blocks.gap,
    blocks.voltage_plot,
    blocks.output_plot,
    blocks.log,
    blocks.use,
    blocks.battery,
)


def frame(facts: Facts, width: int, marks: Marks, height: int | None = None) -> list[Text]:
    """Return one frame as lines of at most ``width`` columns and, if given, ``height`` lines.

    Where the height does not suffice, whole blocks are left out, the least important first; the
    headline, health and fuel always stay.
    """
    width = max(NARROWEST, min(width, WIDEST))
    two = width >= TWO_COLUMNS
    pen = Pen((width - 3) // 2 if two else width, marks)
    top = Pen(width, marks)
    head = [*blocks.title(top, facts), *blocks.headline(top, facts)]
    made = {block: block(pen, facts) for block in dict.fromkeys((*_NOW, *_LIFE))}
    lines = _laid_out(head, made, pen.width, two=two)
    for block in _LEAST:
        if height is None or len(lines) <= height:
            break
        made[block] = []
        lines = _laid_out(head, made, pen.width, two=two)
    for line in lines:
        line.rstrip()
        line.truncate(width, overflow="crop")
    return lines if height is None else lines[:height]


def _laid_out(
    head: list[Text], made: dict[Block, list[Text]], width: int, *, two: bool
) -> list[Text]:
    """Return the lines of the head and of the blocks, in one column or in two."""
    left = [line for block in _NOW for line in made[block]]
    right = [line for block in _LIFE for line in made[block]]
    if not two:
        return [line.copy() for line in (*head, *left, *right)]
    joined = []
    for mine, other in zip_longest(left, right, fillvalue=Text()):
        # Not a copy: the style of the left line must not reach the right one.
        line = Text().append_text(mine)
        line.truncate(width, overflow="crop", pad=True)
        line.append("   ")
        line.append_text(other)
        joined.append(line)
    return [*head, *joined]
