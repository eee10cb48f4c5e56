"""The commissioning record: one page of paper with figures, check list, cautions and signatures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

from analysis.estimate import Span
from analysis.figures import clock, day, figure_with_ends
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
from analysis.installation.judge import judged, limits
from analysis.installation.manual_limits import figures_of
from analysis.installation.result import GOOD_DROP
from analysis.show.cautions import CAUTIONS, LIMITS
from analysis.show.page.html import frame, page_kind
from analysis.show.page.identity import Identity, block, signatures
from analysis.show.page.pieces import (
    NOTHING,
    heading,
    joined,
    listing,
    paragraphs,
    table,
    tag,
    text,
)
from analysis.show.page.style import STYLE
from analysis.text import for_html
from analysis.units import in_degrees, owner

if TYPE_CHECKING:
    from analysis.installation.checklist import Item, Tick
    from analysis.installation.result import FitCheck

_TITLE = "Commissioning record"
RECORD = page_kind("commissioning record", _TITLE)
_STYLE = STYLE + Markup("""
.who { width: max-content; max-width: 21rem; }
.box { display: inline-block; width: 1.1em; height: 1.1em; border: 1.5px solid var(--text);
  text-align: center; line-height: 1; font-weight: 700; }
@media (max-width: 40rem) { .who { width: auto; } }
@page { margin: 8mm 14mm; }
@media print { html { font-size: 7.5pt; } table { margin: .3rem 0; } h2 { margin: .5rem 0 .2rem; }
  body { line-height: 1.14; } .cautions { padding: .1rem .6rem; }
  li { margin: .05rem 0; } th, td { padding-top: .1rem; padding-bottom: .1rem; }
  .sign { margin-top: 1.2rem; } footer { margin-top: .5rem; } }
""")
_SIGNATURES = ("fitted by (name, firm)", "date", "signature", "owner's signature")
_BLANK = tag("span", class_="pen")
_MOST_LETTERS = 45


def record(check: FitCheck, made_s: float, version: str, who: Identity | None = None) -> str:
    """Return the commissioning record as one self-contained HTML page.

    Parameters
    ----------
    check
        What is known about the fitting.
    made_s
        Unix time at which the record is made.
    version
        Version of this program.
    who
        Vessel, owner, serial number, technician and instruments; blanks where not known.
    """
    identity = block(who or Identity(), check.label, check.running_h, day(made_s))
    fitted = f", fitted {check.fitted}" if check.fitted else ""
    return frame(
        _TITLE,
        check.label,
        f"Rated output {check.rated_w:.0f} W{fitted}. Made {clock(made_s)} by ebbwatt {version}.",
        joined(
            identity,
            _figures(check),
            _by_hand(check),
            _check_list(check),
            _cautions(),
            signatures(_SIGNATURES),
        ),
        f"Dates are year-month-day, {owner().days_of()}. Intervals are 90 %. Output in per cent "
        f"of rated. {LIMITS}",
        version,
        _STYLE,
    )


def _figures(check: FitCheck) -> Markup:
    head = heading("What the log says")
    shown, heads = columns(check)
    if not shown:
        return joined(head, paragraphs(f"Nothing yet: {check.reasons['first']}."))
    known = limits(check)
    lines: list[tuple[str, ...]] = [
        (
            text(name),
            *(_judged(cell, known.get(name)) for cell in cells),
            text(known[name][1] if name in known else ""),
        )
        for name, cells in rows(check)
    ]
    lines.append(("dates", *(text(f"{day(f.from_s)} to {day(f.to_s)}") for f in shown), ""))
    lines.append(("gaps in the readings", *(text(gaps(f)) for f in shown), ""))
    lines.append(("data refused", *(refused(f) for f in shown), ""))
    notes = [f"Output: {shown[-1].output_limit}.", *findings(check), air(check)]
    notes += [f"{reason[:1].upper()}{reason[1:]}." for reason in why_not(check)]
    figures = table(
        "Figures of the fitting, with 90 % intervals; open: the limit lies inside the interval",
        ("", *heads, "at most"),
        lines,
        "t" * (2 + len(heads)),
    )
    return joined(head, figures, listing(text(note) for note in notes))


def _judged(cell: tuple[Span, str, float], limit: tuple[float, str] | None) -> Markup:
    """Return a figure, and whether it keeps its limit."""
    words = text(figure_with_ends(*cell))
    if limit is None or cell[0] == Span():
        return words
    return joined(words, " ", tag("strong", judged(cell[0], limit[0])))


def _by_hand(check: FitCheck) -> Markup:
    """Return blanks for what is measured by hand in a run, with what each is held against."""
    lost = f"{GOOD_DROP * check.nominal_v:.2f} V (both leads, {100 * GOOD_DROP:.0f} %)"
    measured = (
        ("current, clamp meter on one output lead", "A", "the log's, within the meter's accuracy"),
        ("voltage at the charger's terminals", "V", "the log's"),
        ("voltage lost along both leads, added", "V", f"at most {lost}"),
        ("voltage at the battery's posts, at rest", "V", ""),
    )
    lines = [
        (
            text(what),
            tag("span", _BLANK, f" {unit}", class_="whole"),
            text(against),
            _verdict_boxes() if against else "",
        )
        for what, unit, against in measured
    ]
    heads = ("what", "measured", "against", "")
    return joined(
        heading("Measured by hand, in a run at full output"),
        table("For the pen; common practice, no source", heads, lines, "tttt"),
    )


def _verdict_boxes() -> Markup:
    boxes = [tag("span", _box(None), f" {word}", class_="whole") for word in ("pass", "fail")]
    return joined(boxes[0], " ", boxes[1])


def _check_list(check: FitCheck) -> Markup:
    lines = [
        (
            _box(check.ticks.get(item.key)),
            _what(item, check),
            _who(check.ticks.get(item.key)),
        )
        for item in ITEMS
    ]
    caption = (
        "The unit's own manual decides: its figures come from [unit], a blank is for the pen. "
        "A cross was ticked with 'ebbwatt event tick', an open box is for the pen"
    )
    return joined(
        heading("Fitter's check list"),
        table(caption, ("", "what is checked", "by whom, when"), lines, "ttt"),
    )


def _what(item: Item, check: FitCheck) -> Markup:
    figures = figures_of(item, check.unit)
    return text(f"{item.text}; {figures}" if figures else item.text)


def _box(tick: Tick | None) -> Markup:
    state, cross = ("open", "") if tick is None else ("ticked", "x")
    return tag("span", cross, class_="box", role="img", aria_label=state)


def _who(tick: Tick | None) -> Markup:
    if tick is None:
        return NOTHING
    remark = joined("; ", for_html(tick.remark, _MOST_LETTERS)) if tick.remark else NOTHING
    date = tag("span", day(tick.time_s), class_="whole")
    return tag("div", for_html(tick.who), ", ", date, remark, class_="who")


def _cautions() -> Markup:
    items = [
        joined(tag("strong", text(f"{c.title}.")), " ", text(in_degrees(c.text))) for c in CAUTIONS
    ]
    return tag(
        "section",
        heading("Cautions"),
        paragraphs(CAUTION),
        listing(items),
        class_="cautions",
        aria_label="Cautions",
    )
