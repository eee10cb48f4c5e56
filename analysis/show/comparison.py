"""Compares an assessment with the document of an earlier visit: what changed, and is it sure."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from analysis.assessment.document import SCHEMA, Verdict
from analysis.estimate import Span
from analysis.figures import date_figure, day, energy, figure, figure_with_ends
from analysis.show.verdict_words import VERDICT_WORDS
from analysis.text import harmless
from logger.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.assessment.document import Assessment


#: Greater figures are none of an assessment (our choice, so that a wrong file ends in a clear
#: error).
_GREATEST = 1e7


@dataclass(frozen=True, slots=True)
class Change:
    """One line of the comparison."""

    what: str
    then: str
    now: str
    change: str

    def cells(self) -> tuple[str, str, str, str]:
        """Return the line as cells."""
        return self.what, self.then, self.now, self.change


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed since an earlier visit."""

    headline: str
    changes: tuple[Change, ...]
    notes: tuple[str, ...]


def read_document(path: Path) -> dict[str, Any]:
    """Read an assessment document.

    Raises
    ------
    UsageError
        If the file is missing or is not such a document.
    """
    try:
        document: Any = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(f"{path}: there is no such file") from None
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror or error}") from None
    except (ValueError, RecursionError):
        raise UsageError(
            f"{path}: not an assessment document: it is not JSON; 'ebbwatt report --json FILE' "
            "writes one"
        ) from None
    schema = document.get("schema") if isinstance(document, dict) else None
    if schema != SCHEMA:
        raise UsageError(
            f"{path}: not an assessment document ('schema' is {harmless(repr(schema), 40)}; "
            f"accepted: {SCHEMA!r}, as 'ebbwatt report --json FILE' writes)"
        )
    checked: dict[str, Any] = document
    return checked


class _Then:
    """Figures of the earlier document, each None where it is absent or not what it should be."""

    def __init__(self, document: dict[str, Any]) -> None:
        self._document = document

    def _at(self, *keys: str) -> object:
        value: object = self._document
        for key in keys:
            value = value.get(key) if isinstance(value, dict) else None
        return value

    def number(self, *keys: str) -> float | None:
        value = self._at(*keys)
        if not isinstance(value, int | float) or isinstance(value, bool):
            return None
        # No figure of an assessment is as great as this; a longer one would fill the screen.
        return float(value) if -_GREATEST < value < _GREATEST else None

    def words(self, *keys: str) -> str:
        value = self._at(*keys)
        return harmless(value) if isinstance(value, str) else ""

    def time_s(self, *keys: str) -> float | None:
        try:
            return datetime.fromisoformat(self.words(*keys)).timestamp()
        except (ValueError, OverflowError, OSError):
            return None

    def span(self, section: str, middle: str) -> Span:
        return Span(
            self.number(section, "low"), self.number(section, middle), self.number(section, "high")
        )

    def remaining(self) -> tuple[Span, Span]:
        ends = ("low", "median", "high")
        return (
            Span(*(self.number("remaining", "hours", end) for end in ends)),
            Span(*(self.time_s("remaining", "date", end) for end in ends)),
        )

    def steps(self) -> int:
        value = self._at("steps")
        return len(value) if isinstance(value, list) else 0


def compare(document: dict[str, Any], a: Assessment) -> Comparison:
    """Return what changed between an earlier document and the assessment now."""
    then = _Then(document)
    output_then = then.span("output", "fraction")
    left_then, date_then = then.remaining()
    hours_then = then.number("observed", "running_hours")
    ran_h = _ran_h(then, a)
    changes = (
        Change(
            "verdict",
            _verdict_words(then.words("verdict")),
            VERDICT_WORDS[a.verdict],
            "same" if then.words("verdict") == str(a.verdict) else "changed",
        ),
        Change(
            "available output",
            figure_with_ends(output_then, "%", 100),
            figure_with_ends(a.output, "%", 100),
            _as_declined(output_then, then.span("decline", "per_1000h"), ran_h, a),
        ),
        Change(
            "decline per 1000 h",
            figure(then.span("decline", "per_1000h"), "%", 100),
            figure(a.decline_per_1000h, "%", 100),
            _difference(then.span("decline", "per_1000h"), a.decline_per_1000h, "% of rated", 100),
        ),
        Change(
            "remaining hours",
            figure_with_ends(left_then, "h"),
            figure_with_ends(a.remaining_h, "h"),
            _held(left_then, ran_h, a.remaining_h, "h"),
        ),
        Change(
            "first limit",
            date_figure(date_then),
            date_figure(a.remaining_date),
            _held(date_then, 0.0, a.remaining_date, None),
        ),
        Change(
            "running hours seen",
            "not known" if hours_then is None else f"{hours_then:.0f} h",
            f"{a.running_hours:.0f} h",
            "" if hours_then is None else f"{a.running_hours - hours_then:+.0f} h",
        ),
        _energy(then.number("observed", "energy_kwh"), a),
        Change(
            "steps found",
            str(then.steps()),
            str(len(a.steps)),
            f"{len(a.steps) - then.steps():+d}" if len(a.steps) != then.steps() else "",
        ),
    )
    return Comparison(_headline(then, a, hours_then), changes, tuple(_notes(then, a)))


def _energy(before: float | None, a: Assessment) -> Change:
    return Change(
        "energy seen",
        "not known" if before is None else energy(before),
        energy(a.energy_kwh),
        "" if before is None else f"{a.energy_kwh - before:+.1f} kWh",
    )


