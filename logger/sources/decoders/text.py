"""Lines of text whose fields have names: key=value pairs, columns, JSON objects."""

from __future__ import annotations

import csv
import json
import re
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoders.lines import (
    LINE_SETTINGS,
    LineDecoder,
    LineError,
    check_lines,
)

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Request, Value

KEY_VALUE = Section(
    "decoder",
    (
        Setting("kind", "text", "keyvalue", "key=value pairs, one line for each message"),
        Setting("separator", "text", "=", "what stands between a key and its value", wire=True),
        Setting(
            "between", "text", " \t,;", "characters that may stand between two pairs", wire=True
        ),
        *LINE_SETTINGS,
    ),
    "lines such as U=13.52 I=4.20 MODE=RUN",
)
CSV = Section(
    "decoder",
    (
        Setting("kind", "text", "csv", "columns without names, one line for each message"),
        Setting(
            "columns", "list", REQUIRED, "a name for each column, in order; '' for one to skip"
        ),
        Setting("delimiter", "text", ",", "the character between two columns", wire=True),
        *LINE_SETTINGS,
    ),
    "lines such as 13.52,4.20,RUN",
)
JSON_LINES = Section(
    "decoder",
    (
        Setting("kind", "text", "jsonlines", "one JSON object on each line"),
        *LINE_SETTINGS,
    ),
    'lines such as {"out": {"volts": 13.52}}, whose field is called out.volts',
)

#: Bounds for a JSON object from a device; far above what any real one holds.
DEEPEST, MOST_FIELDS, LONGEST_INTEGER = 8, 256, 20


class KeyValueDecoder(LineDecoder):
    """Reads key=value pairs; pieces without the separator are passed over."""

    def __init__(self, settings: Mapping[str, Any]) -> None:
        super().__init__(settings)
        self.separator: str = settings["separator"]
        self._between = re.compile(f"([{re.escape(settings['between'])}]+)")

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the pairs of a line; a key that stands twice makes the line doubtful."""
        del context
        found: dict[str, Value] = {}
        last = ""
        # Blanks round a separator belong to it. Each step takes time in proportion to the line.
        parts = [part.strip(" \t") for part in text.split(self.separator)]
        if self.separator.isspace():
            parts = [part for part in parts if part]
        pieces = self._between.split(self.separator.join(parts))
        for piece, gap in zip(pieces[::2], ["", *pieces[1::2]], strict=True):
            key, separator, value = piece.partition(self.separator)
            if not separator or not key:
                # U=13,52 would otherwise read as 13 where a comma may stand between pairs.
                if gap == "," and piece.isdigit() and last[-1:].isdigit():
                    raise LineError(
                        "has a decimal comma", f"set between without ',': {last},{piece}"
                    )
                continue
            last = value
            if key in found:
                raise LineError("a key stands twice", key)
            found[key] = value
        if not found:
            raise LineError("no key and value", f"no {self.separator!r} in the line")
        return found


class CsvDecoder(LineDecoder):
    """Reads columns by position; the number of columns must be exact."""

    def __init__(self, settings: Mapping[str, Any]) -> None:
        super().__init__(settings)
        self.columns = tuple(settings["columns"])
        self.delimiter: str = settings["delimiter"]

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the named columns of a line."""
        columns = self.columns
        if context.asked is not None and context.asked.columns is not None:
            columns = context.asked.columns
        if '"' in text:
            try:
                cells = next(csv.reader([text], delimiter=self.delimiter, strict=True))
            except (csv.Error, StopIteration) as error:
                raise LineError("quotes do not match", str(error)) from None
        else:
            cells = text.split(self.delimiter)
        if len(cells) != len(columns):
            raise LineError("wrong number of columns", f"got {len(cells)}, expected {len(columns)}")
        return {name: cell.strip() for name, cell in zip(columns, cells, strict=True) if name}

    def names(self) -> frozenset[str] | None:
        """Return the names of the columns; requests may add their own."""
        return frozenset(name for name in self.columns if name)

    def answer_form(self, request: Request) -> Hashable | None:
        """Return the number of columns: the names are those of the question."""
        return len(self.columns if request.columns is None else request.columns)


class JsonLinesDecoder(LineDecoder):
    """Reads one JSON object per line; fields of inner objects get dotted names."""

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the fields of an object."""
        del context
        try:
            parsed = json.loads(
                text,
                object_pairs_hook=_unique,
                parse_constant=_no_constant,
                parse_int=_bounded_int,
            )
        except LineError:
            raise
        except (ValueError, RecursionError) as error:
            raise LineError("not JSON", str(error)[:80]) from None
        if not isinstance(parsed, dict):
            raise LineError("not a JSON object")
        found: dict[str, Value] = {}
        _flatten(parsed, "", found, DEEPEST)
        return found


def _unique(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise LineError("a key stands twice")
    return found


def _no_constant(word: str) -> object:
    raise LineError("not a finite number", word)


def _bounded_int(digits: str) -> int:
    if len(digits) > LONGEST_INTEGER:
        raise LineError("too many digits", digits[:LONGEST_INTEGER])
    return int(digits)


def _flatten(parsed: dict[str, Any], prefix: str, found: dict[str, Value], depth: int) -> None:
    for key, value in parsed.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            if depth == 0:
                raise LineError("objects nested too deep")
            _flatten(value, f"{name}.", found, depth - 1)
        elif isinstance(value, bool):
            found[name] = "true" if value else "false"
        elif value is None or isinstance(value, str | int | float):
            found[name] = value
        if len(found) > MOST_FIELDS:
            raise LineError("too many fields")


def build_key_value(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder of key=value pairs from its table."""
    settings = place.checked(KEY_VALUE, table)
    check_lines(settings, place)
    if not settings["separator"]:
        raise place.error("must not be empty", "separator")
    if not settings["between"] or settings["separator"] in settings["between"]:
        raise place.error("must hold a character, and not the separator", "between")
    return KeyValueDecoder(settings)


def build_csv(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder of columns from its table."""
    settings = place.checked(CSV, table)
    check_lines(settings, place)
    if len(settings["delimiter"]) != 1 or settings["delimiter"] in '"\r\n':
        raise place.error('takes one character other than " and line ends', "delimiter")
    check_names(settings["columns"], place, "columns")
    return CsvDecoder(settings)


def build_json_lines(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder of JSON Lines from its table."""
    settings = place.checked(JSON_LINES, table)
    check_lines(settings, place)
    return JsonLinesDecoder(settings)


def check_names(names: list[Any], place: Place, key: str) -> None:
    """Raise ConfigError unless ``names`` are texts, at least one not empty, none twice."""
    words = [name for name in names if isinstance(name, str)]
    used = [name for name in words if name]
    if len(words) != len(names) or not used:
        raise place.error("takes a list of names in quotes, at least one not empty", key)
    if len(set(used)) != len(used):
        raise place.error("names one column twice", key)
