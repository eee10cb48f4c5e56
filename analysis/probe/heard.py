"""What came over a link while it was probed, within bounds: the matter of a first description."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.probe.series import MOST_A

#: Bytes that are remembered.
MOST_HEARD = 65_536


@dataclass(slots=True)
class Heard:
    """What came, and when; bounded. The charger gives no more than ``most_a``, A."""

    most_a: float = MOST_A
    pieces: list[tuple[float, bytes, str]] = field(default_factory=list)
    size: int = 0
    answers: dict[bytes, bytes] = field(default_factory=dict)
    """What came after each question, all rounds together."""
    _asked: bytes = b""

    def asked(self, payload: bytes) -> None:
        """Take note of a question."""
        self._asked = payload

    def add(self, time_s: float, data: bytes, channel: str) -> None:
        """Remember a piece of bytes with the characteristic it came from."""
        if self.size < MOST_HEARD:
            self.pieces.append((time_s, data, channel))
            self.size += len(data)
            if self._asked:
                self.answers[self._asked] = self.answers.get(self._asked, b"") + data

    @property
    def echoed(self) -> bool:
        """Whether the line gives back each question."""
        return bool(self.answers) and all(a.startswith(q) for q, a in self.answers.items())

    @property
    def data(self) -> bytes:
        """All of it."""
        return b"".join(data for _, data, _ in self.pieces)

    @property
    def seconds(self) -> float:
        """From the first piece to the last."""
        return self.pieces[-1][0] - self.pieces[0][0] if self.pieces else 0.0

    @property
    def packets(self) -> list[bytes]:
        """The packets of a radio link; empty for a stream."""
        return [data for _, data, channel in self.pieces if channel]
