"""A first description of lines of text, from those that a device has written."""

from __future__ import annotations

import json
import re
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.probe.guesses import guess_encoding
from analysis.probe.series import Guess, fields_table, guesses
from analysis.probe.shown import quoted
from logger.refusals import printable
from logger.settings import Document
from logger.sources.decoding import Context, Message, Place
from logger.sources.description import GATHER_PART, build_decoder
from logger.sources.numerals import split_numeral

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from analysis.probe.heard import Heard

#: How the tables of formats begin whose lines no other text looks like, and the part of the lines
#: from which on they are taken: others may be chatter (our choice).
_STRICT = ('[decoder]\nkind = "jsonlines"', '[decoder]\nkind = "xdr"')
_STRICT_PART = 0.3
#: Lines that differ in one word are of one kind if so many other words and numbers agree: "V 13.5"
#: and "H 812" are not (our choice).
_LEAST_ALIKE, _LEAST_NUMBERS = 4, 2
#: A value that comes half as often as another, or less, is held this many times as long as it stays
#: away on average: one may be lost (our choice).
_SELDOM, _HELD = 0.5, 3.0
#: Words of a device that may be its state: so many different ones at most (our choice).
_MOST_WORDS = 12


def text_draft(heard: Heard, columns: Mapping[bytes, list[str]]) -> str:
    """Return [decoder], [fields] and [states] for lines of text.

    ``columns`` names those of each question's answer, where the answers are numbers in turn.
    """
    if columns:
        asked = {q: _lines(heard.answers[q], q) for q in columns}
        mark = _mark([line for lines in asked.values() for line in lines])
        table: dict[str, object] = {"kind": "csv", "columns": next(iter(columns.values()))}
        if mark != ",":
            table["delimiter"] = mark
        if (
            encoding := guess_encoding([line for part in asked.values() for line in part])
        ) != "utf-8":
            table["encoding"] = encoding
        rows = [
            dict(zip(columns[q], line.decode("latin-1").split(mark), strict=True))
            for q, lines in asked.items()
            for line in lines
        ]
        return _described(_toml(table), rows, heard)
    lines = _lines(heard.data)[1:-1]
    if heard.answers:
        lines = [line for q, data in heard.answers.items() for line in _lines(data, q)]
    best: tuple[int, str, list[dict[str, str]]] = (0, "", [])
    for found, words in _readings_of(lines):
        rows = list(words)
        score = sum(map(len, rows))
        if found.startswith(_STRICT) and len(rows) >= _STRICT_PART * len(lines) and rows:
            best = (score, found, rows)
            break
        if len(rows) >= 0.5 * len(lines) and score > best[0]:
            best = (score, found, rows)
    if not best[2]:
        shown = "\n".join(f"# {printable(line, 80)}" for line in lines[:6])
        return f"# The lines fit no decoder; the first of them:\n{shown}\n"
    return _described(best[1], best[2], heard)


def _described(table: str, rows: list[dict[str, str]], heard: Heard) -> str:
    names, fields, states = _text_fields(rows, heard)
    timing = [] if heard.answers else _timing(names, rows, heard.seconds)
    return "\n".join([table, "", *fields_table(fields), *timing, *states, ""])


def _timing(names: Collection[str], rows: Sequence[Mapping[str, str]], seconds: float) -> list[str]:
    """Return [timing] where no message holds what comes often, so that several make one reading.

    Parameters
    ----------
    names
        Names of the numbers that [fields] takes.
    rows
        What each message held.
    seconds
        How long the device was heard.
    """
    held = Counter(name for row in rows for name in names if name in row)
    most = max(held.values(), default=0)
    often = {name for name, count in held.items() if count > _SELDOM * most}  # the others are held
    if any(often <= row.keys() for row in rows):
        return []
    gather_s = GATHER_PART * seconds / max(most - 1, 1)
    return ["[timing]  # the values come in several messages", f"gather_s = {gather_s:.2g}", ""]


