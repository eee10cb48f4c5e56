"""The owner's page: one self-contained file for a phone, written anew each minute.

No script, no request: a page that stands still cannot tell so itself, so the times of the page and
of the reading are written out as clock times, with what it means when they are old.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from analysis.assessment.document import Verdict
from analysis.estimate import Span
from analysis.figures import age, clock, energy, figure_with_ends
from analysis.inputs.meters import MEASURE, MEASURE_SHORT
from analysis.publish.facts import moment, number
from analysis.show.freshness import as_of, dated, forecast_too_old, fuel_too_old
from analysis.show.page.pieces import NOTHING, joined, letters, paragraphs, tag, text
from analysis.show.page.plots.svg import Drawing, Scale, ticks
from analysis.show.verdict_words import VERDICT_WORDS, fuel_low, remaining_words
from analysis.text import for_html, harmless
from analysis.units import owner
from logger.durations import DAY_S
from logger.reading import OperatingState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.publish.facts import Facts
    from analysis.publish.recent import Recent

POLICY = Markup(
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'"
)
#: The page loads itself anew so often, s; the file changes once a minute.
REFRESH_S = 60
#: The plot of the battery bridges steps of time up to this many times the longest interval of the
#: log: the middles of two neighbours are no further apart, a short dropout included.
_JOINED = 1.5
#: Points of that plot: more than the pixels of a phone are wide.
_MOST_POINTS = 400
_WIDTH, _HEIGHT = 340.0, 130.0
_LEFT, _BELOW, _FONT = 34.0, 16.0, 11.0

#: Operating states as the owner reads them.
STATES = {
    OperatingState.RUNNING: "Producing",
    OperatingState.THROTTLED: "Producing, held back by the charger itself",
    OperatingState.STARTING: "Starting up",
    OperatingState.SHUTTING_DOWN: "Shutting down",
    OperatingState.FAULT: "FAULT: the charger reports one. Do not open it; go by its manual",
    OperatingState.OFF: "Resting, switched off",
    OperatingState.SLEEPING: "Resting, asleep",
    OperatingState.STANDBY: "Resting, standing by",
    OperatingState.UNKNOWN: "State not known",
}
_STYLE = Markup("""
:root { color-scheme: light dark; --text: #1b1b1b; --paper: #fff; --quiet: #545454; --rule: #8a8a8a;
  --grid: #e2e2e2; --mark: #123d66; --band: #c9d6e2; }
@media (prefers-color-scheme: dark) { :root { --text: #ececec; --paper: #161616; --quiet: #b4b4b4;
  --rule: #8a8a8a; --grid: #333; --mark: #9cc7ef; --band: #2b4256; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: .75rem; max-width: 46rem; background: var(--paper);
  color: var(--text); font: 1rem/1.45 system-ui, "Liberation Sans", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.05rem; margin: 0; color: var(--quiet); font-weight: 600;
  overflow-wrap: anywhere; }
h2 { font-size: 1rem; margin: 1.1rem 0 .2rem; border-top: 1px solid var(--rule);
  padding-top: .35rem; }
p { margin: .25rem 0; }
.now { font-size: 1.35rem; font-weight: 700; line-height: 1.25; }
.quiet { color: var(--quiet); font-size: .875rem; }
a { color: inherit; }
.blocks { display: grid; grid-template-columns: repeat(auto-fit, minmax(19rem, 1fr));
  gap: 0 1.5rem; }
.across { grid-column: 1 / -1; }
footer { margin-top: 1.1rem; }
@media (max-width: 22rem) { .blocks { display: block; } }
.whole { white-space: nowrap; }
svg { width: 100%; height: auto; display: block; }
svg text { fill: var(--quiet); font-size: 11px; }
svg .on { paint-order: stroke; stroke: var(--paper); stroke-width: 4px; stroke-linejoin: round; }
.axis { stroke: var(--rule); fill: none; } .grid { stroke: var(--grid); fill: none; }
.curve { stroke: var(--mark); stroke-width: 1.6; fill: none; } .bar { fill: var(--mark); }
.band { fill: var(--band); } .limit { stroke: var(--text); stroke-dasharray: 5 3; fill: none; }
""")


MARK = Markup('<meta name="generator" content="ebbwatt publish">')


def page(
    facts: Facts,
    recent: Recent | None,
    fuel: dict[str, Any] | None,
    now_s: float,
    replacement_limit: float,
    report: str = "",
    note: str = "",
) -> str:
    """Return the page.

    Parameters
    ----------
    facts, recent, fuel
        What is known; None where it is not. ``fuel`` is the document of ``ebbwatt fuel --json``.
    now_s
        Unix time at which the page is made.
    replacement_limit
        Part of rated output below which the charger is replaced.
    report
        Where the link to the whole report leads; no link if empty.
    note
        Why the log cannot be shown, if it cannot.
    """
    limit = replacement_limit
    blocks = [
        _section("Battery, last 24 hours", _battery(recent, now_s, note)),
        _section("Energy by day", _days(recent, note)),
        _section("Fuel", _fuel(facts, recent, fuel, now_s), class_="across"),
        _section("Health", _health(facts, limit, now_s), class_="across"),
    ]
    link = tag("p", tag("a", "The whole report", href=report)) if report else NOTHING
    parts: dict[str, str] = {
        "policy": POLICY,
        "refresh": str(REFRESH_S),
        "mark": MARK,
        "label": for_html(facts.label, 60),
        # A title holds no elements: a browser would show them as letters.
        "plain_label": letters(harmless(facts.label, 60)),
        "style": _STYLE,
        "now": _now(facts),
        "when": _when(facts, recent, now_s),
        "blocks": joined(*blocks),
        "link": link,
        "made": _clock(now_s),
    }
    return str(_FRAME.format(**parts))


_FRAME = Markup("""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta http-equiv="refresh" content="{refresh}">
<meta name="viewport" content="width=device-width, initial-scale=1">
{mark}
<title>{plain_label}</title>
<style>{style}</style>
</head>
<body>
<header>
<h1>{label}</h1>
<p class="now">{now}</p>
<p>{when}</p>
</header>
<main class="blocks">
{blocks}
</main>
<footer>
{link}<p class="quiet">Page made {made}. It is made anew each minute: if that is
more than five minutes ago, the page is out of date.</p>
<p class="quiet">Methanol is toxic and burns with a flame that is hard to see; batteries can deliver
thousands of amperes; exhaust and heat must leave the compartment. These figures are no safety
device: the maker's instructions, local codes and a licensed person decide.</p>
</footer>
</body>
</html>
""")


def _section(head: str, inside: Markup, **attributes: str) -> Markup:
    return tag("section", tag("h2", head), inside, **attributes)


def _clock(time_s: float) -> str:
    """Return a Unix time as date and clock time of the boat's zone, with its offset."""
    return clock(time_s, "%Y-%m-%d %H:%M:%S")


def _now(facts: Facts) -> str:
    r = facts.reading
    if r is None:
        return "No reading now" if facts.snapshot is not None else "Not logging"
    parts = [STATES[r.state]]
    if r.voltage_v is not None and r.current_a is not None:
        parts.append(f"{r.voltage_v * r.current_a:.0f} W")
    if r.voltage_v is not None:
        parts.append(f"{r.voltage_v:.2f} V")
    return ", ".join(parts)


def _when(facts: Facts, recent: Recent | None, now_s: float) -> str:
    if facts.reading_s is None:
        if recent is None or recent.end_s is None:
            return "There is no reading."
        return f"The log ended {age(max(0.0, now_s - recent.end_s))} ago: {_clock(recent.end_s)}"
    if facts.live:
        return f"Reading of {_clock(facts.reading_s)}"
    silent = age(max(0.0, now_s - facts.reading_s))
    return f"The last reading is {silent} old: {_clock(facts.reading_s)}"


def _battery(recent: Recent | None, now_s: float, note: str) -> Markup:
    points = () if recent is None else recent.voltage
    if recent is None or len(points) < 2:
        return tag("p", for_html(note or "Nothing was logged in the last 24 hours.", 200))
    least, most = min(v for _, v in points), max(v for _, v in points)
    # Whole steps of 0.2 V, at least three of them: an axis that can be read.
    low = math.floor(least / 0.2) * 0.2
    high = max(math.ceil(most / 0.2) * 0.2, low + 0.6)
    drawing, x, y = _axes("battery", (now_s - DAY_S, now_s), (low, high), "V")
    for hours in (24, 12, 0):
        at = x.at(now_s - 3600.0 * hours)
        anchor = "start" if hours == 24 else "end" if hours == 0 else "middle"
        drawing.text(at, _HEIGHT - 3, f"{hours} h ago" if hours else "now", "lab", anchor)
    stride = max(1, len(points) // _MOST_POINTS)
    for whole in _unbroken(points, _JOINED * recent.longest_s):
        part = [*whole[:-1:stride], whole[-1]]
        drawing.path([x.at(t) for t, _ in part], [y.at(v) for _, v in part], "curve")
    newest = f"{points[-1][1]:.2f} V at {_clock(points[-1][0])}"
    said = f"From {least:.2f} to {most:.2f} V; last {newest}."
    return joined(tag("p", f"Last {newest}"), drawing.render("Battery voltage", said))


def _unbroken(
    points: Sequence[tuple[float, float]], joined_s: float
) -> list[list[tuple[float, float]]]:
    """Return the points in parts, cut where nothing was logged: no line bridges what is unknown."""
    parts: list[list[tuple[float, float]]] = []
    for point in points:
        if not parts or point[0] - parts[-1][-1][0] > joined_s:
            parts.append([])
        parts[-1].append(point)
    return [part for part in parts if len(part) > 1]


def _axes(
    name: str, across: tuple[float, float], up: tuple[float, float], unit: str
) -> tuple[Drawing, Scale, Scale]:
    drawing = Drawing(_WIDTH, _HEIGHT, name)
    x = Scale(*across, _LEFT, _WIDTH - 4)
    y = Scale(*up, _HEIGHT - _BELOW, 1.9 * _FONT)
    for value in ticks(*up, 5):
        drawing.line(x.start, y.at(value), x.end, y.at(value), "grid")
        drawing.text(x.start - 4, y.at(value) + 4, f"{value:g}", "lab", "end")
    drawing.text(0.0, _FONT - 1, unit)
    drawing.line(x.start, y.start, x.end, y.start, "axis")
    return drawing, x, y


def _days(recent: Recent | None, note: str) -> Markup:
    if recent is None or all(kwh is None for _, kwh in recent.energy_kwh):
        return tag("p", for_html(note or "Nothing was logged in the last seven days.", 200))
    known = [kwh for _, kwh in recent.energy_kwh if kwh is not None]
    most = max(*known, 0.1)
    drawing, x, y = _axes("energy", (0.0, float(len(recent.energy_kwh))), (0.0, 1.1 * most), "kWh")
    for place, (date, kwh) in enumerate(recent.energy_kwh):
        middle = x.at(place + 0.5)
        drawing.text(middle, _HEIGHT - 3, f"{date:%a}", "lab", "middle")
        if kwh is None:
            drawing.text(middle, y.start - 3, "?", "lab", "middle")
        else:
            half = 0.35 * (x.at(1.0) - x.at(0.0))
            drawing.box(middle - half, y.at(kwh), 2 * half, y.start - y.at(kwh), "bar")
    total = energy(sum(known))
    today = recent.energy_kwh[-1][1]
    said = f"Today {energy(today) if today is not None else 'not logged'}, seven days {total}"
    return joined(tag("p", said), drawing.render("Energy by day", f"{said}."))


def _fuel(facts: Facts, recent: Recent | None, fuel: dict[str, Any] | None, now_s: float) -> Markup:
    """Return what is left and for how long; nothing once the log is older than that."""
    told, units = [], owner().units
    low = NOTHING
    r = facts.reading
    if r is not None and r.fuel_l is not None:
        told.append(f"The charger's gauge says {r.fuel_l * units.per_l:.1f} {units.volume}")
    litres, days = (
        Span(*(number(fuel, name, key) for key in ("low", "median", "high")))
        for name in ("litres_left", "days_left")
    )
    end_s = moment(facts.document, "observed", "to")
    if recent is not None and recent.end_s is not None:
        end_s = recent.end_s
    too_old = None if facts.live else fuel_too_old(days, end_s, now_s)
    if too_old is not None:
        told.append(f"How much is left is not known: {too_old}")
    elif litres.median is not None:
        left = (
            f"About {figure_with_ends(litres, units.volume, units.per_l)} left{dated(end_s, now_s)}"
        )
        lasts = f", for {figure_with_ends(days, 'days')}" if days.median is not None else ""
        told.append(f"{left}{lasts}")
        low = tag("strong", "LOW: ") if fuel_low(days) else NOTHING
    return tag("p", low, text("; ".join(told) or "Not known."))


def _health(facts: Facts, limit: float, now_s: float) -> Markup:
    d = facts.document
    if d is None:
        return tag(
            "p",
            "No assessment yet. 'ebbwatt report --json report/assessment.json' writes one, or the "
            "same with the file that 'assessment' in [publish] names.",
        )
    told = []
    output = Span(*(number(d, "output", key) for key in ("low", "fraction", "high")))
    end_s = moment(d, "observed", "to")
    as_of_day = "" if end_s is None else as_of(end_s)
    if output != Span():
        gives = f"The charger gives {figure_with_ends(output, '%', 100.0)} of its rated output"
        told.append(", ".join(part for part in (gives, as_of_day) if part))
    elif as_of_day:
        told.append(as_of_day.capitalize())
    ends = ("low", "median", "high")
    left = Span(*(number(d, "remaining", "hours", end) for end in ends))
    dates = Span(*(moment(d, "remaining", "date", end) for end in ends))
    if left != Span() and end_s is not None and forecast_too_old(end_s, dates.median, now_s):
        told.append("the log is too old to say how many hours are left")
    elif left != Span():
        told.append(remaining_words(left, dates))
    advice = d.get("advice")
    measure = ""
    if isinstance(advice, list) and MEASURE in advice:
        measure = f"{MEASURE_SHORT[0].upper()}{MEASURE_SHORT[1:]}."
    said = joined(
        tag("p", tag("strong", VERDICT_WORDS[Verdict(d["verdict"])])),
        paragraphs(f"{'; '.join(told)}." if told else "", measure),
    )
    course = _course(d, limit)
    if course == NOTHING:
        return said
    return tag("div", tag("div", said), course, class_="blocks")


def _course(d: dict[str, Any], limit: float) -> Markup:
    """Return the plot of output over running hours, if the document holds its course."""
    course = d.get("course")
    keys = ("runtime_h", "median", "low", "high")
    if not isinstance(course, dict) or not all(isinstance(course.get(k), list) for k in keys):
        return NOTHING
    rows = [
        row
        for row in zip(*(course[k] for k in keys), strict=False)
        if all(isinstance(v, int | float) and abs(v) < 1e9 for v in row)
    ]
    if len(rows) < 2 or rows[-1][0] <= rows[0][0]:
        return NOTHING
    hours = [row[0] for row in rows]
    top = max(1.0, *(row[3] for row in rows))
    drawing, x, y = _axes("health", (hours[0], hours[-1]), (0.0, 100.0 * top), "% of rated")
    xs = [x.at(h) for h in hours]
    drawing.band(xs, [y.at(100 * r[2]) for r in rows], [y.at(100 * r[3]) for r in rows], "band")
    drawing.path(xs, [y.at(100 * r[1]) for r in rows], "curve")
    drawing.line(x.start, y.at(100 * limit), x.end, y.at(100 * limit), "limit")
    words = f"replacement limit {100 * limit:.0f} %"
    drawing.text(x.start + 4, y.at(100 * limit) + 12, words, "lab on")
    drawing.text(x.start, _HEIGHT - 3, f"{hours[0]:.0f} h", "lab", "start")
    drawing.text(x.end, _HEIGHT - 3, f"{hours[-1]:.0f} running hours", "lab", "end")
    said = f"From {100 * rows[0][1]:.0f} % to {100 * rows[-1][1]:.0f} % over {hours[-1]:.0f} hours."
    return drawing.render("Available output over running hours", said)
