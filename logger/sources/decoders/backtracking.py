r"""Bounds the work of a pattern before any text is seen, so that no text can stall the logger.

Python's matcher goes back and tries again: ``(a+)+`` doubles its work with every letter. Here the
parsed pattern is walked and the number of ways is bounded in which text could be dealt out among
its repeats and alternatives. A repeat adds no way where what follows cannot begin with what it
takes: ``\S+`` before a blank ends in one place only. A repeat that is not settled like this adds as
many ways as the text has places; inside another repeat it is refused, because the ways multiply
with each turn.

Sets of characters are kept over a few atoms: each ASCII character, and four kinds of all others.
"""

from __future__ import annotations

import importlib
import math
import re
from dataclasses import dataclass
from typing import Any

#: Ways times length of text that a pattern may cost; at the bound, the worst text found took 0.3 s.
MOST_WORK = 1e8
#: A counted repeat of something ambiguous is taken as so many copies at most.
MOST_COPIES = 16

# Python's own parser: its tree is the pattern that the matcher runs. It is private, and may go.
try:
    parser: Any = importlib.import_module("re._parser")
except ImportError:
    parser = None
_END, _EMPTY = -1, -2
_OTHER_DIGIT, _OTHER_WORD, _OTHER_SPACE, _OTHER = range(128, 132)
_ALL = frozenset(range(132))
_NEWLINE = ord("\n")
_OTHERS = frozenset({_OTHER_DIGIT, _OTHER_WORD, _OTHER_SPACE, _OTHER})
_ASCII = [chr(code) for code in range(128)]
_DIGIT = frozenset(ord(c) for c in _ASCII if c.isdigit()) | {_OTHER_DIGIT}
_SPACE = frozenset(ord(c) for c in _ASCII if c.isspace()) | {_OTHER_SPACE}
_WORD = (
    frozenset(ord(c) for c in _ASCII if c.isalnum() or c == "_") | {_OTHER_DIGIT} | {_OTHER_WORD}
)
_CATEGORIES = {
    "CATEGORY_DIGIT": _DIGIT,
    "CATEGORY_NOT_DIGIT": _ALL - _DIGIT,
    "CATEGORY_SPACE": _SPACE,
    "CATEGORY_NOT_SPACE": _ALL - _SPACE,
    "CATEGORY_WORD": _WORD,
    "CATEGORY_NOT_WORD": _ALL - _WORD,
}


class TooMuchWorkError(Exception):
    """A pattern whose work cannot be bounded; the text says which part, and what to write."""


@dataclass(frozen=True, slots=True)
class _Ways:
    """Ways to match: ``open`` holds the places at which each unsettled repeat may end."""

    open: tuple[int, ...] = ()
    choices: int = 1

    def __add__(self, other: _Ways) -> _Ways:
        return _Ways(self.open + other.open, self.choices * other.choices)

    @property
    def settled(self) -> bool:
        return not self.open and self.choices == 1


@dataclass(frozen=True, slots=True)
class _Follow:
    """What may come next: the first characters (with _END), and the ways that a part can match."""

    first: frozenset[int]
    ways: _Ways = _Ways()


def check_work(pattern: str, line_limit: int, lines: int) -> None:
    """Accept a pattern whose work on ``lines`` lines of ``line_limit`` characters is bounded.

    Raises
    ------
    TooMuchWorkError
        With the part that is at fault. Also for every pattern where this Python's parser is not the
        one that is known here: what cannot be bounded is not run.
    """
    try:
        _check_work(pattern, line_limit, lines)
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
        raise TooMuchWorkError(
            "this Python parses patterns in a way that is not known here, so their work cannot be "
            "bounded; use Python 3.11 to 3.13, or another kind of decoder"
        ) from None


def _check_work(pattern: str, line_limit: int, lines: int) -> None:
    tree = parser.parse(pattern)
    if tree.state.flags & re.ASCII:
        raise TooMuchWorkError("the flag (?a) is not accepted; write [0-9] where it was meant")
    length = lines * (line_limit + 1)
    walk = _Walk(tree.state.flags, line_limit, length)
    ways = walk.sequence(list(tree), frozenset({_END})).ways
    # The ends of the repeats stand in order, which is fewer ways than the product for one line.
    count = min(math.comb(length + len(ways.open), len(ways.open)), math.prod(ways.open))
    if count * ways.choices * length > MOST_WORK:
        raise TooMuchWorkError(
            f"{len(ways.open)} of its repeats are not ended by what follows them, so that a line "
            f"of {line_limit} characters can take too long; write [^x]* up to a mark x instead "
            f"of .*, or lower line_limit"
        )