def _lines(data: bytes, question: bytes = b"") -> list[bytes]:
    """Return the lines in bytes, without the echo of a question."""
    lines = (line.strip() for line in re.split(rb"\r\n|\r|\n", data))
    return [line for line in lines if line and line != question.strip()]


def _mark(lines: Sequence[bytes]) -> str:
    """Return what stands between columns."""
    return next((m for m in (";", "\t", ",") if any(m.encode() in line for line in lines)), ",")


def columns_by_question(heard: Heard) -> dict[bytes, list[str]]:
    """Return names for the columns of each question's answer; empty where text names the values.

    So it is where every answer is made of numbers and short words between delimiters, always as
    many, and the answers to two questions cannot be told apart by their text.
    """
    asked = {q: _lines(data, q) for q, data in heard.answers.items()}
    if len(asked) < 2 or not all(asked.values()):
        return {}
    mark = _mark([line for lines in asked.values() for line in lines]).encode()
    patterns = [{_pattern(line.decode("latin-1")) for line in lines} for lines in asked.values()]
    named = any(re.search("[A-Za-z]", re.sub("[?]P<n>", "", p)) for p in set().union(*patterns))
    columns = {}
    for number, (question, lines) in enumerate(asked.items(), 1):
        counts = {line.count(mark) for line in lines}
        if len(counts) != 1 or named:
            return {}
        columns[question] = [f"q{number}c{k + 1}" for k in range(counts.pop() + 1)]
    return columns


def _readings_of(lines: Sequence[bytes]) -> Iterator[tuple[str, Iterator[dict[str, str]]]]:
    """Yield the tables of [decoder] that may fit, and what each makes of the lines."""
    tables: list[dict[str, object]] = [{"kind": "jsonlines"}, {"kind": "xdr"}]
    tables += [{"kind": "keyvalue", "separator": s} for s in ("=", ":", "~")]
    for mark in (",", ";", "\t"):
        counts = Counter(line.count(mark.encode()) for line in lines)
        if counts and (most := counts.most_common(1)[0][0]):
            columns = [f"c{n}" for n in range(1, most + 2)]
            tables.append({"kind": "csv", "delimiter": mark, "columns": columns})
    encoding = guess_encoding(lines)
    more: dict[str, object] = {} if encoding == "utf-8" else {"encoding": encoding}
    patterns = Counter(_pattern(line.decode(encoding, "backslashreplace")) for line in lines)
    patterns = _one_word_apart(patterns)
    common = [p for p, n in patterns.most_common(4) if "(?P" in p and n >= 2]
    if common:
        numbered = []
        count = 0
        for pattern in common:
            while "<n>" in pattern:
                count += 1
                pattern = pattern.replace("<n>", f"<n{count}>", 1)  # noqa: PLW2901 - one by one
            numbered.append(pattern)
        tables.append({"kind": "pattern", "pattern": numbered})
    for table in tables:
        yield _toml(table | more), _decoded(table | more, lines)


def _pattern(line: str) -> str:
    """Return a pattern in which each number of a line is a group."""
    # A digit behind a letter belongs to a name: CH1.
    parts = re.split(r"((?<![A-Za-z\d])[-+]?\d+(?:[.,]\d+)?)", line)
    escaped = [re.escape(part).replace("\\ ", " ") for part in parts]
    return "".join(r"(?P<n>[-+0-9.,]+)" if k % 2 else p for k, p in enumerate(escaped))


