"""A pattern with named groups over one or several lines, for text that has no simpler form."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoders.backtracking import TooMuchWorkError, check_work, parser
from logger.sources.decoders.lines import (
    LINE_SETTINGS,
    LineDecoder,
    LineError,
    refuse_bad_mark,
)
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Value

PATTERN = Section(
    "decoder",
    (
        Setting("kind", "text", "pattern", "a pattern with named groups"),
        Setting(
            "pattern",
            "text",
            REQUIRED,
            r"a Python regular expression such as 'V (?P<volts>\S+)'; it must match the whole "
            r"message; lines are joined by \n. Messages that differ, such as the answers to "
            r"several questions, are alternatives, joined by |. One whose work on a line cannot be "
            r"bounded, such as (a+)+, is refused",
        ),
        Setting("lines", "whole", 1, "number of lines in a message", "", 1, 50),
        *LINE_SETTINGS,
    ),
    "text in which each value is found by a named group",
)
_LINE_END = ord("\n")


class PatternDecoder(LineDecoder):
    """Matches each run of ``lines`` lines; a line that starts no match is refused alone."""

    def __init__(self, settings: Mapping[str, Any], pattern: re.Pattern[str]) -> None:
        super().__init__(settings)
        self.pattern = pattern
        self.alternatives = _alternatives(pattern)
        self.span: int = settings["lines"]
        self.line_limit: int = settings["line_limit"]
        self.longest = self.span * self.longest

    def text(self, line: bytes) -> str:
        """Return a line as text, which is never longer than the pattern was checked for."""
        text = super().text(line)
        if len(text) > self.line_limit:  # each byte that is no text is written with four
            raise LineError("too many bytes that are no text")
        return text

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the named groups; one that took no part is not known.

        Of alternatives that are messages of their own only the groups of the one that matched are
        returned: the values of the others are not unknown, they come in another message.
        """
        del context
        match = self.pattern.fullmatch(text)
        if match is None:
            raise LineError("the pattern does not match")
        found: dict[str, Value] = dict(match.groupdict())
        for names in self.alternatives:
            if all(found[name] is None for name in names):
                for name in names:
                    del found[name]
        return found

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
        """Return the names of the groups."""
        return frozenset(self.pattern.groupindex)


def _parsed(pattern: re.Pattern[str]) -> Iterable[tuple[Any, Any]]:
    """Return the items of a pattern at its top level."""
    items: Iterable[tuple[Any, Any]] = parser.parse(pattern.pattern)
    return items


def _alternatives(pattern: re.Pattern[str]) -> tuple[frozenset[str], ...]:
    """Return the names of each alternative, where two or more at the top level hold any."""
    for op, argument in _parsed(pattern):
        if str(op) == "BRANCH":
            groups = [_groups(branch) for branch in argument[1]]
            named = [
                frozenset(name for name, number in pattern.groupindex.items() if number in some)
                for some in groups
            ]
            held = tuple(names for names in named if names)
            if len(held) > 1:
                return held
    return ()


def _groups(tree: Any) -> set[int]:  # noqa: ANN401 - as parsed
    """Return the numbers of all groups in a part of a parsed pattern, at any depth."""
    if isinstance(tree, tuple) and len(tree) == 2 and str(tree[0]) == "SUBPATTERN":
        number, _, _, inner = tree[1]
        return ({number} if number is not None else set()) | _groups(inner)
    if isinstance(tree, tuple | list | parser.SubPattern):
        return set().union(*(_groups(part) for part in tree))
    return set()


def build_pattern(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the pattern decoder from its table."""
    settings = place.checked(PATTERN, table)
    refuse_bad_mark(settings, place)
    try:
        pattern = re.compile(settings["pattern"])
    except re.error as error:
        raise place.error(f"is no valid pattern: {error}", "pattern") from None
    if not pattern.groupindex:
        raise place.error(r"needs a named group, written (?P<name>...)", "pattern")
    try:
        check_work(settings["pattern"], settings["line_limit"], settings["lines"])
    except TooMuchWorkError as error:
        raise place.error(str(error), "pattern") from None
    ends = sum((str(op), what) == ("LITERAL", _LINE_END) for op, what in _parsed(pattern))
    if settings["lines"] <= ends:
        raise place.error(
            f"got {settings['lines']}; the pattern holds {ends} line ends: lines = {ends + 1}",
            "lines" if "lines" in table else "pattern",
        )
    return PatternDecoder(settings, pattern)
