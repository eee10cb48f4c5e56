"""The blocks of a dashboard frame: each a function from facts to lines, in several lengths.

A block's first wording is its fullest; where the screen is low, a later and shorter one stands.
Blocks know their width and nothing of each other.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from rich.text import Text

from analysis.estimate import Span
from analysis.figures import age, clock_hours, ends, energy, figure, figure_with_ends, minute
from analysis.inputs.finding import stops
from analysis.show.dashboard.battery import STEADY_V_PER_H
from analysis.show.dashboard.facts import Situation
from analysis.show.dashboard.marks import INKS, bar
from analysis.show.dashboard.pen import NAMES, entry
from analysis.show.dashboard.plots import output_plot, voltage_plot
from analysis.show.dashboard.top import VERDICT_INK, advice, before_fault
from analysis.show.freshness import dated
from analysis.show.inputs import COUNTER_WRONG, worst
from analysis.show.phrases import (
    NOTHING_TO_DO,
    first_limits,
    in_short,
    kept_short,
    next_actions,
    remaining_short,
    sentence,
)
from analysis.show.service import when_due
from analysis.show.tables import FAULT_WORDS, PERSON_WORDS, faults, faults_in_words
from analysis.show.verdict_words import VERDICT_SIGNS, VERDICT_WORDS
from analysis.text import counted, harmless
from analysis.units import owner

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.assessment.document import Assessment
    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.pen import Pen
    from logger.event import Event

    Wording = Callable[[Pen, Facts], list[Text]]


def output(pen: Pen, facts: Facts, *, full: bool = True) -> list[Text]:
    """Return output now against what is available and, in full, what is rated."""
    available = _available_w(facts.assessment)
    words = [f"rated {facts.rated_w:.0f} W"] if full or available is None else []
    if available is not None and facts.assessment is not None:
        given = figure(facts.assessment.output, "W", facts.rated_w)
        could = "could" if facts.situation is Situation.FAULT else "can"
        since = before_fault(facts) or dated(facts.assessment.observed_to_s, facts.now_s)
        words.insert(0, f"{could} give {given}{since}")
    power = facts.power_w
    if power is not None and not facts.live and facts.age_s is not None:
        words.insert(0, f"last seen {power:.0f} W, {age(facts.age_s)} ago")
    elif power is not None:
        words.insert(0, f"now {power:.0f} W{_electrics(facts) if full else ''}")
    else:
        words.insert(0, "now not known")
    shown = power if power is not None and facts.live else 0.0
    cells = bar(shown, available, facts.rated_w, pen.room, pen.marks)
    lines = entry(pen, "Output", " \N{MIDDLE DOT} ".join(words))
    if full and (available is not None or shown > 0):
        lines += entry(pen, "", Text(cells, style=INKS["calm"] if shown > 0 else INKS["quiet"]))
    return lines


def _electrics(facts: Facts) -> str:
    reading = facts.reading
    if reading is None or reading.voltage_v is None or reading.current_a is None:
        return ""
    return f" = {reading.current_a:.1f} A at {reading.voltage_v:.2f} V"


def _available_w(a: Assessment | None) -> float | None:
    if a is None:
        return None
    known = a.output.median if a.output.median is not None else a.output.low
    return None if known is None else known * a.rated_w


def battery(pen: Pen, facts: Facts, *, rows: int, words: bool = True) -> list[Text]:
    """Return what the battery does, and its last day on so many rows."""
    return (_battery_words(pen, facts) if words else []) + (
        voltage_plot(pen, facts, rows) if rows else []
    )


def _battery_words(pen: Pen, facts: Facts) -> list[Text]:
    b, reading = facts.battery, facts.reading
    parts = []
    if reading is not None and reading.voltage_v is not None:
        stale = "" if facts.live or facts.age_s is None else f" {age(facts.age_s)} ago"
        parts.append(f"{reading.voltage_v:.2f} V{stale}")
    elif b.volts.size:
        ago = age(facts.now_s - float(b.times_s[-1]))
        parts.append(f"{b.volts[-1]:.2f} V, {ago} ago")
    if facts.live and b.meaning:
        parts.append(b.meaning)
    if facts.live and b.current_a is not None:
        flow = "taking" if b.current_a >= 0 else "giving"
        parts.append(f"{flow} {abs(b.current_a):.1f} A")
    if facts.live and b.trend_v_per_h is not None:
        parts.append(_trend(b.trend_v_per_h))
    if facts.live and b.at_ceiling:
        parts.append("near its charge ceiling: takes less than it is offered")
    if not parts:
        parts.append("no voltage in the last 24 h" if facts.age_s is not None else "not known")
    return entry(pen, "Battery", ", ".join(parts))


def _trend(slope: float) -> str:
    if abs(slope) < STEADY_V_PER_H:
        return "steady"
    return f"{'rising' if slope > 0 else 'falling'} {abs(slope):.2f} V/h"


def _doubted(facts: Facts) -> str:
    """Return which of energy and counter are not believed; both are shown as they were logged."""
    inputs = () if facts.assessment is None else facts.assessment.inputs
    if stops(inputs):
        return "as logged, not believed: see Data"
    if facts.counter_h is not None and any(f.code in COUNTER_WRONG for f in inputs):
        return "counter not believed: see Data"
    return ""


def use(pen: Pen, facts: Facts, *, days: bool = False) -> list[Text]:
    """Return today's and the week's energy, and hours; what is not logged says so."""
    hours = []
    if facts.counter_h is not None:
        end_s = None if facts.live or facts.age_s is None else facts.now_s - facts.age_s
        hours.append(f"counter {facts.counter_h:.0f} h{dated(end_s, facts.now_s)}")
    doubted = _doubted(facts)
    hours += [doubted] if doubted else []
    if not any(day.logged for day in facts.week):
        if facts.situation is Situation.UNREADABLE:
            return entry(pen, "Energy", "not known")
        return entry(pen, "Energy", ", ".join(["nothing logged in the last 7 days", *hours]))
    today = "today not logged"
    if facts.week[-1].logged:
        today = f"today {energy(facts.today_kwh)} in {clock_hours(facts.today_running_h)}"
    total = f"7 days {energy(sum(day.energy_kwh for day in facts.week))}"
    return [
        *entry(pen, "Energy", " \N{MIDDLE DOT} ".join([today, total, *hours])),
        *(_days(pen, facts) if days else []),
    ]


def _days(pen: Pen, facts: Facts) -> list[Text]:
    """Return the energy of each day under its name; a day without a log says so."""
    room = min((pen.width - NAMES) // 7, 8)
    most_kwh = max(day.energy_kwh for day in facts.week)
    # Never cut a figure: where watt-hours have no room, kilowatt-hours have.
    kinds = (("Wh", 1000, 0), ("kWh", 1, 1), ("kWh", 1, 0))
    fitting = (k for k in kinds if len(f"{k[1] * most_kwh:.{k[2]}f}") < room)
    unit, scale, places = next(fitting, kinds[-1])
    # Noise of a resting sensor adds up to a little less than nothing: no "-0".
    values = [
        f"{round(scale * d.energy_kwh, places) + 0.0:.{places}f}" if d.logged else "?"
        for d in facts.week
    ]
    names = "".join(f"{day.name:>{room}}" for day in facts.week)
    below = "".join(f"{value:>{room}}" for value in values)
    return [
        Text(" " * NAMES + names, style=INKS["quiet"]),
        Text.assemble((f"{unit + ' a day':>{NAMES - 1}} ", INKS["quiet"]), below),
    ]


def health(
    pen: Pen, facts: Facts, *, rows: int = 0, full: bool = True, asks: bool = True
) -> list[Text]:
    """Return the verdict with its confidence, the remaining life, and the runs on so many rows.

    With ``asks``, what is to be done next stands below.
    """
    a = facts.assessment
    if a is None:
        return entry(pen, "Health", sentence(harmless(facts.assessment_note, 120)) or "Not known.")
    sign = VERDICT_SIGNS[a.verdict].strip()
    head = Text.assemble(
        (f"[{sign}] {VERDICT_WORDS[a.verdict]}", f"bold {VERDICT_INK[a.verdict]}".strip())
    )
    head.append(before_fault(facts))
    if not full and a.output.median is not None:
        head.append(f", {figure(a.output, '%', 100)} of rated")
    head.append(dated(a.observed_to_s, facts.now_s))
    lines = entry(pen, "Health", head)
    if a.inputs:
        lines += entry(pen, "Data", worst(a.inputs))[:2]
    if full:
        lines += _life(pen, a)
    if rows and not stops(a.inputs):
        lines += output_plot(pen, facts, rows)
    return lines + (_to_do(pen, facts, a) if full and asks else [])


def _to_do(pen: Pen, facts: Facts, a: Assessment) -> list[Text]:
    """Return the next thing to do; that there is none is said only where no line asks for one."""
    text = in_short(a, next_actions(a, facts.now_s))
    asked = (
        advice(pen, facts)
        or facts.notices
        or (facts.fuel is not None and facts.fuel.low)
        or (facts.live and facts.battery.meaning.startswith("low"))
    )
    if text == NOTHING_TO_DO and asked:
        return []
    return entry(pen, "To do", kept_short(text, 300))


def _life(pen: Pen, a: Assessment) -> list[Text]:
    """Return output and remaining life, or why they are not known."""
    lines = []
    if a.output.median is not None:
        both = ends(a.output, "%", 100)
        given = f"{figure(a.output, '%', 100)} of rated ({both}), 90 % confidence"
        lines += entry(pen, "", given)
    elif a.output.low is not None:
        lines += entry(pen, "", f"{figure(a.output, '%', 100)} of rated; more is not known")
    elif a.reasons and not stops(a.inputs):
        lines += entry(pen, "", sentence(harmless(a.reasons[0].text, 120)))
    if a.runs and (a.remaining_h.median is not None or a.remaining_h.low is not None):
        lines += entry(pen, "", remaining_short(a))
        lines += entry(pen, "", said) if (said := first_limits(a)) else []
    elif a.withheld:
        lines += entry(pen, "", f"remaining life not known: {harmless(a.withheld, 160)}")
    return lines


def fuel(pen: Pen, facts: Facts, *, full: bool = True) -> list[Text]:
    """Return the fuel that is left, in days."""
    f = facts.fuel
    if f is None:
        return []
    parts, units = [], owner().units
    if f.days.median is not None or f.days.low is not None:
        parts.append(f"{figure_with_ends(f.days, 'days')} left{dated(f.as_of_s, facts.now_s)}")
    if full and f.litres != Span():
        parts.append(figure_with_ends(f.litres, units.volume, units.per_l))
    if full and f.gauge_l is not None:
        parts.append(f"gauge {f.gauge_l * units.per_l:.1f} {units.volume}")
    text = ", ".join(parts) if parts else sentence(harmless(f.note, 160)) or "Not known."
    if f.low:
        return entry(pen, "Fuel", Text(f"! LOW: {text}", style=f"bold {INKS['mind']}"))
    return entry(pen, "Fuel", text)


def log(pen: Pen, facts: Facts, *, most: int = 0) -> list[Text]:
    """Return the age of the data, what was refused, the log's own faults, and the last events."""
    if facts.situation is Situation.UNREADABLE:
        return entry(pen, "Log", "cannot be read")
    lines = entry(pen, "Log", _data(facts))
    for notice in facts.notices[-1:]:
        lines += entry(pen, "", f"! {harmless(notice, 200)}")
    if most and faults(facts.events):
        lines += entry(pen, "", f"faults so far: {faults_in_words(facts.events)}")
    if most and facts.assessment is not None:
        for due in facts.assessment.service[: most - 1] or facts.assessment.service[:1]:
            when = when_due(due, facts.now_s)
            when += dated(facts.assessment.observed_to_s, facts.now_s)
            lines += entry(pen, "", f"service {due.name} {when}")
    told = (e for e in facts.events if not e.struck and e.kind not in FAULT_WORDS)
    for event in sorted(told, key=lambda e: -e.time_s)[:most]:
        lines += entry(pen, "", harmless(_event(event, facts), 2 * pen.room))
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
        most = ", most" if len(reasons) > 1 else ""
        text += f"; {counted(refused, 'message')} refused{most}: {harmless(reasons[0][0], 40)}"
    return text


