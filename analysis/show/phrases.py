"""Says in sentences what an assessment holds; dashboard, summary and page use the same words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.assessment.document import Verdict
from analysis.assessment.first_limit import LIMITS, may_last, others, others_sentence
from analysis.assessment.from_new import WEAK
from analysis.assessment.verdict import FOR_TECHNICIAN, UNIT_OR_PLACE
from analysis.estimate import Span
from analysis.figures import (
    date_ends,
    date_figure,
    day,
    ends,
    figure,
    figure_with_ends,
    hours_words,
    rounded,
)
from analysis.inputs.finding import Severity, stops
from analysis.inputs.gain import GAIN_DRIFT
from analysis.inputs.meters import MEASURE, MEASURE_SHORT
from analysis.show.service import overdue
from analysis.show.verdict_words import VERDICT_WORDS, least_hours, remaining_words
from analysis.text import harmless

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.assessment.document import Assessment

#: What comes to an end first, as the subject of a sentence.
_UNTIL = {
    "output": "falls below the replacement limit of {limit:.0f} % for good",
    "design_hours": "has used up its design hours ({design})",
    "load": "can no longer carry this boat's load",
}


def output_clause(a: Assessment) -> str:
    """Say what the charger can give now."""
    if a.output.median is not None:
        both = ends(a.output, "%", 100)
        return (
            f"gives {figure(a.output, '%', 100)} of its rated {a.rated_w:.0f} W "
            f"({both}, 90 % confidence)"
        )
    if a.output.low is not None:
        return (
            f"can give at least {100 * a.output.low:.0f} % of its rated {a.rated_w:.0f} W; how "
            f"much more is not known yet"
        )
    if stops(a.inputs):
        return "cannot be judged by these data"
    return "has not yet shown what it can give"


def since_start_clause(a: Assessment) -> str:
    """Say what is left of what the charger gave when the log began; empty where not known."""
    if a.since_start.median is None:
        return ""
    return (
        f"{figure_with_ends(a.since_start, '%', 100)} of what it gave when the log began, whatever "
        "the current sensor's scale"
    )


def verdict_sentence(a: Assessment) -> str:
    """Return the verdict in one sentence, with its confidence."""
    head = VERDICT_WORDS[a.verdict]
    if a.runs == 0:
        return f"{head}: the log holds no running of this charger."
    return f"{head}: the charger {output_clause(a)}."


def other_limits(a: Assessment) -> str:
    """Name the other limits that may come first, with their chances; empty where there are none."""
    return others_sentence(a.until, a.first, a.remaining_h)


def first_limits(a: Assessment) -> str:
    """Name the likeliest limit beside the others; empty where it is named alone."""
    said = others(a.until, a.first, a.remaining_h)
    return (
        f"The first limit is most likely {LIMITS[a.until]}, else {said}."
        if a.until and said
        else ""
    )


_ENDED = {
    "output": "the charger has fallen below the replacement limit",
    "design_hours": "the design hours are used up",
    "load": "the charger can no longer carry this boat's load",
}


def until_clause(a: Assessment) -> str:
    """Say what comes to an end first."""
    text = _UNTIL.get(a.until or "", "reaches its first limit")
    return text.format(limit=100 * a.replace_below, design=hours_words(a.design_life_h))


def remaining_sentence(a: Assessment) -> str:
    """Return remaining life in hours and as a date, or why it is withheld."""
    hours, date = a.remaining_h, a.remaining_date
    further = f" {other}" if (other := other_limits(a)) else ""
    if hours.median is not None and hours.median <= 0:
        ended = _ENDED.get(a.until or "", "its first limit is reached")
        if may_last(hours):
            most = "" if hours.high is None else f"0 to {rounded(hours.high, -1)} h may be left; "
            return f"It may already be that {ended}: {most}90 % confidence.{further}"
        return f"No hours remain: {ended}."
    if hours.median is not None:
        both = ends(hours, "h")
        text = f"The charger {until_clause(a)} in about {figure(hours, 'h')}"
        text += f" ({both})" if both else ""
        if date.median is not None:
            span = date_ends(date)
            text += f", as this boat uses it about {date_figure(date)}"
            text += f" ({span})" if span else ""
        return f"{text}; 90 % confidence.{further}"
    # The sentence before says already that there is no figure.
    withheld = (a.withheld or "").removesuffix(": no figure")
    why = f" {sentence(harmless(withheld, 200))}" if withheld else ""
    if hours.low is not None:
        when = f", {date_figure(Span(low=date.low))}" if date.low is not None else ""
        return (
            f"No figure for the remaining life, only a bound (95 % confidence): at least "
            f"{least_hours(hours.low)} h of further running{when}.{why}"
        )
    return f"No figure for the remaining life.{why}"


def remaining_short(a: Assessment) -> str:
    """Return remaining life in a few words."""
    return remaining_words(a.remaining_h, a.remaining_date)


def decline_sentence(a: Assessment) -> str:
    """Say how fast the output fades."""
    slope = a.decline_per_1000h
    if slope.median is None:
        return "The decline is not known yet."
    text = f"It loses {figure(slope, '%', 100)} of rated per 1000 running hours"
    both = ends(slope, "%", 100)
    text += f" ({both}, 90 % confidence)" if both else ""
    if a.sag is not None and a.sag > 0:
        text += f"; a further {100 * a.sag:.1f} % sags within a run and comes back after a rest"
    return text + "."


def decline_short(a: Assessment) -> str:
    """Say how fast the output fades in a few words."""
    slope = a.decline_per_1000h
    if slope.median is None:
        return "not known yet"
    return f"{figure_with_ends(slope, '%', 100)} of rated per 1000 running hours, 90 % confidence."


def sentence(text: str) -> str:
    """Return ``text`` with a capital at its start and a full stop at its end."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


