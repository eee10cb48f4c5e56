"""The blocks of a dashboard frame, each a function from facts to lines of text.

A frame reads like a page of a log book: a word at the left, what there is to say beside it. The
first line that matters is a sentence. Blocks know their width and nothing of each other.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from analysis.assessment.document import Verdict
from analysis.estimate import Span
from analysis.figures import age, clock_hours, ends, energy, figure, figure_with_ends, minute
from analysis.health.run_table import Limit
from analysis.inputs.finding import Severity
from analysis.show.dashboard.facts import STEADY_V_PER_H, Situation
from analysis.show.dashboard.marks import INKS, Level, Marks, bar, binned, plot, row_of
from analysis.show.freshness import TOLD_FROM_D, as_of
from analysis.show.inputs import worst
from analysis.show.phrases import VERDICT_SIGNS, VERDICT_WORDS, remaining_short, sentence
from analysis.show.tables import FAULT_WORDS, PERSON_WORDS, faults, faults_in_words
from analysis.show.wrapping import wrap
from analysis.text import harmless
from logger.durations import DAY_S
from logger.reading import OperatingState

if TYPE_CHECKING:
    from analysis.assessment.document import Assessment
    from analysis.show.dashboard.facts import Facts
    from logger.event import Event
    from logger.reading import Reading

#: Width of the words at the left.
NAMES = 10
#: Signs of the situations; two characters each, so that they are told apart without colour.
SIGNS = {
    Situation.PRODUCING: ">>",
    Situation.STARTING: "> ",
    Situation.STOPPING: "< ",
    Situation.RESTING: "--",
    Situation.FAULT: "!!",
    Situation.SILENT: "??",
    Situation.UNWATCHED: "??",
    Situation.EMPTY: "??",
}
_INK_OF = {
    Situation.PRODUCING: INKS["calm"],
    Situation.FAULT: INKS["mind"],
    Situation.SILENT: INKS["mind"],
    Situation.UNWATCHED: INKS["mind"],
    Situation.EMPTY: INKS["mind"],
}
_VERDICT_INK = {
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


#: What to do, and not to do, at a fault.
_AT_FAULT = (
    "Write down the word and the time, and look it up in the unit's own manual. Do not open the "
    "unit; if the fault comes back, have it looked at."
)
#: What to do about a state word that nothing names.
_AT_WORD = "[states] of the configuration does not name this word: 'ebbwatt probe' says how."


@dataclass(frozen=True, slots=True)
class Pen:
    """How to write: the width at hand and the marks that the terminal knows."""

    width: int
    marks: Marks

    def words(self, text: str) -> str:
        """Return the text with marks that the terminal knows."""
        return text.replace("\N{MIDDLE DOT}", self.marks.dot)


def entry(pen: Pen, name: str, text: str | Text, style: str = "") -> list[Text]:
    """Return a word at the left and a text beside it, wrapped by the width of its letters."""
    body = text if isinstance(text, Text) else Text(pen.words(text), style=style)
    lines = wrap(body, pen.width - NAMES)
    return [
        Text.assemble((f"{name if i == 0 else '':<{NAMES}}", INKS["quiet"]), line)
        for i, line in enumerate(lines)
    ]


def title(pen: Pen, facts: Facts) -> list[Text]:
    """Return whose charger this is, and the time."""
    moment = datetime.fromtimestamp(facts.now_s, facts.zone).astimezone(facts.zone)
    offset = moment.strftime("%z")
    zone = "UTC" if offset in {"+0000", ""} else f"UTC{offset[:3]}:{offset[3:]}"
    right = f"{minute(facts.now_s, facts.zone)} {zone}"
    left = Text(f"{harmless(facts.label, 40)}", style="bold")
    left.truncate(pen.width - len(right) - 2, overflow="crop")
    gap = pen.width - left.cell_len - len(right)
    return [
        Text.assemble(left, " " * gap, (right, INKS["quiet"])),
        Text(pen.marks.rule * pen.width, style=INKS["quiet"]),
    ]


def headline(pen: Pen, facts: Facts) -> list[Text]:
    """Return what is going on, in one sentence."""
    ink = _INK_OF.get(facts.situation, "")
    text = Text(f"{SIGNS[facts.situation]} {_happening(facts)}", style=f"bold {ink}".strip())
    lines = wrap(text, pen.width)
    if facts.situation is Situation.FAULT:
        lines += _indented(_AT_FAULT, pen.width)
    elif facts.live and _own_word(facts.reading):
        lines += _indented(_AT_WORD, pen.width)
    return lines


def _indented(text: str, width: int) -> list[Text]:
    return [Text("   ").append_text(line) for line in wrap(Text(text), width - 3)]


def _own_word(reading: Reading | None) -> str:
    """Return the device's own word for a state that has no name of ours, fit for a screen."""
    if reading is None or reading.state is not OperatingState.UNKNOWN:
        return ""
    return harmless(reading.word, 40)


