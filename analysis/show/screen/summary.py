"""The report in the terminal: one screen that says the same as the page.

Each entry has wordings from the full one to the shortest. Where the lines at hand do not suffice,
the entries that matter least are put shorter first, and only then left out; what decides
(verdict, output, remaining life, the next step, the cautions) is never left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.assessment.document import Verdict
from analysis.figures import (
    charge,
    date_ends,
    date_figure,
    day,
    ends,
    energy,
    figure,
    figure_with_ends,
)
from analysis.inputs.finding import Severity, stops
from analysis.inputs.meters import MEASURE
from analysis.show.cautions import BRIEF, SHORT
from analysis.show.freshness import as_of
from analysis.show.inputs import first_sentence, one_line
from analysis.show.phrases import (
    MORE,
    decline_sentence,
    decline_short,
    kept_short,
    next_actions,
    other_limits,
    output_clause,
    remaining_sentence,
    remaining_short,
    sentence,
    since_start_clause,
    until_clause,
    whole_sentences,
)
from analysis.show.service import when_due
from analysis.show.tables import faults_in_words, use_rows, years
from analysis.show.verdict_words import VERDICT_SIGNS, VERDICT_WORDS
from analysis.show.wrapping import wrap_plain
from analysis.text import SCREEN_LINES, counted, for_encoding, harmless

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from analysis.assessment.document import Assessment
    from analysis.inputs.finding import Finding
    from analysis.show.matter import Matter

#: Lines of the summary at most; the command adds one that says how to get more.
MOST_LINES = SCREEN_LINES - 1
#: The same below 80 columns, where what is never left out takes more lines.
MOST_NARROW = SCREEN_LINES + 1
#: The narrowest width for which the summary is laid out (our choice).
NARROWEST = 40
#: Wider than this, lines become too long for the eye.
WIDEST = 100
_FULL_WIDTH = 80

#: Width of the names at the left, and of those of a comparison.
_NAMES = 11
_CHANGE_NAMES = 20
#: Longest text of one reason or advice, characters; such texts are a sentence or two.
_LONGEST = 300
#: Weight up to which entries are left out before the next step is put shorter, and the weight of
#: that step.
_LIGHT, _STAYS = 6, 10
#: What two lines of the full width hold beside the name at the left.
_TWO_LINES = 2 * (_FULL_WIDTH - _NAMES)


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the summary; ``strong`` ones are shown bold where the terminal can."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class _Entry:
    """A name at the left and what there is to say beside it."""

    name: str
    wordings: tuple[str, ...]
    """From the full one to the shortest; an empty one leaves the entry out."""
    weight: int
    """What weighs less is put shorter first."""
    indent: int = _NAMES
    strong: bool = False

    def lines(self, place: int, width: int) -> list[Line]:
        """Return the entry in one of its wordings."""
        if not self.wordings[place]:
            return []
        pieces = wrap_plain(self.wordings[place], width - self.indent)
        heads = [self.name, *[""] * len(pieces)]
        return [
            Line(f"{head:<{self.indent}}{piece}", self.strong)
            for head, piece in zip(heads, pieces, strict=False)
        ]


def summary(matter: Matter, width: int = 80, encoding: str = "utf-8") -> list[Line]:
    """Return the summary as lines of at most ``width`` columns that ``encoding`` can carry.

    It takes at most :data:`MOST_LINES` lines from 80 columns on, :data:`MOST_NARROW` from 60 on.
    """
    width = max(NARROWEST, min(width, WIDEST))
    lines = _laid_out(_entries(matter), width)
    return [Line(for_encoding(line.text, encoding), line.strong) for line in lines]


def _laid_out(entries: Sequence[_Entry], width: int) -> list[Line]:
    """Choose the wordings that fit, and return the lines."""
    wordings = [[e.lines(k, width) for k in range(len(e.wordings))] for e in entries]
    chosen = [0] * len(entries)
    most = MOST_LINES if width >= _FULL_WIDTH else MOST_NARROW

    def too_long() -> bool:
        return sum(len(w[k]) for w, k in zip(wordings, chosen, strict=True)) > most

    # The last of equals goes first: later reasons and advice weigh less.
    order = sorted(range(len(entries)), key=lambda i: (entries[i].weight, -i))
    steps = ((False, _STAYS - 1), (True, _LIGHT), (False, _STAYS), (True, _STAYS))
    for leave_out, heaviest in steps:
        for i in order:
            while entries[i].weight <= heaviest and too_long() and chosen[i] + 1 < len(wordings[i]):
                if not wordings[i][chosen[i] + 1] and not leave_out:
                    break
                chosen[i] += 1
    # What was put shorter before something else was left out may have room again.
    order.reverse()
    order.sort(key=lambda i: entries[i].weight >= _STAYS)
    for i in order:
        while chosen[i] > 0:
            longer = len(wordings[i][chosen[i] - 1]) > len(wordings[i][chosen[i]])
            chosen[i] -= 1
            if longer and too_long():
                chosen[i] += 1
                break
    return [line for w, k in zip(wordings, chosen, strict=True) for line in w[k]]


def _entries(matter: Matter) -> list[_Entry]:
    a = matter.assessment
    fitted = f", fitted {a.fitted}" if a.fitted else ""
    names = (f"{harmless(a.label, k)}, rated {a.rated_w:.0f} W{fitted}" for k in (40, 12))
    head = [
        _Entry("", tuple(names), 9, indent=0),
        _Entry(
            "",
            (_verdict(a),),
            9,
            indent=0,
            strong=True,
        ),
    ]
    body = _health if a.runs else _nothing_known
    said = body if matter.comparison is None else _comparison
    return [
        *head,
        *_inputs(matter),
        *said(matter),
        *_advice(matter),
        _Entry("", (SHORT, BRIEF), 1, indent=0),
    ]


def _inputs(matter: Matter) -> list[_Entry]:
    """Return what the data say about themselves: the worst stays, two more where there is room."""
    found = matter.assessment.inputs[:3]
    if stops(found):
        return []  # it stands under "why", and the worst comes first
    return [
        _Entry("" if i else "data", (*_kept(f), "") if i else _kept(f), 7 - 2 * i)
        for i, f in enumerate(found)
    ]


def _further(matter: Matter) -> list[_Entry]:
    """Return how many findings there are besides those that stop every conclusion."""
    inputs = matter.assessment.inputs
    more = [f for f in inputs if f.severity is not Severity.STOP]
    if not stops(inputs) or not more:
        return []
    return [_Entry("data", (f"{counted(len(more), 'more finding')}: ebbwatt check --log.", ""), 3)]


def _kept(finding: Finding) -> tuple[str, ...]:
    """Return a finding in full and in its first sentence; neither is cut."""
    return (one_line(finding), first_sentence(finding))


def _verdict(a: Assessment) -> str:
    """Return the verdict and the day for which it is true."""
    head = f"[{VERDICT_SIGNS[a.verdict].strip()}] {VERDICT_WORDS[a.verdict]}"
    return f"{head}, {as_of(a.observed_to_s)}" if a.observed_to_s is not None else head


def _nothing_known(matter: Matter) -> list[_Entry]:
    nothing = "The log holds no running of this charger, so nothing can be said."
    return [_Entry("output", (nothing,), 9), *_reasons(matter), _log(matter)]


def _health(matter: Matter) -> list[_Entry]:
    a = matter.assessment
    return [
        _output(a),
        _Entry("decline", (decline_sentence(a), decline_short(a)), 6),
        *_steps(matter),
        *_remaining(matter),
        *_reasons(matter),
        *_further(matter),
        # Such hours and energy are not the charger's.
        *([] if stops(a.inputs) else [_used(matter), _use(matter)]),
        _log(matter),
        *_service(matter),
    ]


def _service(matter: Matter) -> list[_Entry]:
    """Return the job that is due next; what is overdue stands under "next" too."""
    jobs = matter.assessment.service
    said = [f"{harmless(due.name, 40)}: {when_due(due, matter.made_s)}" for due in jobs]
    return [_Entry("service", (f"{'; '.join(said[:3])}.", f"{said[0]}.", ""), 4)] if said else []


def _output(a: Assessment) -> _Entry:
    said = f"The charger {output_clause(a)}"
    if a.output.median is None:
        return _Entry("output", (f"{said}.",), 9)
    watts = figure_with_ends(a.output, "W", a.rated_w)
    short = f"{figure_with_ends(a.output, '%', 100)} of rated, 90 % confidence: {watts}."
    since = since_start_clause(a)
    full = f"{said}: {watts}."
    if not since:
        return _Entry("output", (full, short), 4)
    return _Entry("output", (f"{full} That is {since}.", f"{short} That is {since}.", short), 7)


def _steps(matter: Matter) -> list[_Entry]:
    """Return the last three steps; the newest is never left out."""
    texts = [
        f"{100 * step.change:+.0f} % of rated at {step.runtime_h:.0f} h, {day(step.time_s)} "
        f"({100 * step.low:+.0f} to {100 * step.high:+.0f} %)"
        for step in matter.assessment.steps[-3:]
    ]
    earlier = [_Entry("step", (text, ""), 4) for text in texts[:-1]]
    return [*earlier, *[_Entry("step", (text,), 6) for text in texts[-1:]]]


def _remaining(matter: Matter) -> list[_Entry]:
    a = matter.assessment
    if a.remaining_h.median is None:
        short = f"{sentence(remaining_short(a))} {sentence(harmless(a.withheld or '', 90))}"
        return [_Entry("remaining", (remaining_sentence(a), short), 8)]
    if a.remaining_h.median <= 0:
        return [_Entry("remaining", (remaining_sentence(a),), 9)]
    hours = f"{figure(a.remaining_h, 'h')}"
    both = ends(a.remaining_h, "h")
    text = f"{hours}{f' ({both})' if both else ''} until it {until_clause(a)}."
    entries = [_Entry("remaining", (text,), 9)]
    if a.remaining_date.median is not None:
        span = date_ends(a.remaining_date)
        date = f"{date_figure(a.remaining_date)}{f' ({span})' if span else ''}"
        used = (f"{date}, if the boat is used as before.", f"{date}, used as before.")
        entries.append(_Entry("date", used, 9))
    other = other_limits(a)
    return [*entries, _Entry("", (other, ""), 8)] if other else entries


def _reasons(matter: Matter) -> list[_Entry]:
    a = matter.assessment
    # The other limits stand under "remaining" already, and so does why nothing is told of them.
    said = f". {other_limits(a).removesuffix('.')}"
    told = [r.text.removesuffix(said) for r in a.reasons[:3] if r.text != a.withheld]
    texts = [sentence(harmless(text, _LONGEST)) for text in told]
    return [
        _Entry("" if i else "why", _shorter(text)[: None if i else -1], 5)
        for i, text in enumerate(texts)
    ]


def _shorter(text: str, more: str = "") -> tuple[str, ...]:
    """Return a text in full, its whole sentences that two lines hold, and left out."""
    first = whole_sentences(text, _TWO_LINES, more)
    if first == text:
        return (text, "")
    return (text, first or harmless(text, 2 * (NARROWEST + _NAMES)), "")


def _used(matter: Matter) -> _Entry:
    used = [row for row in use_rows(matter.assessment) if row.used]
    out = [row for row in use_rows(matter.assessment) if not row.used]
    inside = (
        "; ".join(
            f"{row.hours:.0f} h in {counted(row.runs or 0, 'run')}, {harmless(row.what)}"
            for row in used
        )
        or "none"
    )
    total = f"{sum(row.hours for row in out):.0f} h"
    if not out:
        return _Entry("used", (f"{inside}. Nothing was left out.", ""), 3)
    reasons = [f"{harmless(row.what, 60)} {row.hours:.0f} h" for row in out[:3]]
    further = len(out) - len(reasons)
    more = f" and {further} more reason{'s' * (further > 1)}" if further > 0 else ""
    return _Entry(
        "used",
        (
            f"{inside}. Left out: {', '.join(reasons)}{more}.",
            f"{inside}. Left out: {total}, most: {harmless(out[0].what, 60)}.",
            f"{sum(row.hours for row in used):.0f} h. Left out: {total}.",
            "",
        ),
        3,
    )


def _use(matter: Matter) -> _Entry:
    a = matter.assessment
    text = f"{a.running_hours:.0f} h, {energy(a.energy_kwh)}, {charge(a.charge_ah)}"
    text += f" in {counted(a.runs, 'run')}"
    last = years(a.run_table)[-3:]
    by_year = ", ".join(f"{y.label}: {energy(y.energy_kwh)}" for y in last)
    full = f"{text}; by year {by_year}." if len(last) > 1 else f"{text}."
    return _Entry("use", (full, f"{text}.", ""), 4)


def _log(matter: Matter) -> _Entry:
    a = matter.assessment
    span = "empty"
    if a.observed_from_s is not None and a.observed_to_s is not None:
        span = f"{day(a.observed_from_s)} to {day(a.observed_to_s)}"
    faults = faults_in_words(matter.events)
    wordings = (f"{span}; faults: {faults}.", f"{span}; faults: {harmless(faults)}.", "")
    return _Entry("log", wordings, 4)


def _advice(matter: Matter) -> list[_Entry]:
    actions = [
        kept_short(item, _LONGEST) for item in next_actions(matter.assessment, matter.made_s)[:3]
    ]
    # What is to be done weighs more than the third reason for it.
    if not actions[0].startswith(MEASURE):
        further = [_Entry("", _asked(text), 6 - k) for k, text in enumerate(actions[1:])]
        return [_Entry("next", (actions[0],), 9), *further]
    # How both meters are recorded need not stay. That a replacement is to be planned stands at the
    # top too; what else the verdict asks for must stay.
    first = _Entry("next", (actions[0], whole_sentences(actions[0], len(MEASURE), "")), _STAYS)
    own = _Entry("", _asked(actions[1]), 8)
    if matter.assessment.verdict is Verdict.REPLACE:
        own = _Entry("", _asked(actions[1])[:-1], _STAYS)
    return [first, own, *[_Entry("", _asked(text), 8) for text in actions[2:]]]


def _asked(text: str) -> tuple[str, ...]:
    """Return an action in full, in what two lines and one line hold of it, and left out."""
    *longer, nothing = _shorter(text, "" if "ebbwatt check --log" in text else MORE)
    one_line = whole_sentences(text, _FULL_WIDTH - _NAMES, "")
    return (*dict.fromkeys([*longer, one_line or longer[-1]]), nothing)


def _comparison(matter: Matter) -> Iterable[_Entry]:
    """Return what changed; the present stands beside the past, so nothing is said twice."""
    comparison = matter.comparison
    assert comparison is not None  # noqa: S101 - the caller has looked
    yield _Entry("", (comparison.headline,), 9, indent=0, strong=True)
    for note in comparison.notes:
        yield _Entry("mind", (note,), 8)
    for change in comparison.changes:
        same = change.then == change.now
        pair = f"{change.now}, as then" if same else f"{change.then} -> {change.now}"
        full = f"{pair} ({change.change})" if change.change and not same else pair
        # The headline tells both verdicts already.
        told = change.what == "verdict"
        wordings = (pair, "") if same or told else (full, pair)
        yield _Entry(change.what, wordings, 7 if told else 8, indent=_CHANGE_NAMES)