#: What a sound charger asks for.
NOTHING_TO_DO = "Nothing to do. Look again in a season, or when output or hours change quickly."
_ACTIONS = {
    Verdict.SOUND: NOTHING_TO_DO,
    Verdict.PLAN: "Plan the replacement now, so that it can be fitted at a time of your choosing.",
    Verdict.REPLACE: "Have the charger replaced, and do not rely on it for a passage.",
    Verdict.UNDETERMINED: "Do not decide by this report alone; log more first.",
}


_NO_PASSAGE = "Do not rely on it for a passage."
#: The same behind "if the meters confirm it".
_MEASURED = {
    Verdict.PLAN: "Plan the replacement now.",
    Verdict.REPLACE: "Have it replaced.",
}
#: What the verdict asks for where nothing can be concluded from the data, however many there are.
_MEND_FIRST = "Do not decide by this report: mend the data first."
#: What it asks for where a charger was weak when new, and nobody knows why.
_UNIT_OR_PLACE = (
    "Do not order by this report: find out first whether the unit is weak or its place."
)
#: With these findings the output may read far too low: a clamp meter comes before a replacement.
_MEASURE_FIRST = frozenset({GAIN_DRIFT, "voltage_drop"})
#: No action is longer; what comes from outside may be.
LONGEST_ACTION = 600


@dataclass(frozen=True, slots=True)
class Action:
    """Something to do next, and whose work it is."""

    text: str
    who: str