def _event(event: Event, facts: Facts) -> str:
    words = PERSON_WORDS.get(event.kind) or harmless(event.kind, 20)
    text = f"{minute(event.time_s, facts.zone)} {words}"
    if event.kind == "fuel" and event.amount is not None:
        text += f" {owner().units.litres(event.amount)}"
    note = harmless(event.text, 60)
    return f"{text}: {note}" if note else text


def _nothing(_: Pen, __: Facts) -> list[Text]:
    return []


#: The wordings of each block, the fullest first.
WORDINGS: dict[str, tuple[Wording, ...]] = {
    "output": (output, partial(output, full=False), _nothing),
    "battery": (
        *(partial(battery, rows=rows) for rows in (10, 8, 6, 5, 4, 3)),
        partial(battery, rows=3, words=False),
        partial(battery, rows=2, words=False),
        _nothing,
    ),
    "use": (partial(use, days=True), use, _nothing),
    "health": (
        *(partial(health, rows=rows) for rows in (12, 9, 7, 6, 5, 4, 3, 0)),
        partial(health, asks=False),
        partial(health, full=False),
        _nothing,
    ),
    "fuel": (fuel, partial(fuel, full=False), _nothing),
    "log": (*(partial(log, most=most) for most in (3, 2, 1, 0)), _nothing),
}
