"""The full screens behind the keys: fuel, health, load, and what the dashboard's words mean."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.text import Text

from analysis.show.cautions import SHORT
from analysis.show.dashboard import top
from analysis.show.dashboard.battery import LEVELS_V, SETTLED_H
from analysis.show.dashboard.frame import NARROWEST, WIDEST
from analysis.show.dashboard.marks import INKS
from analysis.show.dashboard.pen import Pen
from analysis.show.dashboard.plots import output_plot
from analysis.show.freshness import with_fuel_suspended
from analysis.show.glossary import meaning
from analysis.show.phrases import (
    decline_sentence,
    next_actions,
    remaining_sentence,
    sentence,
    verdict_sentence,
)
from analysis.show.screen import fuel, load
from analysis.show.verdict_words import LOW_FUEL_D
from analysis.show.wrapping import wrap_plain
from analysis.text import harmless

if TYPE_CHECKING:
    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.marks import Marks
    from analysis.show.dashboard.watch import Found

#: Key and full screen.
KEYS = {"?": "explain", "f": "fuel", "h": "health", "l": "load"}
#: What the keys do, on the dashboard and on a full screen, the fuller wording first.
HINTS = (
    "q quit   ? explain   f fuel   h health   l load",
    "q quit ? explain f fuel h health l load",
)
BACK = "any key: back   q quit"
MORE = "space: more  any key: back  q quit"
#: How the glossary begins where the dashboard says "can give".
_CAN_GIVE = "what the charger can give: "
#: Words of the glossary that the dashboard shows.
_EXPLAINED = ("plan limit", "replacement limit", "remaining life")
#: Rows of the plot of output on the screen of health, the most and the fewest.
_PLOT_ROWS, _FEWEST_ROWS = 12, 5
#: Below so many lines a full screen has neither empty ones nor the advice of the dashboard.
_ROOMY = 20


@dataclass(frozen=True, slots=True)
class View:
    """A full screen by its name, empty for the dashboard, and its page from 0."""

    name: str = ""
    page: int = 0

    def after(self, key: str) -> View:
        """Return what a key leads to: another page, another full screen, or the dashboard."""
        if not key:
            return self
        if key == " " and self.name:
            return View(self.name, self.page + 1)
        chosen = KEYS.get(key, "")
        return View() if chosen == self.name else View(chosen)


def hint(width: int) -> str:
    """Return the line that says what the keys do."""
    return next((text for text in HINTS if len(text) <= width), HINTS[-1])


def full_screen(
    view: View, facts: Facts, found: Found, width: int, height: int, marks: Marks
) -> list[Text]:
    """Return a full screen below the top line, ``height`` lines at most."""
    pen = Pen(max(NARROWEST, min(width, WIDEST)), marks)
    head, gap = top.top(pen, facts), [Text()]
    if height >= _ROOMY:
        head += top.advice(pen, facts)
    else:
        gap = []
    room = max(height - len(head) - 2 * len(gap) - 1, 1)
    if view.name == "fuel":
        body = _fuel(pen, facts, found)
    elif view.name == "health":
        body = _health(pen, facts, room)
    else:
        body = _load(pen, found) if view.name == "load" else _explained(pen, facts.source)
    pages = -(-len(body) // room)
    page = view.page % pages  # after the last comes the first
    shown, last = body[page * room : (page + 1) * room], BACK
    if pages > 1:
        last = f"{page + 1}/{pages}  {MORE}"
    lines = [*head, *gap, *shown, *gap, Text(last, style=INKS["quiet"])][:height]
    for line in lines:
        line.truncate(pen.width, overflow="crop")
    return lines


def _plain(pen: Pen, *texts: str) -> list[Text]:
    lines: list[Text] = []
    for text in texts:
        lines += [Text(line) for line in wrap_plain(pen.words(text), pen.width)]
    return lines


def _fuel(pen: Pen, facts: Facts, found: Found) -> list[Text]:
    if found.outlook is None:
        note = "not configured: add a [fuel] section" if facts.fuel is None else facts.fuel.note
        return _plain(pen, f"Fuel: {harmless(note, 200)}")
    outlook = with_fuel_suspended(found.outlook, facts.now_s)
    return [Text(line) for line in fuel.lines(outlook, None, pen.width)]


def _load(pen: Pen, found: Found) -> list[Text]:
    if found.load is None:
        return _plain(pen, f"What the boat draws: {harmless(found.note, 200) or 'not known'}.")
    return [Text(line) for line in load.lines(found.load, pen.width)]


def _health(pen: Pen, facts: Facts, room: int) -> list[Text]:
    a = facts.assessment
    if a is None:
        return _plain(pen, f"Health: {harmless(facts.assessment_note, 200) or 'not known'}.")
    said = _plain(pen, verdict_sentence(a), decline_sentence(a), remaining_sentence(a))
    reasons = [f"- {sentence(harmless(reason.text, 200))}" for reason in a.reasons]
    to_do = [f"- {harmless(text, 300)}" for text in next_actions(a, facts.now_s)]
    words = [*_plain(pen, "", "Why:", *reasons), *_plain(pen, "", "What to do:", *to_do)]
    # The plot takes what the words leave; its axes and key take four lines.
    rows = min(max(room - len(said) - len(words) - 5, _FEWEST_ROWS), _PLOT_ROWS)
    plot = output_plot(pen, facts, rows)
    return [*said, *words, *([Text(), *plot] if plot else [])]


def _explained(pen: Pen, source: str) -> list[Text]:
    full_v, fair_v = LEVELS_V["agm"]
    return _plain(
        pen,
        ">> producing   -- resting   > starting   < stopping",
        "!! fault   ?? not known   ! look at this",
        "[ok] sound   [!] plan the replacement",
        "[!!] replacement limit reached   [??] cannot say yet",
        "",
        f"Volts are a level only after {SETTLED_H:.0f} h of rest: full, fair or low. An AGM "
        f"battery of 12 V is full from {full_v:.1f} V and low below {fair_v:.1f} V (common "
        "practice). Charging: the voltage stands higher. Settling: the charger has stopped, the "
        "voltage still sinks by itself. Not charging: the log does not show how long it has "
        "rested. A load lowers the voltage too.",
        f"ran {pen.marks.shade * 3}: the charger ran in these hours.",
        f"Can give: {meaning('available output').removeprefix(_CAN_GIVE)}.",
        f"{pen.marks.bound} {meaning('the battery set the current')}.",
        f"In brackets, the 90 % interval: {meaning('90 % interval')}.",
        *(f"{word.capitalize()}: {meaning(word)}." for word in _EXPLAINED),
        f"Fuel LOW: it may last for less than {LOW_FUEL_D:.0f} days.",
        *([f"Measured by: {harmless(source, 400)}"] if source else []),
        "All words: the glossary in analysis/REFERENCE.md, or 'ebbwatt --man'.",
        "",
        SHORT,
    )
