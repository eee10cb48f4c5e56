"""Writes the report as one self-contained HTML page: no script, no request, nothing to fetch."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

from analysis.figures import minute
from analysis.report_sections import ORDER, text
from analysis.report_style import STYLE
from analysis.text import for_html, harmless
from logger.errors import EbbwattError

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.assessment import Assessment
    from analysis.report_sections import Matter

#: Nothing may be loaded from anywhere, and no script may run, whatever gets into the page.
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"


def page(matter: Matter) -> str:
    """Return the report as HTML."""
    a = matter.assessment
    fitted = f", fitted {a.fitted}" if a.fitted else ""
    return frame(
        "Charger report",
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


def json_text(assessment: Assessment) -> str:
    """Return the assessment document as JSON in ASCII, so that no terminal acts on it."""
    return json.dumps(assessment.document(), indent=1, ensure_ascii=True)


def write_page(path: Path, matter: Matter) -> None:
    """Write the page; the old file stays whole until the new one is complete.

    Raises
    ------
    EbbwattError
        If the file cannot be written.
    """
    write_whole(path, page(matter))


def write_whole(path: Path, content: str) -> None:
    """Replace a text file by a complete new one.

    Raises
    ------
    EbbwattError
        If the file cannot be written.
    """
    if path.is_dir():
        raise EbbwattError(f"{path}: is a directory; name a file to write to")
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            partial.write_text(content, encoding="utf-8")
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
    except OSError as error:
        raise EbbwattError(f"{path}: cannot be written: {error.strerror}") from None
