"""Writes the report as one self-contained HTML page: no script, no request, nothing to fetch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.figures import minute
from analysis.show.page.sections import ORDER, text
from analysis.show.page.style import STYLE
from analysis.text import for_html, harmless
from logger.system.output import Kind, write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from analysis.show.page.sections import Matter

#: Nothing may be loaded from anywhere, and no script may run, whatever gets into the page.
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


_TITLE = "Charger report"


def page_kind(name: str, title: str) -> Kind:
    """Return the kind of the pages that :func:`frame` makes under a title."""
    marks = (b'<meta name="generator" content="ebbwatt ', f"<title>{title}: ".encode())
    return Kind(
        name,
        lambda head, _: head.startswith(b"<!DOCTYPE html>") and all(mark in head for mark in marks),
    )


PAGE = page_kind("report page", _TITLE)


def page(matter: Matter) -> str:
    """Return the report as HTML."""
    a = matter.assessment
    fitted = f", fitted {a.fitted}" if a.fitted else ""
    return frame(
        _TITLE,
        a.label,
        f"Rated output {a.rated_w:.0f} W{fitted}. Made {minute(matter.made_s)} UTC by "
        f"ebbwatt {matter.version}.",
        "".join(section(matter) for section in ORDER),
        "Percentages are of rated output unless said otherwise. Dates are year-month-day, UTC. "
        "Intervals are 90 %.",
        matter.version,
    )


def frame(
    title: str, label: str, subtitle: str, body: str, footer: str, version: str, style: str = STYLE
) -> str:
    """Return a whole page round ``body`` (HTML); the other parts are plain text.

    ``label`` comes from outside: the name of the charger.
    """
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="ebbwatt {text(version)}">
<title>{title}: {text(harmless(label))}</title>
<style>{style}</style>
</head>
<body>
<header>
<h1>{title}: {for_html(label)}</h1>
<p class="quiet">{text(subtitle)}</p>
</header>
<main>
{body}
</main>
<footer>
<p>{text(footer)}</p>
</footer>
</body>
</html>
"""


def write_page(path: Path, matter: Matter, keep: Mapping[Path, str]) -> None:
    """Write the page; the old file stays whole until the new one is complete.

    Raises
    ------
    EbbwattError
        If the file cannot be written, or is one of ``keep`` or something else that must stay.
    """
    write_whole(path, page(matter), PAGE, keep)