def _one_word_apart(patterns: Counter[str]) -> Counter[str]:
    """Make one pattern of those that differ in one word, such as a state, which becomes a group."""
    merged: dict[tuple[int, tuple[str, ...]], set[str]] = {}
    for pattern in patterns:
        words = pattern.split(" ")
        if pattern.count("<n>") < _LEAST_NUMBERS or len(words) <= _LEAST_ALIKE:
            continue
        for place, word in enumerate(words):
            if "<n>" not in word:
                merged.setdefault((place, (*words[:place], *words[place + 1 :])), set()).add(word)
    found = Counter(patterns)
    for (place, rest), words_there in merged.items():
        alike = [" ".join((*rest[:place], word, *rest[place:])) for word in sorted(words_there)]
        if len(alike) > 1 and all(pattern in found for pattern in alike):
            whole = " ".join((*rest[:place], r"(?P<n>\S+)", *rest[place:]))
            found[whole] = sum(found.pop(pattern) for pattern in alike)
    return found


def _toml(table: dict[str, object]) -> str:
    lines = ["[decoder]"]
    for key, value in table.items():
        if table["kind"] == "keyvalue" and (key, value) == ("separator", "="):
            continue
        if key == "pattern" and isinstance(value, list):
            shown = "[\n" + "".join(f"    {_literal(p)},\n" for p in value) + "]"
        else:
            shown = json.dumps(value)
        lines.append(f"{key} = {shown}")
    return "\n".join(lines)


def _literal(pattern: str) -> str:
    """Write a pattern between single quotes, where TOML keeps its backslashes, if it can be."""
    return f"'{pattern}'" if pattern.isprintable() and "'" not in pattern else quoted(pattern)


def _decoded(table: dict[str, object], lines: Sequence[bytes]) -> Iterator[dict[str, str]]:
    _, decoder = build_decoder(table, Place(Document(Path("draft"), {})))
    for line in lines:
        for item in decoder.decode(line + b"\r\n", Context()).items:
            if isinstance(item, Message) and item.values:
                yield {name: str(v) for name, v in item.values.items() if v is not None}


def _text_fields(
    rows: list[dict[str, str]], heard: Heard
) -> tuple[list[str], list[str], list[str]]:
    """Return the names of the numbers taken, the lines of [fields], and those of [states]."""
    taken: dict[str, tuple[str, Guess]] = {}
    found: list[tuple[int, str, Guess]] = []
    words: dict[str, set[str]] = {}
    for name in {name: None for row in rows for name in row}:
        said = [row[name] for row in rows if name in row]
        numbers = [n for text in said if (n := _numeral(text)) is not None]
        if len(numbers) < 0.8 * len(said):
            words[name] = set(said)
            continue
        whole = all(re.fullmatch(r"[-+]?\d+", text.strip()) for text in said)
        found += [
            (guess.weight, name, guess)
            for guess in guesses(numbers, heard.seconds, whole=whole, most_a=heard.most_a)
        ]
    for _, name, guess in sorted(found, key=lambda row: -row[0]):
        if guess.channel not in taken and name not in {n for n, _ in taken.values()}:
            taken[guess.channel] = (name, guess)
    fields, names = [], [name for name, _ in taken.values()]
    often = max((sum(name in row for row in rows) for name in names), default=0)
    for name, guess in taken.values():
        said = [row[name] for row in rows if name in row]
        commas = any("," in text for text in said if _numeral(text) is not None)
        seldom = len(said) <= _SELDOM * often and not heard.answers
        hold_s = _HELD * heard.seconds / len(said) if seldom else 0.0
        line = guess.line(name, decimal_comma=commas, hold_s=hold_s)
        fields.append(f"{line}  # seen: {guess.words()}")
    states: list[str] = []
    state = next((n for n, said in words.items() if len(said) <= _MOST_WORDS), None)
    if state is not None:
        fields.append(f"state = {quoted(state)}")
        states = ["[states]  # name each: off, standby, starting, running, throttled, fault ..."]
        states += [f'{quoted(word)} = "unknown"' for word in sorted(words[state])]
    return names, fields, states


def _numeral(text: str) -> float | None:
    for comma in (False, True):
        try:
            return float(split_numeral(text.strip(), decimal_comma=comma)[0])
        except ValueError:
            continue
    return None