def actions(a: Assessment, now_s: float | None = None) -> list[Action]:
    """Return what to do next: the step that the verdict asks for, service, then the advice.

    ``now_s`` is the Unix time for which the service calendar is asked; the end of the log if left
    out.
    """
    own = [Action(_own_action(a), "owner")]
    replaced = a.verdict in {Verdict.PLAN, Verdict.REPLACE} and not stops(a.inputs)
    to_measure = replaced and MEASURE in a.advice
    doubted = [
        f.what_to_do
        for f in a.inputs
        if f.severity is not Severity.NOTE and not (to_measure and f.code in _MEASURE_FIRST)
    ]
    # What asks for the cause of a loss stands in the verdict's own action already.
    noted = [f.what_to_do for f in a.inputs if f.asks and f.severity is Severity.NOTE]
    found = [
        Action(words, "technician")
        for words in dict.fromkeys([*doubted, *([] if replaced else noted)])
    ]
    # What is wrong with the data comes first where the verdict hangs on it.
    hangs = any(f.code in _MEASURE_FIRST for f in a.inputs)
    first = [*own, *found] if replaced and not hangs else [*found, *own]
    if to_measure:
        first = [Action(f"{MEASURE}.", "technician"), *first]
    if found and a.verdict is Verdict.SOUND:
        words = "look again when the data are mended." if doubted else "look again after that."
        first = [*found, Action(f"The output itself calls for nothing; {words}", "owner")]
    further = [
        Action(sentence(words), "technician" if words in FOR_TECHNICIAN else "crew")
        for words in a.advice
        if words != MEASURE
    ]
    asked_s = a.observed_to_s if now_s is None else now_s
    due = [] if asked_s is None else overdue(a.service, asked_s)
    words = f"Service due: {', '.join(due)}. When done: 'ebbwatt event tick'."
    jobs = [Action(words, "technician")]
    return first + (jobs if due else []) + further


def _own_action(a: Assessment) -> str:
    """Return what the verdict asks for; the cause of a sudden loss is looked for first."""
    if stops(a.inputs):
        return _MEND_FIRST
    action = _ACTIONS[a.verdict]
    if any(reason.code == UNIT_OR_PLACE for reason in a.reasons):
        return _UNIT_OR_PLACE
    if a.verdict not in {Verdict.PLAN, Verdict.REPLACE}:
        return action
    to_measure = MEASURE in a.advice
    metered = to_measure or any(f.code in _MEASURE_FIRST for f in a.inputs)
    first = "First "
    if metered:
        action, first = _MEASURED[a.verdict], "If the meters agree, "
        if a.verdict is Verdict.REPLACE:
            first = f"{_NO_PASSAGE} {first}"
    then = f"{action[0].lower()}{action[1:]}"
    lost = [step for step in a.steps if step.change < 0.0]
    if any(f.code == WEAK for f in a.inputs):
        return (
            f"{first}check rated_w{'' if to_measure else ', the current sensor'} and the guarantee "
            "(ebbwatt check --log): it was weak from its first day. If they are in order: "
            f"{then}"
        )
    if lost:
        worst = min(lost, key=lambda step: step.change)
        return (
            f"{first}find the cause of the sudden {100 * worst.change:+.0f} % about "
            f"{day(worst.time_s)} (ebbwatt check --log). It is not wear; if it stays, {then}"
        )
    return f"{first}{then}" if metered else action


#: Where the rest of an action stands.
MORE = "More: ebbwatt check --log."


def kept_short(action: str, longest: int) -> str:
    """Return an action in its whole sentences, as many as fit, and where the rest stands."""
    text = harmless(action, LONGEST_ACTION)
    if len(text) <= longest:
        return text
    return whole_sentences(text, longest, MORE) or harmless(text, longest)


def whole_sentences(text: str, longest: int, more: str) -> str:
    """Return as many whole sentences of a text as fit, and then ``more``; empty if none fits."""
    if len(text) <= longest:
        return text
    sentences = text.removesuffix(more).rstrip(". ").split(". ")
    for count in range(len(sentences) - 1, 0, -1):
        kept = f"{'. '.join(sentences[:count])}. {more}".rstrip()
        if len(kept) <= longest:
            return kept
    return ""


def in_short(a: Assessment, told: Sequence[str]) -> str:
    """Return the first of the next actions as the dashboard says it."""
    if not told[0].startswith(MEASURE):
        return told[0]
    warned = f"{_NO_PASSAGE} " if a.verdict is Verdict.REPLACE else ""
    return f"{warned}{sentence(MEASURE_SHORT)}"


def next_actions(a: Assessment, now_s: float | None = None) -> list[str]:
    """Return what to do next, without whose work it is."""
    return [action.text for action in actions(a, now_s)]
