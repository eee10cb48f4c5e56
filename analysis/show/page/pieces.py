"""Pieces of HTML: a text is escaped unless it is of the type Markup, which only these make.

A page is built from elements alone. A plain ``str`` is text, whoever wrote it; it cannot become an
element because somebody forgot to escape it.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from markupsafe import Markup

from analysis.text import BEFORE_UNIT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

#: Units in plain letters, for terminals, and in the signs that a page can print.
_SIGNS = {
    "mOhm": "m\N{GREEK CAPITAL LETTER OMEGA}",
    "mm2": "mm\N{SUPERSCRIPT TWO}",
    "cm2": "cm\N{SUPERSCRIPT TWO}",
    "m3": "m\N{SUPERSCRIPT THREE}",
    "degC": "\N{DEGREE SIGN}C",
    "degF": "\N{DEGREE SIGN}F",
}
_PLAIN = re.compile(rf"\b({'|'.join(_SIGNS)})\b")
#: What stays on one line: a date, a month, and an option with its value.
_WHOLE = re.compile(r"\b\d{4}-\d\d(?:-\d\d)?(?!\d)|--[a-z]+(?: [A-Z]\b)?")
NOTHING = Markup("")


def tag(name: str, *inside: str, **attributes: str) -> Markup:
    """Return an element; what stands inside is escaped unless it is Markup.

    >>> tag("p", "a < b ", tag("strong", "c"), class_="quiet")
    Markup('<p class="quiet">a &lt; b <strong>c</strong></p>')
    """
    return Markup("<{0}{1}>{2}</{0}>").format(name, _written(attributes), NOTHING.join(inside))


def mark(name: str, **attributes: str) -> Markup:
    """Return an element that holds nothing, such as a path of a drawing."""
    return Markup("<{}{}/>").format(name, _written(attributes))


def _written(attributes: dict[str, str]) -> Markup:
    """Write attributes: ``class_`` is class, ``aria_label`` is aria-label."""
    return NOTHING.join(
        Markup(' {}="{}"').format(key.rstrip("_").replace("_", "-"), value)
        for key, value in attributes.items()
    )


def joined(*pieces: str) -> Markup:
    """Return pieces behind each other, what is not Markup escaped."""
    return NOTHING.join(pieces)


def letters(words: str) -> Markup:
    """Return a text of our own without elements: units in signs, a figure beside its unit."""
    words = BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", words)
    return joined(_PLAIN.sub(lambda found: _SIGNS[found[1]], words))


def text(words: str) -> Markup:
    """Return a text of our own as :func:`letters` does, each date and option on one line."""
    parts = _WHOLE.split(words)
    whole = [*(tag("span", found, class_="whole") for found in _WHOLE.findall(words)), NOTHING]
    return joined(
        *(piece for part, kept in zip(parts, whole, strict=True) for piece in (letters(part), kept))
    )


def heading(words: str) -> Markup:
    """Return the heading of a section."""
    return tag("h2", text(words))


def paragraphs(*texts: str) -> Markup:
    """Return paragraphs of our own texts; empty ones are left out."""
    return joined(*(tag("p", t if isinstance(t, Markup) else text(t)) for t in texts if t))


def listing(items: Iterable[str], kind: str = "ul", **attributes: str) -> Markup:
    """Return a list, nothing where it is empty."""
    inside = [tag("li", item) for item in items]
    return tag(kind, *inside, **attributes) if inside else NOTHING


def table(
    caption: str, heads: Sequence[str], rows: Iterable[Sequence[str]], numeric: str
) -> Markup:
    """Return a table; ``numeric`` has an 'n' for each column of figures."""

    def kind(place: int) -> dict[str, str]:
        return {"class_": "n"} if numeric[place] == "n" else {}

    def cell(place: int, inside: str) -> Markup:
        return (
            tag("th", inside, scope="row", **kind(place))
            if place == 0
            else tag("td", inside, **kind(place))
        )

    head = [tag("th", text(h), scope="col", **kind(i)) for i, h in enumerate(heads)]
    body = [tag("tr", *(cell(i, inside) for i, inside in enumerate(row))) for row in rows]
    return tag(
        "div",
        tag(
            "table",
            tag("caption", text(caption)),
            tag("thead", tag("tr", *head)),
            tag("tbody", *body),
        ),
        class_="scroll",
    )
