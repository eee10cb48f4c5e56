"""The top of a frame: one line with what the owner asks first, and below it what to do about it.

It never vanishes. On a narrow screen it folds between two statements.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from rich.text import Text

from analysis.assessment.document import Verdict
from analysis.figures import age, figure, minute
from analysis.show.dashboard.facts import WORKED_OUT, Situation
from analysis.show.dashboard.marks import INKS
from analysis.show.freshness import dated
from analysis.show.service import overdue
from analysis.show.verdict_words import VERDICT_SIGNS, VERDICT_WORDS
from analysis.show.wrapping import wrap
from analysis.text import harmless
from logger.reading import OperatingState

if TYPE_CHECKING:
    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.pen import Pen

#: Signs of the situations; two characters each, so that they are told apart without colour.
SIGNS = {
    Situation.PRODUCING: ">>",
    Situation.STARTING: "> ",
    Situation.STOPPING: "< ",
    Situation.RESTING: "--",
    Situation.FAULT: "!!",
    Situation.UNNAMED: "??",
    Situation.SILENT: "??",
    Situation.UNWATCHED: "??",
    Situation.UNREADABLE: "??",
    Situation.EMPTY: "??",
}
_CALM = {Situation.PRODUCING}
_PLAIN = {Situation.STARTING, Situation.STOPPING, Situation.RESTING}
VERDICT_INK = {
    Verdict.SOUND: INKS["calm"],
    Verdict.PLAN: INKS["mind"],
    Verdict.REPLACE: INKS["mind"],
    Verdict.UNDETERMINED: "",
}
#: Rests of the charger by state, as a person says them.
_RESTS = {
    OperatingState.OFF: "switched off",
    OperatingState.SLEEPING: "asleep",
    OperatingState.STANDBY: "standing by",
}


def title(pen: Pen, facts: Facts) -> list[Text]:
    """Return whose charger this is, and the time."""
    moment = datetime.fromtimestamp(facts.now_s, facts.zone).astimezone(facts.zone)
    offset = moment.strftime("%z")
    zone = "UTC" if offset in {"+0000", ""} else f"UTC{offset[:3]}:{offset[3:]}"
    right = f"{minute(facts.now_s, facts.zone)} {zone}"
    left = Text(harmless(facts.label, 40), style="bold")
    left.truncate(pen.width - len(right) - 2, overflow="crop")
    gap = pen.width - left.cell_len - len(right)
    return [Text.assemble(left, " " * gap, (right, INKS["quiet"]))]


def top(pen: Pen, facts: Facts) -> list[Text]:
    """Return the top line: state, volts, fuel, verdict, age of the newest reading."""
    parts = [p for p in (_state(facts), _volts(facts), _fuel(facts), _verdict(facts)) if p]
    if facts.live and facts.age_s is not None:
        parts.append(Text(f"read {age(facts.age_s)} ago"))
    between = pen.words(" \N{MIDDLE DOT} ")
    lines = [Text()]
    for part in parts:
        line = lines[-1]
        if line.cell_len and line.cell_len + len(between) + part.cell_len > pen.width:
            lines.append(Text())
        elif line.cell_len:
            line.append(between, INKS["quiet"])
        lines[-1].append_text(part)
    return [piece for line in lines for piece in wrap(line, pen.width)]


def _state(facts: Facts) -> Text:
    kind = facts.situation
    ink = INKS["calm"] if kind in _CALM else "" if kind in _PLAIN else INKS["mind"]
    return Text(f"{SIGNS[kind]} {_happening(facts)}", style=f"bold {ink}".strip())


def _happening(facts: Facts) -> str:
    reading, kind = facts.reading, facts.situation
    state = OperatingState.UNKNOWN if reading is None else reading.state
    power = "" if facts.power_w is None else f" {facts.power_w:.0f} W"
    word = "" if reading is None or not reading.word else f' "{harmless(reading.word, 40)}"'
    since = "" if facts.state_since_s is None else f" since {_clock(facts.state_since_s, facts)}"
    if kind is Situation.SILENT:
        return "No reading yet" if facts.age_s is None else f"NO READING for {age(facts.age_s)}"
    ended = "" if facts.age_s is None else f", log ended {age(facts.age_s)} ago"
    return {
        Situation.PRODUCING: f"Producing{power}",
        Situation.STARTING: f"Starting up{power and ','}{power}",
        Situation.STOPPING: f"Shutting down{power and ','}{power}",
        Situation.FAULT: f"FAULT{word}{since}",
        Situation.UNNAMED: f"UNKNOWN STATE{word}{since}",
        Situation.UNWATCHED: f"NOT LOGGING{ended}",
        Situation.UNREADABLE: "LOG NOT READABLE",
        Situation.EMPTY: "NO LOG YET",
    }.get(kind, f"Resting, {_RESTS.get(state, 'no output')}")


def _clock(time_s: float, facts: Facts) -> str:
    """Return the time of day, with the date where it is another day's."""
    text = minute(time_s, facts.zone)
    return text[11:] if text[:10] == minute(facts.now_s, facts.zone)[:10] else text