class _Walk:
    """Walks a parsed pattern from its end to its beginning."""

    def __init__(self, flags: int, line_limit: int, length: int) -> None:
        self._flags = flags
        self._line_limit = line_limit
        self._length = length

    def sequence(self, items: list[Any], after: frozenset[int]) -> _Follow:
        """Return what a sequence begins with and its ways, where ``after`` may follow it."""
        follow = _Follow(after)
        for op, argument in reversed(items):
            one = self._item(str(op), argument, follow.first)
            follow = _Follow(one.first, one.ways + follow.ways)
        return follow

    def _item(self, op: str, argument: Any, after: frozenset[int]) -> _Follow:  # noqa: ANN401 - as parsed
        characters = self._characters(op, argument)
        if characters is not None:
            return _Follow(characters)
        if op == "AT":
            return _Follow(after)
        if op == "SUBPATTERN":
            self._flags |= argument[1]  # for what stands before as well, which errs safely
            return self.sequence(list(argument[3]), after)
        if op == "ATOMIC_GROUP":
            return self.sequence(list(argument), after)
        if op == "BRANCH":
            return _branch([self.sequence(list(items), after) for items in argument[1]])
        if op in {"MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT"}:
            least, most, items = argument
            span = range(least, int(most))
            return self._repeat(span, list(items), after, possessive=op == "POSSESSIVE_REPEAT")
        raise TooMuchWorkError(
            "looking ahead or behind and going back to a group, (?=, (?<, (?P=, are not accepted"
        )

    def _repeat(
        self, times: range, items: list[Any], after: frozenset[int], *, possessive: bool
    ) -> _Follow:
        """Bound a repeat; ``times`` runs from the least to the greatest number of turns."""
        first = self.sequence(items, frozenset({_EMPTY})).first
        empty = _EMPTY in first
        again = self.sequence(items, (first - {_EMPTY}) | after if times.stop > 1 else after)
        # A body that can be empty begins with what follows it, so the two always clash.
        clash = bool(again.first & after)
        begins = again.first if times.start else again.first | after
        if times.stop <= MOST_COPIES:
            ways = _Ways()
            for _ in range(times.stop):
                ways += again.ways
            if clash and not possessive:
                ways += _Ways(choices=times.stop - times.start + 1)
            return _Follow(begins, ways)
        if empty or not again.ways.settled:
            raise TooMuchWorkError(
                "a repeat inside a repeat, such as (a+)+, can take a lifetime on a line that does "
                "not fit; say what stands between the turns, such as (?:[0-9]+,)+, or write each "
                "value out"
            )
        if not clash or possessive:
            return _Follow(begins)
        single = len(items) == 1 and self._characters(str(items[0][0]), items[0][1]) is not None
        places = self._line_limit if single and _NEWLINE not in first else self._length
        return _Follow(begins, _Ways((min(places, times.stop - times.start) + 1,)))

    def _characters(self, op: str, argument: Any) -> frozenset[int] | None:  # noqa: ANN401 - as parsed
        """Return which characters one item takes at most; None if it is not one character."""
        if op == "ANY":
            return _ALL if self._flags & re.DOTALL else _ALL - {_NEWLINE}
        if op == "LITERAL":
            return self._folded(_range(argument, argument)[0])
        if op == "NOT_LITERAL":
            return _ALL - _range(argument, argument)[1]
        if op != "IN":
            return None
        may: frozenset[int] = frozenset()
        must: frozenset[int] = frozenset()
        negated = False
        for kind, what in argument:
            if str(kind) == "NEGATE":
                negated = True
            elif str(kind) == "CATEGORY":
                may |= _CATEGORIES[str(what)]
                must |= _CATEGORIES[str(what)]
            else:
                some, whole = _range(*what) if str(kind) == "RANGE" else _range(what, what)
                may |= self._folded(some)
                must |= whole
        return _ALL - must if negated else may

    def _folded(self, may: frozenset[int]) -> frozenset[int]:
        """Add what matches as well where case is ignored (the letter k also as the Kelvin sign)."""
        letters = {code for code in may if code < 128 and chr(code).isalpha()}
        if not self._flags & re.IGNORECASE or not letters:
            return may
        return may | {ord(chr(code).swapcase()) for code in letters} | {_OTHER_WORD}


def _range(low: int, high: int) -> tuple[frozenset[int], frozenset[int]]:
    """Return the atoms that a range of characters touches, and those that it holds whole."""
    ascii_part = frozenset(range(low, min(high, 127) + 1))
    return (ascii_part | _OTHERS if high > 127 else ascii_part), ascii_part


def _branch(parts: list[_Follow]) -> _Follow:
    """Return alternatives: where two can begin alike, both may have to be tried."""
    first: frozenset[int] = frozenset()
    alike = False
    for part in parts:
        alike = alike or bool(first & part.first)
        first |= part.first
    worst = max((part.ways for part in parts), key=lambda w: math.prod(w.open) * w.choices)
    return _Follow(first, worst + _Ways(choices=len(parts)) if alike else worst)
