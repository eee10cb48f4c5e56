"""The refused rows of one file: all are counted, the first are kept with line and reason."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.recordings.limits import Limits

if TYPE_CHECKING:
    from logger.recordings.rows import BadRow

#: Kinds of reasons that are told apart (our choice).
_MOST_KINDS = 32
_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"|\d+")


@dataclass(slots=True)
class RefusedRows:
    """What was refused.

    Attributes
    ----------
    most
        Rows that are kept: a file of a billion bad rows must not fill the memory.
    kept
        The first ones, in order.
    total
        How many there were.
    kinds
        For each kind of reason how often it was met, and the first row.
    """

    most: int = Limits().kept_refusals
    kept: list[BadRow] = field(default_factory=list)
    total: int = 0
    kinds: dict[str, tuple[int, BadRow]] = field(default_factory=dict)

    def add(self, bad: BadRow) -> None:
        """Count one more."""
        self.total += 1
        if len(self.kept) < self.most:
            self.kept.append(bad)
        kind = _QUOTED.sub("...", bad.reason)
        if kind in self.kinds or len(self.kinds) < _MOST_KINDS:
            count, first = self.kinds.get(kind, (0, bad))
            self.kinds[kind] = (count + 1, first)

    def ranked(self) -> list[tuple[int, BadRow]]:
        """Return count and first row of each kind, the commonest first."""
        return sorted(self.kinds.values(), key=lambda found: -found[0])
