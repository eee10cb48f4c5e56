"""Writes the tables of the studies into METHOD.md."""

from __future__ import annotations

from pathlib import Path
from textwrap import fill

METHOD = Path(__file__).resolve().parent.parent / "METHOD.md"
#: Characters of a line there, tables aside.
WIDTH = 120


def write_table(table: str, mark: str) -> None:
    """Write a table between the two comments with its mark; its sentences are wrapped."""
    begin, end = f"<!-- {mark}:begin -->", f"<!-- {mark}:end -->"
    text = METHOD.read_text(encoding="utf-8")
    before, _, rest = text.partition(begin)
    after = rest.partition(end)[2]
    lines = (
        line if line.startswith("|") else fill(line, WIDTH, break_on_hyphens=False)
        for line in table.split("\n")
    )
    told = "\n".join(lines)
    METHOD.write_text(f"{before}{begin}\n\n{told}\n{end}{after}", encoding="utf-8")
