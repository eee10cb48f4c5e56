"""What ``ebbwatt fitting`` prints: one screen, plain letters."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from analysis.figures import figure, figure_with_ends
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
from analysis.text import harmless

if TYPE_CHECKING:
    from analysis.estimate import Span
    from analysis.installation.result import FitCheck

_NAMES = 24


def lines(check: FitCheck, width: int) -> list[str]:
    """Return the screen, each line at most ``width`` characters (at least 60)."""
    width = max(60, min(width, 100))
    fitted = f", fitted {check.fitted}" if check.fitted else ""
    out = [f"How it is fitted: {harmless(check.label, 30)}, {check.rated_w:.0f} W{fitted}"]
    if check.first is None:
        notes = [f"Nothing can be said yet: {check.reasons['first']}."]
    else:
        out += _table(check, width)
        notes = findings(check)
        newest = check.latest or check.first
        notes += [f"- output: {newest.output_limit}", *(f"- {reason}" for reason in why_not(check))]
    for note in (*notes, open_checks(check), CAUTION):
        indent = "  " if note.startswith("- ") else ""
        out += textwrap.wrap(note, width, subsequent_indent=indent)
    return out


def _table(check: FitCheck, width: int) -> list[str]:
    """Return the lines of the table; intervals are left out where there is no room for them."""
    shown, heads = columns(check)
    column = (width - _NAMES) // len(shown)

    def cell(span: Span, unit: str, scale: float) -> str:
        whole = figure_with_ends(span, unit, scale)
        # One unit will do where there is no room for two.
        for text in (whole, whole.replace(f" {unit})", ")")):
            if len(text) < column:
                return text
        return figure(span, unit, scale)

    table = [("", heads)]
    table += [(name, [cell(*known) for known in cells]) for name, cells in rows(check)]
    table.append(("gaps", [gaps(f) if column > _NAMES else str(f.gaps) for f in shown]))
    table.append(("data refused", [refused(f) for f in shown]))
    return [
        f"  {name:<{_NAMES - 2}}{''.join(f'{c:<{column}}' for c in cells)}".rstrip()
        for name, cells in table
    ]
