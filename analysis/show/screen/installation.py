"""What ``ebbwatt fitting`` prints: one screen, plain letters."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analysis.figures import figure_with_ends
from analysis.installation.findings import (
    CAUTION,
    columns,
    findings,
    gaps,
    open_checks,
    refused,
    rows,
    why_not,
)
from analysis.show.wrapping import filled, wrap_plain
from analysis.text import harmless

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.installation.result import FitCheck

_NAMES = 26
#: A figure with its interval that says its unit twice.
_TWICE = re.compile(r"^(\S+) (\S+) \((.*) \2\)$")


def lines(check: FitCheck, width: int) -> list[str]:
    """Return the screen, each line at most ``width`` characters (at least 40)."""
    width = max(40, min(width, 100))
    fitted = f", fitted {check.fitted}" if check.fitted else ""
    title = f"How it is fitted: {harmless(check.label, 30)}, {check.rated_w:.0f} W{fitted}"
    out = wrap_plain(title, width)
    if check.first is None:
        notes = [f"Nothing can be said yet: {check.reasons['first']}."]
    else:
        out += _table(check, width)
        notes = findings(check)
        newest = check.latest or check.first
        notes += [f"- output: {newest.output_limit}", *(f"- {reason}" for reason in why_not(check))]
    for note in (*notes, open_checks(check), CAUTION):
        indent = "  " if note.startswith("- ") else ""
        out += filled(note, width, indent)
    return out


def _table(check: FitCheck, width: int) -> list[str]:
    """Return the lines of the table; where it has no room, each row folds into lines."""
    shown, heads = columns(check)
    told = [(name, [figure_with_ends(*cell) for cell in cells]) for name, cells in rows(check)]
    told.append(("gaps", [gaps(f) for f in shown]))
    told.append(("data refused", [refused(f) for f in shown]))
    column = (width - _NAMES) // len(shown)
    if any(len(_short(cell)) >= column for _, cells in told for cell in cells):
        return _folded(told, heads, width)
    return [
        f"  {name:<{_NAMES - 2}}{''.join(f'{c:<{column}}' for c in cells)}".rstrip()
        for name, cells in (
            ("", heads),
            *((name, [c if len(c) < column else _short(c) for c in cells]) for name, cells in told),
        )
    ]


def _short(cell: str) -> str:
    """Return a figure whose unit stands once: '7.0 K (6.2 to 7.8)'."""
    return _TWICE.sub(r"\1 \2 (\3)", cell)


def _folded(
    told: Sequence[tuple[str, Sequence[str]]], heads: Sequence[str], width: int
) -> list[str]:
    out = []
    for name, cells in told:
        parts = "; ".join(f"{head} {cell}" for head, cell in zip(heads, cells, strict=True))
        lines = wrap_plain(f"{name}: {parts}", width - 4)
        out += [f"  {lines[0]}", *(f"    {line}" for line in lines[1:])]
    return out
