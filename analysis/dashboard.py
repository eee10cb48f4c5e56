"""Lays the blocks of a frame out for the room at hand: one column, or two from 110 columns on."""

from __future__ import annotations

from itertools import zip_longest
from typing import TYPE_CHECKING

from rich.text import Text

from analysis import dashboard_blocks as blocks
from analysis.dashboard_blocks import Pen

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.dashboard_facts import Facts
    from analysis.dashboard_marks import Marks

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
    left_out: list[Block] = []
    lines = _frame(facts, width, marks, left_out)
    for block in _LEAST:
        if height is None or len(lines) <= height:
            break
        left_out.append(block)
        lines = _frame(facts, width, marks, left_out)
    for line in lines:
        line.rstrip()
        line.truncate(width, overflow="crop")
    return lines if height is None else lines[:height]


def _frame(facts: Facts, width: int, marks: Marks, left_out: list[Block]) -> list[Text]:
    pen = Pen(width, marks)
    lines = [*blocks.title(pen, facts), *blocks.headline(pen, facts)]
    if width < TWO_COLUMNS:
        return lines + _column(pen, facts, (*_NOW, *_LIFE), left_out)
    half = Pen((width - 3) // 2, marks)
    left = _column(half, facts, _NOW, left_out)
    right = _column(half, facts, _LIFE, left_out)
    for mine, other in zip_longest(left, right, fillvalue=Text()):
        # Not a copy: the style of the left line must not reach the right one.
        joined = Text().append_text(mine)
        joined.truncate(half.width, overflow="crop", pad=True)
        joined.append("   ")
        joined.append_text(other)
        lines.append(joined)
    return lines


def _column(pen: Pen, facts: Facts, wanted: tuple[Block, ...], left_out: list[Block]) -> list[Text]:
    return [line for block in wanted if block not in left_out for line in block(pen, facts)]