def _volts(facts: Facts) -> Text | None:
    b, reading = facts.battery, facts.reading
    if facts.live and reading is not None and reading.voltage_v is not None:
        # Under charge a hundredth of a volt means nothing; at rest it is some percent of charge.
        places = 1 if b.meaning == "charging" else 2
        low = "! " if b.meaning.startswith("low") else ""
        text = f"{low}{reading.voltage_v:.{places}f} V {b.meaning}".strip()
        return Text(text, style=f"bold {INKS['mind']}" if low else "")
    if reading is not None and reading.voltage_v is not None:
        return Text(f"{reading.voltage_v:.2f} V then")
    if b.volts.size:
        return Text(f"{b.volts[-1]:.2f} V {age(facts.now_s - float(b.times_s[-1]))} ago")
    return None


def _fuel(facts: Facts) -> Text | None:
    f = facts.fuel
    if f is None:
        return None
    if f.days.median is None and f.days.low is None:
        return Text(f"fuel {WORKED_OUT if f.note == WORKED_OUT else 'not known'}")
    days = f"{figure(f.days, 'd')}{dated(f.as_of_s, facts.now_s)}"
    if f.low:
        return Text(f"! fuel LOW, {days}", style=f"bold {INKS['mind']}")
    return Text(f"fuel {days}")


def _verdict(facts: Facts) -> Text:
    a = facts.assessment
    if a is None:
        known = WORKED_OUT if facts.assessment_note == WORKED_OUT else "not known"
        return Text(f"[??] health {known}")
    sign = VERDICT_SIGNS[a.verdict].strip()
    style = f"bold {VERDICT_INK[a.verdict]}".strip()
    return Text(f"[{sign}] {VERDICT_WORDS[a.verdict]}{before_fault(facts)}", style=style)


def before_fault(facts: Facts) -> str:
    """Return ' before the fault' where there is one: what was found out is older than it."""
    return " before the fault" if facts.situation is Situation.FAULT else ""


def advice(pen: Pen, facts: Facts) -> list[Text]:
    """Return why nothing is known of the present, and what to do; empty where all is well."""
    texts = [_advice(facts), _service(facts)]
    if facts.trouble and facts.situation is not Situation.UNREADABLE:
        texts.append(f"! The log cannot be read: {facts.trouble}")
    return [
        line
        for text in texts
        if text
        for line in wrap(Text(text, style=INKS["mind"] if text[0] == "!" else ""), pen.width)
    ]


def _service(facts: Facts) -> str:
    """Return the jobs of the service calendar that are due."""
    a = facts.assessment
    due = [] if a is None else overdue(a.service, facts.now_s)
    if a is None or not due:
        return ""
    return f"! Service due: {', '.join(due)}{dated(a.observed_to_s, facts.now_s)}"


def _advice(facts: Facts) -> str:
    kind = facts.situation
    state = None if facts.reading is None else facts.reading.state
    if kind is Situation.SILENT:
        link = harmless(facts.link, 120)
        end = "" if link.endswith((".", "?", "!")) else "."
        link = f"The link is {link}{end} " if link else ""
        return f"{link}Look at the charger's power and cable."
    if kind is Situation.PRODUCING and state is OperatingState.THROTTLED:
        return "The charger holds its output back by itself."
    if facts.live and state is OperatingState.UNKNOWN and facts.reading and facts.reading.word:
        word = harmless(facts.reading.word, 40)
        return (
            f'The configuration does not say what the charger\'s state "{word}" means: add it to '
            "[source.states]; 'ebbwatt probe' shows how."
        )
    return {
        Situation.FAULT: "Write down the word and the time, and look it up in the unit's own "
        "manual. Do not open the unit; if the fault comes back, have it looked at.",
        Situation.UNWATCHED: "Start 'ebbwatt log', or its service: 'sudo systemctl start ebbwatt'.",
        Situation.UNREADABLE: f"{harmless(facts.trouble, 300)}.",
        Situation.EMPTY: "Start 'ebbwatt log', or bring a log in with 'ebbwatt import'.",
    }.get(kind, "")
