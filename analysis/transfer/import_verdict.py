"""What an import of one file comes to, for a person: what went wrong first, and what to set."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logger.plausibility.values import TOO_FAST
from logger.reading import OperatingState
from logger.refusals import printable
from logger.sections import PLAUSIBLE
from logger.sources.fields import UNITS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from analysis.transfer.import_readings import FileResult

#: If this share of the rows or values is refused or more, that is told first: such a file has a
#: fault that a person can mend. Fewer bad rows come from disturbances.
MUCH = 1.0 / 3.0
#: Readings differ from what the log holds of their time: from this part of them on they are not of
#: that time, or not of that boat (our choice; a charger seldom runs less than a fifth of the time).
OTHER = 0.15
#: Kinds of reasons that are told; the rows themselves are listed below.
_MOST_REASONS = 3
_SETTABLE = frozenset(PLAUSIBLE.keys())


def trouble(result: FileResult, limits: Mapping[str, tuple[float, float]]) -> list[str]:
    """Return what a person must know first about the import of one file, each with what to do.

    Parameters
    ----------
    result
        What became of the file.
    limits
        Lowest and highest believable value of each channel.
    """
    lines = [*_refused_rows(result), *_refused_values(result, limits)]
    if result.compared and result.differ >= OTHER * result.compared:
        others = (
            f". Its {result.readings:,} other readings came in: take them back first, with "
            "'ebbwatt import --undo'"
        )
        lines.append(
            f"of {result.known:,} readings whose time the log holds already, "
            f"{100.0 * result.differ / result.compared:.0f} % have another voltage than the log; "
            "none of them came in. The file has wrong dates (was the clock set?), or it is of "
            "another charger: correct its dates and import it again, or import it into a log of "
            f"its own{others if result.readings else ''}"
        )
    if result.time_unit not in ("", "seconds"):
        lines.append(f"its times are numbers of {result.time_unit} and were taken as such")
    if result.spacing_words:
        lines.append(result.spacing_words)
    elif result.alone and not result.usable:
        lines.append(
            f"each of the {result.alone:,} readings stands alone, with a gap on either side: "
            f"write the spacing as interval_s in [log], and import the file again"
        )
    if not _rows(result):
        lines.append("the file holds no row but its header")
    return lines


def word_lines(words: Mapping[str, int]) -> Iterator[str]:
    """Yield what to do about state words that are none of ours."""
    if not words:
        return
    listed = ", ".join(f"'{printable(word, 40)}' ({count:,} x)" for word, count in words.items())
    yield (
        f"state words that are not known: {listed}; these readings went in without a state. "
        f"Known are {', '.join(OperatingState)}: replace each word in the file by one of these and "
        f"import it into a new log"
    )


#: A negative current of a size that a charger's current can have is seldom one of another unit.
WRONG_SIGN = (
    "is the sensor fitted the wrong way round, or is it the current of the battery "
    "(that belongs into battery_current_a)?"
)


def _rows(result: FileResult) -> int:
    # Files of intervals count no rows: what is new, known and refused are theirs.
    return result.rows or result.intervals + result.known + result.bad.total


def _refused_rows(result: FileResult) -> Iterator[str]:
    refused = result.bad.total
    if not refused or refused < MUCH * _rows(result):
        return
    ranked = result.bad.ranked()
    reasons = "; ".join(
        f"{count:,} x {printable(first.reason, 120)}{f' (line {first.line})' if first.line else ''}"
        for count, first in ranked[:_MOST_REASONS]
    )
    more = f"; and {len(ranked) - _MOST_REASONS} other reasons" if len(ranked) > 3 else ""
    yield f"{refused:,} of {_rows(result):,} rows were refused: {reasons}{more}"


def _refused_values(result: FileResult, limits: Mapping[str, tuple[float, float]]) -> Iterator[str]:
    for reason, count in sorted(result.implausible.items(), key=lambda item: -item[1]):
        if count < MUCH * result.rows:
            continue
        channel = reason.split(" ", 1)[0]
        words = f"{count:,} of {result.rows:,} values of {channel} were refused: {reason}"
        if channel not in limits:
            yield words
            continue
        low, high = limits[channel]
        sample = result.samples.get(reason, "")
        if reason == TOO_FAST:
            yield f"{words} (such as {sample}); is the column in hours?"
            continue
        unit = _likely_unit(channel, sample, low, high)
        advice = f"they look like {unit}: convert the column" if unit else "is the unit right?"
        if channel == "current_a" and _only_the_sign(result, sample, high):
            unit, advice = "sign", WRONG_SIGN
        if not unit and channel in _SETTABLE:
            advice += f" If they are true, set {channel} in [plausible]"
        yield f"{words} (such as {sample}; believed are {low:g} to {high:g}); {advice}"


def _only_the_sign(result: FileResult, sample: str, high: float) -> bool:
    """Tell whether a refused current would be believed with the other sign; none is too large."""
    try:
        value = float(sample)
    except ValueError:
        return False
    too_large = any(reason.startswith("current_a above") for reason in result.implausible)
    return -high <= value < 0.0 and not too_large


def _likely_unit(channel: str, sample: str, low: float, high: float) -> str:
    """Return the unit in which a refused value would be believed; empty if there is none."""
    try:
        value = float(sample)
    except ValueError:
        return ""
    for unit, (factor, offset) in UNITS.get(channel, {}).items():
        if (factor, offset) != (1.0, 0.0) and low <= value * factor + offset <= high and value:
            return unit
    return ""
