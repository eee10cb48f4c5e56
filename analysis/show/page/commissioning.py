"""The commissioning record: one page of paper with figures, check list, cautions and signatures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import day, figure_with_ends, minute
from analysis.installation.checklist import ITEMS
from analysis.installation.findings import (
    CAUTION,
    air,
    columns,
    findings,
    gaps,
    refused,
    rows,
    why_not,
)
from analysis.installation.manual_limits import figures_of
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.page.html import frame, page_kind
from analysis.show.page.sections import listing, paragraphs, table, text
from analysis.show.page.style import STYLE
from analysis.text import for_html

if TYPE_CHECKING:
    from analysis.installation.checklist import Item, Tick
    from analysis.installation.result import FitCheck

_TITLE = "Commissioning record"
RECORD = page_kind("commissioning record", _TITLE)
_STYLE = (
    STYLE
    + """
.box { display: inline-block; width: 1.1em; height: 1.1em; border: 1.5px solid var(--text);
  text-align: center; line-height: 1; font-weight: 700; }
.sign { display: flex; gap: 2rem; margin: 1.5rem 0 .5rem; }
.sign span { flex: 1; border-top: 1px solid var(--text); font-size: .875rem; }
@media print { html { font-size: 7.8pt; } h2 { margin: .5rem 0 .2rem; }
  body { line-height: 1.22; } th, td { padding-top: .1rem; padding-bottom: .1rem; }
  .sign { margin-top: 1.5rem; } footer { margin-top: .5rem; } }
"""
)
_SIGNATURES = (
    '<div class="sign"><span>fitted by (name, firm)</span><span>date</span>'
    "<span>signature</span><span>owner's signature</span></div>"
)
_MOST_LETTERS = 60


def record(check: FitCheck, made_s: float, version: str) -> str:
    """Return the commissioning record as one self-contained HTML page.

    Parameters
    ----------
    check
        What is known about the fitting.
    made_s
        Unix time at which the record is made.
    version
        Version of this program.
    """
    fitted = f", fitted {check.fitted}" if check.fitted else ""
    return frame(
        _TITLE,
        check.label,
        f"Rated output {check.rated_w:.0f} W{fitted}. Made {minute(made_s)} UTC by "
        f"ebbwatt {version}.",
        _figures(check) + _check_list(check) + _cautions() + _SIGNATURES,
        "Dates are year-month-day, UTC. Intervals are 90 %. Output in per cent of rated. " + LIMITS,
        version,
        _STYLE,
    )


def _figures(check: FitCheck) -> str:
    head = "<h2>What the log says</h2>"
    shown, heads = columns(check)
    if not shown:
        return head + paragraphs(f"Nothing yet: {check.reasons['first']}.")
    lines = [
        (text(name), *(text(figure_with_ends(*known)) for known in cells))
        for name, cells in rows(check)
    ]
    lines.append(("dates", *(f"{day(f.from_s)} to {day(f.to_s)}" for f in shown)))
    lines.append(("gaps in the readings", *(text(gaps(f)) for f in shown)))
    lines.append(("data refused", *(refused(f) for f in shown)))
    notes = [f"Output: {shown[-1].output_limit}.", *findings(check), air(check)]
    notes += [f"{reason[:1].upper()}{reason[1:]}." for reason in why_not(check)]
    figures = table(
        "Figures of the fitting, with 90 % intervals", ("", *heads), lines, "t" * (1 + len(heads))
    )
    return head + figures + listing(text(note) for note in notes)


def _check_list(check: FitCheck) -> str:
    lines = [
        (
            _box(check.ticks.get(item.key)),
            _what(item, check),
            _who(check.ticks.get(item.key)),
        )
        for item in ITEMS
    ]
    return "<h2>Fitter's check list</h2>" + table(
        "The unit's own manual decides: figures by its word from [unit], blanks for the pen. "
        "A cross: ticked with 'ebbwatt event tick'; an open box: for the pen",
        ("", "what must be so", "by whom, when"),
        lines,
        "ttt",
    )


def _what(item: Item, check: FitCheck) -> str:
    figures = figures_of(item, check.unit)
    return text(f"{item.text}; {figures}" if figures else item.text)


def _box(tick: Tick | None) -> str:
    state, mark = ("open", "") if tick is None else ("ticked", "x")
    return f'<span class="box" role="img" aria-label="{state}">{mark}</span>'


def _who(tick: Tick | None) -> str:
    if tick is None:
        return ""
    remark = f"; {for_html(tick.remark, _MOST_LETTERS)}" if tick.remark else ""
    return f"{for_html(tick.who)}, {day(tick.time_s)}{remark}"


def _cautions() -> str:
    items = [f"<strong>{text(c.title)}.</strong> {text(c.text)}" for c in CAUTIONS]
    return (
        '<section class="cautions" aria-label="Cautions"><h2>Cautions</h2>'
        f"{paragraphs(CAUTION)}{listing(items)}</section>"
    )
