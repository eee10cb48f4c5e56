"""Counts refused values by reason, within fixed bounds, because a fault may last for years."""

from __future__ import annotations

from dataclasses import dataclass, field

#: Most distinct reasons; further ones are counted together. It bounds the memory.
MOST_REASONS = 32
#: Characters kept of a sample: one line of a terminal.
LONGEST_SAMPLE = 80
#: Characters of a line in the journal: five lines of a terminal.
LONGEST_LINE = 400
#: The reason under which everything beyond :data:`MOST_REASONS` is counted.
OTHER = "other reasons"


def printable(text: str | bytes, longest: int = LONGEST_SAMPLE) -> str:
    r"""Return untrusted text as printable ASCII of at most ``longest`` characters.

    Control characters, terminal escapes and everything beyond ASCII become ``\x..`` or ``\u....``
    escapes, so that nothing a device sends can move a cursor or forge a line of a log.
    """
    if isinstance(text, bytes):
        # Latin-1 gives one character per byte, so the bound holds and decoding cannot fail.
        text = text[: longest + 1].decode("latin-1")
    pieces: list[str] = []
    length = 0
    for character in text[: longest + 1]:
        piece = (
            character
            if " " <= character <= "~"
            else character.encode("unicode_escape").decode("ascii")
        )
        if length + len(piece) > longest:
            return "".join(pieces)[: longest - 3] + "..."
        pieces.append(piece)
        length += len(piece)
    return "".join(pieces)


def one_line(text: str, longest: int = LONGEST_LINE) -> str:
    """Return the text on one line without control characters, at most ``longest`` long.

    Letters of any script stay, because a path may have them.
    """
    shown = "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii")
        for c in text[: longest + 1]
    )
    return shown if len(shown) <= longest else shown[: longest - 3] + "..."


def shown(value: object) -> str:
    """Return a value of a file as an error shows it: cut, whatever it is."""
    # Only what can be shown is looked at: the value may be a megabyte, or lists in lists.
    try:
        text = repr(value[: LONGEST_SAMPLE + 1] if isinstance(value, str) else value)
    except (ValueError, RecursionError):  # an integer of too many digits, lists in lists
        return f"a value of type {type(value).__name__}"
    return text if len(text) <= LONGEST_SAMPLE else text[: LONGEST_SAMPLE - 3] + "..."


@dataclass(slots=True)
class Refusals:
    """Counts of refused values, with the first sample of each reason.

    Attributes
    ----------
    total
        Everything refused so far.
    by_reason
        Count per reason, at most :data:`MOST_REASONS` of them and :data:`OTHER`.
    samples
        The first sample of each reason, printable and cut to :data:`LONGEST_SAMPLE`.
    """

    total: int = 0
    by_reason: dict[str, int] = field(default_factory=dict)
    samples: dict[str, str] = field(default_factory=dict)

    def count(self, reason: str, sample: str | bytes = "", times: int = 1) -> None:
        """Count a refusal; ``sample`` may be raw bytes or text from a device."""
        self.total += times
        if reason not in self.by_reason and len(self.by_reason) >= MOST_REASONS:
            reason = OTHER
        self.by_reason[reason] = self.by_reason.get(reason, 0) + times
        if sample and reason not in self.samples:
            self.samples[reason] = printable(sample)