def _since(facts: Facts) -> str:
    since_s = facts.state_since_s
    return "" if since_s is None else f" since {minute(since_s, facts.zone)}"


def _fault(facts: Facts) -> str:
    reading = facts.reading
    word = "" if reading is None else harmless(reading.word, 40)
    since = (
        "" if facts.state_since_s is None else f" since {minute(facts.state_since_s, facts.zone)}"
    )
    said = f'the charger says "{word}"{since}' if word else f"the charger reports one{since}"
    return f"FAULT: {said}; output {_electrics(facts)}"


def _happening(facts: Facts) -> str:
    if not facts.live:
        return _not_known(facts)
    reading = facts.reading
    state = OperatingState.UNKNOWN if reading is None else reading.state
    held = ", held back by the charger itself" if state is OperatingState.THROTTLED else ""
    if word := _own_word(reading):
        producing = facts.situation is Situation.PRODUCING
        doing = f"producing {_electrics(facts)}" if producing else "no output"
        return f'State "{word}"{_since(facts)}: {doing}'
    return {
        Situation.PRODUCING: f"Producing {_electrics(facts)}{held}",
        Situation.STARTING: f"Starting up: {_electrics(facts)}",
        Situation.STOPPING: f"Shutting down: {_electrics(facts)}",
        Situation.FAULT: _fault(facts),
    }.get(facts.situation, f"Resting, {_RESTS.get(state, 'no output')}")


def _not_known(facts: Facts) -> str:
    """Say why nothing is known of the present."""
    if facts.situation is Situation.SILENT:
        link = f" ({harmless(facts.link, 60)})" if facts.link else ""
        if facts.age_s is None:
            return f"No reading yet from the charger{link}"
        return f"NO READING for {age(facts.age_s)}{link}"
    if facts.situation is Situation.UNWATCHED:
        ended = "" if facts.age_s is None else f"; the log ends {age(facts.age_s)} ago"
        return f"NOT LOGGING: 'ebbwatt log' does not run{ended}"
    return "NO LOG YET: start 'ebbwatt log', or bring one in with 'ebbwatt import'"


def _electrics(facts: Facts) -> str:
    reading, power = facts.reading, facts.power_w
    if reading is None:
        return "unknown"
    parts = [] if power is None else [f"{power:.0f} W"]
    volts = [] if reading.voltage_v is None else [f"{reading.voltage_v:.2f} V"]
    amps = [] if reading.current_a is None else [f"{reading.current_a:.1f} A"]
    tail = " at ".join([*amps, *volts])
    return " = ".join([*parts, tail]) if parts else tail or "unknown"


def gap(_: Pen, __: Facts) -> list[Text]:
    """Return an empty line between two groups."""
    return [Text()]


def output(pen: Pen, facts: Facts) -> list[Text]:
    """Return output now against what is available and what is rated."""
    available = _available_w(facts.assessment)
    words = [f"rated {facts.rated_w:.0f} W"]
    if available is not None and facts.assessment is not None:
        words.insert(0, f"can give {figure(facts.assessment.output, 'W', facts.rated_w)}")
    power = facts.power_w
    if power is not None and not facts.live and facts.age_s is not None:
        words.insert(0, f"last seen {power:.0f} W, {age(facts.age_s)} ago")
    elif power is not None:
        words.insert(0, f"now {power:.0f} W")
    else:
        words.insert(0, "now not known")
    shown = power if power is not None and facts.live else 0.0
    cells = bar(shown, available, facts.rated_w, pen.width - NAMES, pen.marks)
    lines = entry(pen, "Output", " \N{MIDDLE DOT} ".join(words))
    if available is not None or shown > 0:
        lines += entry(pen, "", Text(cells, style=INKS["calm"] if shown > 0 else INKS["quiet"]))
    return lines


def _available_w(a: Assessment | None) -> float | None:
    if a is None:
        return None
    known = a.output.median if a.output.median is not None else a.output.low
    return None if known is None else known * a.rated_w


def battery(pen: Pen, facts: Facts) -> list[Text]:
    """Return what the battery does."""
    b, reading = facts.battery, facts.reading
    parts = []
    if reading is not None and reading.voltage_v is not None:
        stale = "" if facts.live or facts.age_s is None else f" {age(facts.age_s)} ago"
        parts.append(f"{reading.voltage_v:.2f} V{stale}")
    elif b.volts.size:
        ago = age(facts.now_s - float(b.times_s[-1]))
        parts.append(f"{b.volts[-1]:.2f} V, {ago} ago")
    if facts.live and b.current_a is not None:
        flow = "taking" if b.current_a >= 0 else "giving"
        parts.append(f"{flow} {abs(b.current_a):.1f} A")
    if facts.live and b.slope_v_per_h is not None:
        parts.append(_trend(b.slope_v_per_h))
    if facts.live and b.at_ceiling:
        parts.append("near its charge ceiling: takes less than it is offered")
    if not parts:
        parts.append("no voltage in the last 24 h" if facts.age_s is not None else "not known")
    return entry(pen, "Battery", ", ".join(parts))


