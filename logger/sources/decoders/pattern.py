"""A pattern with named groups over one or several lines, for text that has no simpler form.

RE2 matches it in a time that grows no faster than the text, whatever the pattern: no text can
stall the logger. It is loaded only where a pattern is configured.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from logger.refusals import one_line
from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoders.lines import (
    LINE_SETTINGS,
    LineDecoder,
    LineError,
    check_lines,
)
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from logger.sources.decoding import Context, Decoder, Place, Value

PATTERN = Section(
    "decoder",
    (
        Setting("kind", "text", "pattern", "a pattern with named groups"),
        Setting(
            "pattern",
            "texts",
            REQUIRED,
            r"a regular expression such as 'V (?P<volts>\S+)', in the syntax of RE2; it must match "
            r"the whole message; lines are joined by \n. Messages that differ, such as the answers "
            r"to several questions, each have a pattern of their own: ['V (?P<volts>.+)', "
            r"'H (?P<hours>.+)']; the first that matches is taken. Lines to be left out have a "
            r"pattern without a group, such as '\*.*' for all that begin with a star: they are "
            r"then not counted as refused. RE2 does not look ahead or "
            r"behind ((?=, (?!, (?<=, (?<!), does not go back to a group (\1, (?P=name)) and "
            r"repeats at most 1000 times; \d, \w and \s take ASCII only",
        ),
        Setting("lines", "whole", 1, "number of lines in a message", "", 1, 50),
        *LINE_SETTINGS,
    ),
    "text in which each value is found by a named group",
)
#: Memory that RE2 may keep for one pattern, bytes. Its default is 8 MiB, for a daemon of 30 MiB.
MEMORY = 1 << 20
_WRITE_OUT = "a pattern cannot look ahead or behind, or go back to a group: write the text itself"
#: What RE2 says about a pattern that it does not know, and what to write instead.
_ADVICE = (
    (r"\(\?(P=|<?[=!]|<$)", _WRITE_OUT),
    (r"invalid escape sequence: \\[1-9]", _WRITE_OUT),
    (r"invalid escape sequence: \\Z", "leave it out: a pattern matches the whole message anyway"),
    (r"invalid escape sequence: \\[uU]", r"write the character itself, or \x{20ac} for its number"),
    (r"\(\?>", "write (?: instead of (?>, since no text can make a pattern slow"),
    (r"bad repetition operator: [*+?]\+", "leave the last + out: no text can make a pattern slow"),
    (r"invalid repetition size", "repeats go to 1000 at most, those inside each other multiplied"),
    (r"pattern too large", "write it shorter, with * instead of counted repeats"),
    (r"\(\?[a-zA-Z]", "of the flags only i, m, s and U are known, such as (?i)"),
)  # fmt: skip
#: Characters of what RE2 says that are shown: it repeats the pattern.
_LONGEST_COMPLAINT = 200
_GROUP_NAME = re.compile(r"\(\?P?<(\w+)>")
#: A set in brackets, an escaped character, or one character.
_PARTS = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]|\\.|.", re.DOTALL)


@dataclass(frozen=True, slots=True)
class _Pattern:
    """A pattern made ready by RE2, with the number of each named group."""

    regexp: Any
    groups: Mapping[str, int]


class _PatternError(Exception):
    """A pattern that cannot be used; the text says what to write instead."""


class PatternDecoder(LineDecoder):
    """Matches each run of ``lines`` lines; a line that starts no match is refused alone."""

    def __init__(self, settings: Mapping[str, Any], patterns: Sequence[_Pattern]) -> None:
        super().__init__(settings)
        self.patterns = tuple(patterns)
        self.span: int = settings["lines"]
        self.longest = self.span * self.longest

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the named groups of the first pattern that matches.

        A group that took no part is None: the message marks its value as not known. The groups of
        other patterns are not returned: their values come in other messages.
        """
        del context
        for pattern in self.patterns:
            match = pattern.regexp.fullmatch(text)
            if match is not None:
                return {name: match[number] for name, number in pattern.groups.items()}
        raise LineError("the pattern does not match")

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode every complete run of lines; an incomplete one waits for more."""
        if self.span == 1:
            return super().decode(data, context)
        cut = self.cutter.cut(data, in_sync=context.in_sync)
        items: list[Message | Refused] = [*cut.refused]
        first = 0
        while first + self.span <= len(cut.lines):
            run = cut.lines[first : first + self.span]
            try:
                text = "\n".join(self.text(line) for line, _ in run)
                values = self.values(text, context)
            except LineError as error:
                items.append(Refused(run[0][0], error.reason, error.detail))
                first += 1
            else:
                items.append(Message(b"\n".join(line for line, _ in run), values))
                first += self.span
        waiting = cut.lines[first:]
        if waiting and cut.in_sync:
            return Step(waiting[0][1], tuple(items))
        items += [Refused(line, "incomplete message") for line, _ in waiting]
        return Step(cut.used, tuple(items), cut.in_sync)

    def names(self) -> frozenset[str] | None:
        """Return the names of the groups of all patterns."""
        return frozenset().union(*(pattern.groups for pattern in self.patterns))


def build_pattern(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the pattern decoder from its table.

    Raises
    ------
    ConfigError
        For a pattern that RE2 does not know, that names no group or one twice, or that holds more
        line ends than ``lines`` allows.
    """
    settings = place.checked(PATTERN, table)
    check_lines(settings, place)
    given = settings["pattern"]
    texts: list[str] = [given] if isinstance(given, str) else given
    patterns: list[_Pattern] = []
    for number, text in enumerate(texts, start=1):
        try:
            patterns.append(_compiled(text))
        except _PatternError as error:
            which = "" if len(texts) == 1 else f"number {number} of {len(texts)}: "
            raise place.error(f"{which}{error}", "pattern") from None
    if not any(pattern.groups for pattern in patterns):
        raise place.error(r"needs a named group, written (?P<name>...)", "pattern")
    ends = max(map(_line_ends, texts))
    if settings["lines"] <= ends:
        raise place.error(
            f"got {settings['lines']}; the pattern holds {ends} line ends: lines = {ends + 1}",
            "lines" if "lines" in table else "pattern",
        )
    return PatternDecoder(settings, patterns)


