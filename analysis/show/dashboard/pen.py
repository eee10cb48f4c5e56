"""How a frame is written: the width at hand, the marks, and a word at the left of each entry."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from analysis.show.dashboard.marks import INKS
from analysis.show.wrapping import wrap

if TYPE_CHECKING:
    from analysis.show.dashboard.marks import Marks

#: Width of the words at the left.
NAMES = 10


@dataclass(frozen=True, slots=True)
class Pen:
    """How to write: the width at hand and the marks that the terminal knows."""

    width: int
    marks: Marks

    @property
    def room(self) -> int:
        """Columns beside the words at the left."""
        return self.width - NAMES

    def words(self, text: str) -> str:
        """Return the text with marks that the terminal knows."""
        return text.replace("\N{MIDDLE DOT}", self.marks.dot)


def entry(pen: Pen, name: str, text: str | Text, style: str = "") -> list[Text]:
    """Return a word at the left and a text beside it, wrapped by the width of its letters."""
    body = text if isinstance(text, Text) else Text(pen.words(text), style=style)
    return [
        Text.assemble((f"{name if i == 0 else '':<{NAMES}}", INKS["quiet"]), line)
        for i, line in enumerate(wrap(body, pen.room))
    ]