def _trend(slope: float) -> str:
    if abs(slope) < STEADY_V_PER_H:
        return "steady"
    return f"{'rising' if slope > 0 else 'falling'} {abs(slope):.2f} V/h"


def voltage_plot(pen: Pen, facts: Facts, rows: int = 3) -> list[Text]:
    """Return the battery voltage of the last day."""
    b = facts.battery
    width = pen.width - NAMES
    columns = binned(b.times_s, b.volts, facts.now_s - DAY_S, facts.now_s, width)
    known = columns[np.isfinite(columns)]
    if known.size < 2:
        return []
    low = np.floor(10 * float(known.min())) / 10
    high = max(np.ceil(10 * float(known.max())) / 10, low + 0.3)
    field = plot(columns, np.zeros(width, dtype=bool), low, high, rows, pen.marks)
    names = [f"{high:.1f} V", *[""] * (rows - 2), f"{low:.1f} V"]
    lines = _field(pen, names, field)
    left, right = "24 h ago", "now"
    scale = f"{left}{right:>{width - len(left)}}"
    return [*lines, *entry(pen, "", Text(scale, style=INKS["quiet"]))]


def _field(pen: Pen, names: list[str], field: list[str]) -> list[Text]:
    """Return the rows of a plot beside their names; the dots of a limit stay in the background."""
    rows = []
    for name, cells in zip(names, field, strict=True):
        row = Text(f"{name:>{NAMES - 1}} ", style=INKS["quiet"])
        for empty, piece in itertools.groupby(cells, lambda cell: cell == pen.marks.empty):
            row.append("".join(piece), INKS["quiet"] if empty else INKS["calm"])
        rows.append(row)
    return rows


def use(pen: Pen, facts: Facts) -> list[Text]:
    """Return the running hours, and today's and this week's energy; what is not logged says so."""
    hours = [] if facts.counter_h is None else [f"counter {facts.counter_h:.0f} h"]
    if not any(day.logged for day in facts.week):
        return entry(pen, "Energy", ", ".join(["nothing logged in the last 7 days", *hours]))
    total = energy(sum(day.energy_kwh for day in facts.week))
    today = "today not logged"
    if facts.week[-1].logged:
        hours.insert(0, f"today {clock_hours(facts.today_running_h)}")
        today = f"today {energy(facts.today_kwh)}"
    return [
        *(entry(pen, "Hours", " \N{MIDDLE DOT} ".join(hours)) if hours else []),
        *entry(pen, "Energy", f"{today} \N{MIDDLE DOT} 7 days {total}"),
        *_days(pen, facts),
    ]


