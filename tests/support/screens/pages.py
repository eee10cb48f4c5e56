"""What a report is made of, for tests of what people see, and its outline as a reader meets it."""

import html
import re
from dataclasses import replace
from html.parser import HTMLParser

from analysis.estimate import Span
from analysis.show.matter import Matter
from tests.support.screens import scenes

MADE_S = scenes.END_S + 3600.0
SCENES = {
    "plan": scenes.assessment,
    "sound": scenes.sound,
    "replacement due": scenes.replacement_due,
    "only bounds": scenes.only_bounds,
    "empty": scenes.empty,
}
VOID = {"meta", "br", "img", "link", "hr", "input", "wbr", "col"}


def matter(name="plan", events=(), **changes):
    return Matter(replace(SCENES[name](), **changes), tuple(events), MADE_S, "0.1.0")


def words_of(page):
    """Return the words that a customer reads: not what folds away, nor the plots."""
    body = page[page.index("<body>") :]
    shown = re.sub(r"<svg.*?</svg>|<details.*?</details>", "", body, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", shown)).split()


class Outline(HTMLParser):
    """Collects what a reader with a screen reader would step through."""

    def __init__(self, text):
        super().__init__()
        self.headings, self.tags, self.attributes, self.open = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, "tags are not nested"


def earlier():
    """Return the document of a visit a year before."""
    return replace(
        scenes.assessment(),
        observed_to_s=scenes.END_S - 365 * 86400.0,
        running_hours=2400.0,
        at_runtime_h=2400.0,
        energy_kwh=200.0,
        output=Span(0.76, 0.78, 0.80),
        decline_per_1000h=Span(0.07, 0.09, 0.11),
    ).document()
