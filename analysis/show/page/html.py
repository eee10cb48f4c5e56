"""The frame of every page: self-contained, no script, no request, nothing to fetch."""

from __future__ import annotations

from typing import TYPE_CHECKING

from markupsafe import Markup

from analysis.show.page.pieces import letters, text
from analysis.show.page.style import STYLE
from analysis.text import for_html, harmless
from logger.system.output import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Nothing may be loaded from anywhere, and no script may run, whatever gets into the page.
POLICY = Markup(
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
)

_FRAME = Markup("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="generator" content="ebbwatt {version}">
<title>{title}: {plain_label}</title>
<style>{style}</style>
</head>
<body>
<header>
<h1>{title}: {label}</h1>
<p class="quiet">{subtitle}</p>
</header>
<main>
{body}
</main>
<footer>
<p>{footer}</p>
</footer>
</body>
</html>
""")


def page_kind(name: str, title: str) -> Kind:
    """Return the kind of the pages that :func:`frame` makes under a title."""
    marks = (b'<meta name="generator" content="ebbwatt ', f"<title>{title}: ".encode())
    return Kind(
        name,
        lambda head, _: head.startswith(b"<!DOCTYPE html>") and all(mark in head for mark in marks),
    )


def frame(
    title: str,
    label: str,
    subtitle: str,
    body: Markup,
    footer: str,
    version: str,
    style: Markup = STYLE,
) -> str:
    """Return a whole page round ``body``; the other parts are plain text.

    ``label`` comes from outside: the name of the charger.
    """
    parts: Mapping[str, str] = {
        "policy": POLICY,
        "version": letters(version),
        "title": title,
        "plain_label": letters(harmless(label)),
        "style": style,
        "label": for_html(label),
        "subtitle": text(subtitle),
        "body": body,
        "footer": text(footer),
    }
    return str(_FRAME.format(**parts))