def _days(pen: Pen, facts: Facts) -> list[Text]:
    """Return the energy of each day under its name; a day without a log says so."""
    room = min((pen.width - NAMES) // 7, 8)
    most_kwh = max(day.energy_kwh for day in facts.week)
    # Never cut a figure: where watt-hours have no room, kilowatt-hours have.
    kinds = (("Wh", 1000, 0), ("kWh", 1, 1), ("kWh", 1, 0))
    fitting = (k for k in kinds if len(f"{k[1] * most_kwh:.{k[2]}f}") < room)
    unit, scale, places = next(fitting, kinds[-1])
    values = [f"{scale * d.energy_kwh:.{places}f}" if d.logged else "?" for d in facts.week]
    names = "".join(f"{day.name:>{room}}" for day in facts.week)
    below = "".join(f"{value:>{room}}" for value in values)
    return [
        Text(" " * NAMES + names, style=INKS["quiet"]),
        Text.assemble((f"{unit + ' a day':>{NAMES - 1}} ", INKS["quiet"]), below),
    ]


def health(pen: Pen, facts: Facts) -> list[Text]:
    """Return the verdict with its confidence, and the remaining life."""
    a = facts.assessment
    if a is None:
        return entry(pen, "Health", harmless(facts.assessment_note, 120) or "not assessed yet")
    sign = VERDICT_SIGNS[a.verdict].strip()
    head = Text.assemble(
        (f"[{sign}] {VERDICT_WORDS[a.verdict]}", f"bold {_VERDICT_INK[a.verdict]}".strip())
    )
    if a.observed_to_s is not None and facts.now_s - a.observed_to_s > TOLD_FROM_D * DAY_S:
        head.append(f", {as_of(a.observed_to_s)}")
    lines = entry(pen, "Health", head)
    if a.inputs:
        lines += entry(pen, "Data", worst(a.inputs))[:2]
    if a.output.median is not None:
        both = ends(a.output, "%", 100)
        given = f"{figure(a.output, '%', 100)} of rated ({both}), 90 % confidence"
        lines += entry(pen, "", given)
    elif a.output.low is not None:
        lines += entry(pen, "", f"{figure(a.output, '%', 100)} of rated; more is not known")
    elif a.reasons and not any(f.severity is Severity.STOP for f in a.inputs):
        lines += entry(pen, "", sentence(harmless(a.reasons[0].text, 120)))
    if a.runs and (a.remaining_h.median is not None or a.remaining_h.low is not None):
        lines += entry(pen, "", remaining_short(a))
    elif a.withheld:
        lines += entry(pen, "", f"remaining life not known: {harmless(a.withheld, 160)}")
    return lines


def output_plot(pen: Pen, facts: Facts, rows: int = 5) -> list[Text]:
    """Return the output of the last runs, one column each, against the limits."""
    a = facts.assessment
    if a is None or a.run_table is None:
        return []
    table, width = a.run_table, pen.width - NAMES
    shown = np.flatnonzero(np.isfinite(table.fraction) & table.used)[-width:]
    if shown.size < 2:
        return []
    values = table.fraction[shown]
    bound = np.array([table.limit[i] is Limit.BATTERY for i in shown])
    levels = [Level(a.plan_below, "plan"), Level(a.replace_below, "due")]
    # A run that ended without fuel says nothing here: it must not flatten all the others.
    usual = float(np.quantile(values[~bound], 0.1)) if (~bound).any() else 1.0
    low = max(0.0, float(np.floor(10 * (min(usual, a.replace_below) - 0.01)) / 10))
    high = max(1.0, float(values.max()))
    field = plot(values, bound, low, high, rows, pen.marks, levels)
    names = [""] * rows
    names[0] = f"{100 * high:.0f} %"
    for level in levels:
        names[row_of(level.value, low, high, rows)] = f"{level.name} {100 * level.value:.0f}"
    key = f"last {shown.size} runs, % of rated"
    if bound.any():
        key += f"; {pen.marks.bound} at least this"
    return [*_field(pen, names, field), *entry(pen, "", Text(key, style=INKS["quiet"]))]


def fuel(pen: Pen, facts: Facts) -> list[Text]:
    """Return the fuel that is left, in days."""
    f = facts.fuel
    if f is None:
        return []
    parts = []
    if f.days.median is not None or f.days.low is not None:
        parts.append(f"{figure_with_ends(f.days, 'days')} left")
    if f.litres != Span():
        parts.append(figure_with_ends(f.litres, "L"))
    if f.gauge_l is not None:
        parts.append(f"gauge {f.gauge_l:.1f} L")
    text = ", ".join(parts) if parts else sentence(harmless(f.note, 160)) or "not known"
    if f.low:
        return entry(pen, "Fuel", Text(f"! LOW: {text}", style=f"bold {INKS['mind']}"))
    return entry(pen, "Fuel", text)


def log(pen: Pen, facts: Facts, most: int = 3) -> list[Text]:
    """Return the age of the data, what was refused, the log's own faults, and the last events."""
    lines = entry(pen, "Log", _data(facts))
    if faults(facts.events):
        lines += entry(pen, "", f"faults so far: {faults_in_words(facts.events)}")
    told = (e for e in facts.events if not e.struck and e.kind not in FAULT_WORDS)
    for event in sorted(told, key=lambda e: -e.time_s)[:most]:
        lines += entry(pen, "", harmless(_event(event, facts), pen.width - NAMES))
    for notice in facts.notices[-1:]:
        lines += entry(pen, "", f"! {harmless(notice)}")
    return lines


def _data(facts: Facts) -> str:
    if facts.age_s is None:
        text = "no reading"
    elif facts.live:
        text = f"newest reading {age(facts.age_s)} old"
    else:
        text = f"newest data {age(facts.age_s)} old"
    refused = sum(facts.refused.values())
    if refused:
        reasons = sorted(facts.refused.items(), key=lambda item: -item[1])
        text += f"; {refused} refused, most: {harmless(reasons[0][0], 40)}"
    return text


def _event(event: Event, facts: Facts) -> str:
    words = PERSON_WORDS.get(event.kind) or harmless(event.kind, 20)
    text = f"{minute(event.time_s, facts.zone)} {words}"
    if event.kind == "fuel" and event.amount is not None:
        text += f" {event.amount:g} L"
    note = harmless(event.text, 60)
    return f"{text}: {note}" if note else text