def _verdict_words(verdict: str) -> str:
    known = {str(v): words for v, words in VERDICT_WORDS.items()}
    return known.get(verdict, "not known")


def _difference(before: Span, now: Span, unit: str, scale: float) -> str:
    """Say how much a figure moved, and whether the intervals explain it."""
    if before.median is None or now.median is None:
        return ""
    apart = (
        before.low is not None
        and before.high is not None
        and now.low is not None
        and now.high is not None
        and (now.high < before.low or now.low > before.high)
    )
    moved = Span(median=scale * (now.median - before.median))
    places = 1 if scale > 1 else 0
    words = "more than the intervals explain" if apart else "within the intervals"
    return f"{moved.median:+.{places}f} {unit}, {words}"


def _ran_h(then: _Then, a: Assessment) -> float | None:
    """Return the hours that the charger ran since then, by its own hours where both know them."""
    counted = then.number("output", "at_runtime_h")
    if counted is not None and a.at_runtime_h is not None:
        return a.at_runtime_h - counted
    seen = then.number("observed", "running_hours")
    return None if seen is None else a.running_hours - seen


def _held(then: Span, gone: float | None, now: Span, unit: str | None) -> str:
    """Say whether an earlier forecast held: what it left after ``gone`` against what is said now.

    It held where the two intervals meet. Dates need nothing taken off; they have no unit.
    """
    if then.low is None or then.high is None or gone is None or gone < 0.0:
        return ""
    if now.median is None:
        return ""
    low, high = then.low - gone, then.high - gone
    held = (now.low or now.median) <= high and (now.high or now.median) >= low
    verdict = "the forecast held" if held else "the forecast did not hold"
    if unit is None:
        return verdict
    left = Span(max(low, 0.0), None if then.median is None else max(then.median - gone, 0.0),
                max(high, 0.0))  # fmt: skip
    return f"after {gone:.0f} {unit} run, {figure_with_ends(left, unit)} were forecast: {verdict}"


def _as_declined(then: Span, slope: Span, ran_h: float | None, a: Assessment) -> str:
    """Compare the output now with what the decline told then lets expect."""
    now = a.output
    if then.median is None or now.median is None:
        return ""
    told = f"{100.0 * (now.median - then.median):+.1f} % of rated"
    known = None not in (
        then.low,
        then.high,
        slope.low,
        slope.median,
        slope.high,
        now.low,
        now.high,
    )
    if not known or ran_h is None or ran_h < 0.0:
        return told
    assert then.low is not None and then.high is not None  # noqa: S101, PT018 - known
    assert slope.low is not None and slope.high is not None and slope.median is not None  # noqa: S101, PT018 - known
    assert now.low is not None and now.high is not None  # noqa: S101, PT018 - known
    run_kh = ran_h / 1000.0
    expected = then.median - slope.median * run_kh
    # Errors of level and decline are taken as independent of each other.
    below = math.hypot(then.median - then.low, (slope.high - slope.median) * run_kh)
    above = math.hypot(then.high - then.median, (slope.median - slope.low) * run_kh)
    if now.high < expected - below:
        words = "more lost than"
    elif now.low > expected + above:
        words = "less lost than"
    else:
        words = "as"
    return f"{told}, {words} expected from the earlier decline ({100.0 * expected:.1f} %)"


def _another(then: _Then, a: Assessment) -> bool:
    """Return whether the document speaks of another charger: other rated output or day."""
    rated, fitted = then.number("charger", "rated_w"), then.words("charger", "fitted")
    other = rated is not None and rated != a.rated_w
    return other or bool(fitted and a.fitted and fitted != a.fitted)


def _headline(then: _Then, a: Assessment, hours_then: float | None) -> str:
    if _another(then, a):
        return (
            "The earlier document speaks of another charger: the two columns show two units, and "
            "their difference is no decline."
        )
    until = then.time_s("observed", "to")
    since = f"Since {day(until)}" if until is not None else "Since then"
    before, now = then.words("verdict"), str(a.verdict)
    ran_h = None if hours_then is None else a.running_hours - hours_then
    ran = "" if ran_h is None or ran_h < 0 else f" the charger ran {ran_h:.0f} h and"
    if before == now:
        return f"{since}{ran} the verdict stayed '{VERDICT_WORDS[Verdict(now)]}'."
    return (
        f"{since}{ran} the verdict went from '{_verdict_words(before)}' to "
        f"'{VERDICT_WORDS[a.verdict]}'."
    )


def _notes(then: _Then, a: Assessment) -> list[str]:
    """Warn where the two cannot be compared as they stand."""
    notes = []
    label, rated = then.words("charger", "label"), then.number("charger", "rated_w")
    fitted = then.words("charger", "fitted")
    if label and label != harmless(a.label):
        notes.append(f"Label then '{harmless(label, 40)}', now '{harmless(a.label, 40)}'.")
    if rated is not None and rated != a.rated_w:
        notes.append(f"Rated output then {rated:.0f} W, now {a.rated_w:.0f} W.")
    if fitted and fitted != (a.fitted or ""):
        notes.append(f"Fitted then {harmless(fitted, 20)}, now {a.fitted or 'not known'}.")
    hours = then.number("observed", "running_hours")
    if hours is not None and hours > a.running_hours + 0.5:
        notes.append(
            "The earlier document saw more running hours than this log holds: it is later, or "
            "comes from another log."
        )
    return notes
