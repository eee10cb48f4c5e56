"""An exchange that nobody recorded: the counter jumps back and the output changes with it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day, local_iso
from analysis.inputs.finding import Finding, Severity, series
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.history.runs import Runs
    from analysis.inputs.finding import Series
    from logger.event import Event

#: A step of the output within so many running hours of the jump belongs to it (our choice:
#: a step is dated no better; the study calls one found within 50 h).
WITHIN_H = 50.0
#: An event that a person recorded within so many days explains the jump (our choice, such
#: days are noted from memory).
RECORDED_WITHIN_D = 30.0
#: A jump ahead is told from this many hours beyond the time that passed on: less is a clock that
#: was set (our choice, two days).
AHEAD_H = 48.0
#: So many jumps that nobody explained are no exchanges (our choice, one in ten years is usual).
MANY = 6
_RESET = "counter reset"
_EXPLAINS = {"replacement", "renewal"}


@dataclass(frozen=True, slots=True)
class Jump:
    """The hour counter went back, or ahead of the time; nobody recorded an exchange."""

    time_s: float
    runtime_h: float
    """Running hours of the log at it, going on from before."""
    was_h: float
    now_h: float
    course: Series | None = field(default=None, compare=False)
    """The counter over the whole log."""


def unexplained_jumps(runs: Runs, events: Sequence[Event]) -> list[Jump]:
    """Return the jumps, back or ahead, that are no roll-over and that no event explains."""
    hours, log = runs.hours, runs.log
    told = np.flatnonzero(np.isfinite(log.runtime_h))
    course = series("hour counter", "h", log.end_s[told], log.runtime_h[told])
    found = []
    for place in np.setdiff1d(hours.breaks, hours.wraps):
        before = told[told < place]
        if not len(before):
            continue
        was, now = float(log.runtime_h[before[-1]]), float(log.runtime_h[place])
        time_s = float(log.start_s[place])
        explained = any(
            (e.kind in _EXPLAINS or (e.kind == "note" and _RESET in e.text.lower()))
            and not e.struck
            and abs(e.time_s - time_s) < DAY_S * RECORDED_WITHIN_D
            for e in events
        )
        passed_h = float(log.end_s[place] - log.end_s[before[-1]]) / 3600.0
        ahead = now - was > passed_h + AHEAD_H
        if (now < was or ahead) and not explained:
            found.append(Jump(time_s, float(hours.at_end_h[place]), was, now, course))
    return found


_AHEAD = "So many hours did not pass. "


def jump_finding(jump: Jump) -> Finding:
    """Tell a jump of the hour counter, and ask about it."""
    when, at = day(jump.time_s), local_iso(math.floor(jump.time_s))
    return Finding(
        "counter_break",
        Severity.NOTE,
        jump.time_s,
        f"The hour counter jumped from {jump.was_h:.1f} to {jump.now_h:.1f} h on {when}; nobody "
        f"recorded why. {_AHEAD if jump.now_h > jump.was_h else ''}The hours go on from before: if "
        "another charger was fitted, they count those of the old one, too. What is left of the "
        "design hours keeps both readings open.",
        f"If another charger was fitted then, record it: ebbwatt exchange --at {at}. If this one "
        f"was renewed: ebbwatt event add renewal --at {at}. If only the counter was reset: ebbwatt "
        f'event add note --at {at} --text "counter reset". If a recording of another charger, '
        "or one with wrong dates, was imported, take it back: ebbwatt import --undo.",
        f"{'at least' if jump.now_h < jump.was_h else 'hardly more than'} {jump.was_h:.1f} h",
        f"{jump.now_h:.1f} h",
        jump.course,
        asks=True,
    )


def many_jumps(jumps: Sequence[Jump]) -> Finding:
    """Tell jumps of the hour counter that are too many for exchanges."""
    first = min(jumps, key=lambda jump: jump.time_s)
    usual_h = float(np.median([abs(jump.now_h - jump.was_h) for jump in jumps]))
    count, hours = len(jumps), "hour" if round(usual_h) == 1 else "hours"
    return Finding(
        "counter_jumps",
        Severity.DOUBT,
        first.time_s,
        f"The hour counter jumps {count} times, usually by {usual_h:.0f} {hours} (first on "
        f"{day(first.time_s)}). No charger is exchanged so often: the recording repeats parts of "
        "itself, or its readings stand at wrong times. The hours go on from before each jump.",
        "Look whether the logger or the device sends old hours again, and whether a file was "
        "imported with wrong dates: take it back with 'ebbwatt import --undo'. Readings that "
        "stand in the log twice count twice in energy and load.",
        "a counter that rises with the running",
        f"{count} jumps, usually by {usual_h:.0f} h",
        first.course,
    )


def with_exchange(
    findings: Sequence[Finding], jumps: Sequence[Jump], steps: Sequence[tuple[float, float]]
) -> tuple[Finding, ...]:
    """Propose an exchange where a jump of the counter and a step of the output come together.

    Parameters
    ----------
    findings
        What was found so far; a jump that became a proposal is told once.
    jumps
        Jumps back of the counter.
    steps
        (running hours, change as a fraction of rated) of each step of the output.
    """
    told = list(findings)
    for jump in jumps:
        near = [change for at_h, change in steps if abs(at_h - jump.runtime_h) <= WITHIN_H]
        if not near:
            continue
        change = max(near, key=abs)
        when = day(jump.time_s)
        asked = jump_finding(jump)
        told = [f for f in told if (f.code, f.since_s) != (asked.code, asked.since_s)]
        told.append(
            replace(
                asked,
                code="exchange_proposed",
                severity=Severity.DOUBT,
                text=f"On {when} the hour counter jumped from {jump.was_h:.1f} to "
                f"{jump.now_h:.1f} h and the output changed by {100.0 * change:+.0f} % of rated. "
                "The charger was probably exchanged. Until that is recorded, its hours count those "
                "of the old one, too.",
                expected=f"{asked.expected}, and no change of the output",
                seen=f"{jump.now_h:.1f} h, and {100.0 * change:+.0f} % of rated",
            )
        )
    return tuple(told)
