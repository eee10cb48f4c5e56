"""Writes the report as one self-contained HTML page: no script, no request, nothing to fetch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import clock
from analysis.show.page.html import frame, page_kind
from analysis.show.page.pieces import joined, tag
from analysis.show.page.report.appendix import appendix
from analysis.show.page.report.evidence import (
    courses,
    service,
    since,
    two_runs,
    what_was_used,
)
from analysis.show.page.report.findings import (
    action,
    identity,
    inputs_checked,
    installation,
    verdict,
)
from analysis.show.page.report.method import by_hand, cautions, method
from analysis.show.page.report.output import output
from analysis.units import owner
from logger.system.output import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.show.matter import Matter

_TITLE = "Charger report"
PAGE = page_kind("report page", _TITLE)
#: The page from top to bottom: on paper each group begins a new page.
LEAVES = (
    # What was found, and what to do.
    (identity, verdict, output, inputs_checked, installation, action),
    # What it rests on.
    (since, two_runs, courses, what_was_used, service),
    # Method, cautions, check by hand; what a customer need not read.
    (method, cautions, by_hand, appendix),
)


def page(matter: Matter) -> str:
    """Return the report as HTML."""
    a = matter.assessment
    fitted = f", fitted {a.fitted}" if a.fitted else ""
    return frame(
        _TITLE,
        a.label,
        f"Rated output {a.rated_w:.0f} W{fitted}. Made {clock(matter.made_s)} by "
        f"ebbwatt {matter.version}.",
        joined(
            *(tag("div", *(section(matter) for section in leaf), class_="leaf") for leaf in LEAVES)
        ),
        "Percentages are of rated output unless said otherwise. Dates are year-month-day, "
        f"{owner().days_of()}. Intervals are 90 %.",
        matter.version,
    )


def write_page(path: Path, matter: Matter, keep: Mapping[Path, str]) -> None:
    """Write the page; the old file stays whole until the new one is complete.

    Raises
    ------
    EbbwattError
        If the file cannot be written, or is one of ``keep`` or something else that must stay.
    """
    write_whole(path, page(matter), PAGE, keep)