def _compiled(text: str) -> _Pattern:
    """Have RE2 read a pattern, or raise _PatternError with what to write instead."""
    try:
        import re2
    except ImportError:
        raise _PatternError(
            "needs the package google-re2, which is not installed here: pip install google-re2"
        ) from None
    options = re2.Options()
    options.max_mem = MEMORY
    options.log_errors = False  # RE2 would write to standard error itself
    try:
        regexp = re2.compile(text, options)
    except re2.error as error:
        complaint = error.args[0].decode(errors="replace")
        if complaint.endswith("(?P") and "(?P=" in text:
            complaint += "="
        advice = next((f"; {say}" for known, say in _ADVICE if re.search(known, complaint)), "")
        shown = one_line(complaint, _LONGEST_COMPLAINT)
        raise _PatternError(f"is no valid pattern ({shown}){advice}") from None
    names = _GROUP_NAME.findall(text)
    twice = next((name for name in names if names.count(name) > 1), None)
    messages = _messages(text)
    if sum(bool(_GROUP_NAME.search(message)) for message in messages) > 1:
        raise _PatternError(
            "holds several messages, joined by |; write each as a pattern of its own, in a list: "
            f"[{', '.join(map(_quoted, messages))}]"
        )
    if twice is not None:
        raise _PatternError(f"names the group {twice} twice; give each a name of its own")
    groups = sorted(regexp.groupindex.items(), key=itemgetter(1))  # as they stand in the pattern
    return _Pattern(regexp, dict(groups))


def _at_top(text: str) -> Iterator[tuple[str, bool]]:
    """Yield the parts of a pattern, and whether each stands outside all groups."""
    depth = 0
    for part in _PARTS.findall(text):
        depth += {"(": 1, ")": -1}.get(part, 0)
        yield part, depth == 0


def _messages(text: str) -> list[str]:
    """Return the alternatives of a pattern that stand outside all groups."""
    messages = [""]
    for part, at_top in _at_top(text):
        if part == "|" and at_top:
            messages.append("")
        else:
            messages[-1] += part
    return messages


def _quoted(text: str) -> str:
    """Write a pattern as it can be copied into TOML, where single quotes keep backslashes."""
    plain = text.isprintable() and "'" not in text
    return f"'{text}'" if plain else json.dumps(text)


def _line_ends(text: str) -> int:
    """Count the line ends that every match of a pattern holds; those in groups are left out."""
    return sum(at_top and part in {"\n", r"\n"} for part, at_top in _at_top(text))
