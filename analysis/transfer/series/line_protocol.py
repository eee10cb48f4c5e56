r"""InfluxDB line protocol: ``measurement,tag=value field=1.5,other="text" 1556813561098000000``.

Syntax by its reference (docs.influxdata.com, line protocol reference): a backslash escapes comma
and space in a measurement, and comma, equals sign and space in keys and tag values; text of a field
stands in double quotes, with ``\"`` and ``\\``; whole numbers end in ``i`` or ``u``; a line that
begins with ``#`` is a comment. A field is called ``measurement.field`` in [import.fields].
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from analysis.transfer.series.samples import series_name
from logger.recordings.files import RecordedFile

if TYPE_CHECKING:
    from analysis.transfer.series.samples import Samples

    Point = tuple[str, dict[str, str], list[tuple[str, str | float]], int | None]

_BARE = r"(?:[^\\,= ]|\\.|\\$)"
_KEY = re.compile(rf"({_BARE}+)=")
_TAG_VALUE = re.compile(rf"({_BARE}+)")
_MEASUREMENT = re.compile(r"((?:[^\\, ]|\\.)+)")
_TEXT = re.compile(r'"((?:[^"\\]|\\.)*)"')
_NUMBER = re.compile(r"([-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?)([iu]?)(?=[, ]|$)")
_TRUTH = re.compile(r"(true|True|TRUE|t|T|false|False|FALSE|f|F)(?=[, ]|$)")
_TIME = re.compile(r"\s+(-?\d{1,19})\s*$")
_ESCAPED = re.compile(r"\\([,= ])")
_ESCAPED_TEXT = re.compile(r'\\(["\\])')


def point(line: str) -> Point:
    """Return measurement, tags, fields and time (in the file's unit, None if absent) of a line.

    Raises
    ------
    ValueError
        If it is none; the text says what was expected.
    """
    found = _MEASUREMENT.match(line)
    if found is None:
        raise ValueError("does not begin with a measurement")
    tags, at = _tags(line, found.end())
    fields, at = _fields(line, at)
    rest = line[at:]
    time = _TIME.fullmatch(rest)
    if rest.strip() and time is None:
        raise ValueError("does not end in a time, a whole number")
    return _ESCAPED.sub(r"\1", found[1]), tags, fields, None if time is None else int(time[1])


def _tags(line: str, at: int) -> tuple[dict[str, str], int]:
    tags: dict[str, str] = {}
    while line[at : at + 1] == ",":
        key = _KEY.match(line, at + 1)
        value = None if key is None else _TAG_VALUE.match(line, key.end())
        if key is None or value is None:
            raise ValueError("a tag is not written key=value")
        tags[_ESCAPED.sub(r"\1", key[1])] = _ESCAPED.sub(r"\1", value[1])
        at = value.end()
    return tags, at


def _fields(line: str, at: int) -> tuple[list[tuple[str, str | float]], int]:
    fields: list[tuple[str, str | float]] = []
    if line[at : at + 1] != " ":
        raise ValueError("has no fields after the measurement")
    at += len(line) - at - len(line[at:].lstrip(" "))
    while True:
        key = _KEY.match(line, at)
        if key is None:
            raise ValueError("a field is not written key=value")
        value_text, at = _field_value(line, key.end())
        fields.append((_ESCAPED.sub(r"\1", key[1]), value_text))
        if line[at : at + 1] != ",":
            return fields, at
        at += 1


def _field_value(line: str, at: int) -> tuple[str | float, int]:
    if text := _TEXT.match(line, at):
        return _ESCAPED_TEXT.sub(r"\1", text[1]), text.end()
    if number := _NUMBER.match(line, at):
        return float(number[1]), number.end()
    if truth := _TRUTH.match(line, at):
        return float(truth[1][0] in "tT"), truth.end()
    raise ValueError("the value of a field is no number, truth value or quoted text")


def looks_like_line_protocol(head: str) -> bool:
    """Tell whether the first line that is no comment is a point."""
    for line in head.splitlines():
        if line.strip() and not line.startswith("#"):
            try:
                point(line)
            except ValueError:
                return False
            return True
    return False


def read_line_protocol(samples: Samples) -> None:
    """Collect the points of a file; a bad line is refused, the rest goes in.

    Raises
    ------
    RecordingError
        If it cannot be read, or unpacks to more than the limit.
    """
    with RecordedFile(samples.path, samples.limits) as file:
        for number, line in enumerate(file.lines(), start=1):
            if line is None:
                samples.refuse(number, file.too_long())
            else:
                _take(number, line.rstrip("\r\n"), samples)


def _take(number: int, line: str, samples: Samples) -> None:
    if not line.strip() or line.startswith("#"):
        return
    try:
        measurement, tags, fields, when = point(line)
    except ValueError as error:
        samples.refuse(number, f"not line protocol: {error}")
        return
    if when is None:
        samples.refuse(number, "has no time")
        return
    _add(number, measurement, tags, fields, when / samples.mapping.per_second, samples)


def _add(
    number: int,
    measurement: str,
    tags: dict[str, str],
    fields: list[tuple[str, str | float]],
    time_s: float,
    samples: Samples,
) -> None:
    for key, value in fields:
        name = f"{measurement}.{key}"
        chosen = samples.mapping.fields_of(name, tags)
        if not chosen:
            samples.ignore(series_name(name, tags))
        for selector, field in chosen:
            samples.claim(field.channel, selector, name, tags)
            if selector.word_label is None:
                samples.add(number, time_s, field, value)
            elif value == 1.0:
                samples.add(number, time_s, field, tags[selector.word_label])
