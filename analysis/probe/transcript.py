"""What came over a link, told to a person: raw bytes beside values, counts, what to try next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.probe.find_frames import find_frames
from analysis.probe.guesses import Letters, guess_checksum, guess_framing, guess_kind, plain_bytes
from analysis.probe.judgement import Judgement
from analysis.probe.shown import quoted
from logger.plausibility.bank import Bank
from logger.plausibility.ranges import ANY_CHARGER
from logger.plausibility.values import Plausibility
from logger.reading import CHANNELS, OperatingState
from logger.refusals import Refusals, printable
from logger.settings import nearest
from logger.sources.decoders.frame import UNKNOWN_TYPE
from logger.sources.decoders.modbus import NO_SUCH_REGISTER
from logger.sources.decoding import Message, Refused
from logger.sources.description import encoding_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.reading import Reading
    from logger.sources.description import Description
    from logger.sources.pipeline import Outcome

#: Names in messages that are remembered for a hint (our choice, devices have some tens).
MOST_NAMES = 64
#: Bytes looked at for signs of a wrong speed.
_FEW_BYTES = 40
#: Bytes and frames that are kept for a guess at the framing and the checksum.
_HEAD = 2048
_MISFITS = 16
#: So many readings for each wrong checksum show that it is the right one (our choice).
_NOISE = 10
#: Bytes shown of what is no text (our choice, half a line).
_SHOWN = 40


def reading_words(reading: Reading) -> str:
    """Write the values of a reading with their units."""
    words = []
    for channel, unit in CHANNELS.items():
        value = getattr(reading, channel)
        if value is not None:
            name = "" if channel in {"voltage_v", "current_a"} else f"{channel.rsplit('_', 1)[0]} "
            words.append(f"{name}{value:g} {unit}")
    if reading.state is not OperatingState.UNKNOWN:
        words.append(str(reading.state))
    if reading.word:
        words.append(f"state word '{printable(reading.word, 40)}'")
    return ", ".join(words)


@dataclass(slots=True)
class Transcript:
    """Collects outcomes; bounded whatever a device sends.

    Parameters
    ----------
    description
        What the bytes were decoded with.
    plausible
        Lowest and highest believable value of each channel.
    """

    description: Description
    plausible: Mapping[str, tuple[float, float]] = field(default_factory=lambda: ANY_CHARGER)
    good: int = 0
    ignored: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    details: dict[str, str] = field(default_factory=dict)
    names: Counter[str] = field(default_factory=Counter)
    samples: dict[str, bytes] = field(default_factory=dict)
    """The first bytes that were refused, by reason."""
    echoed: bool = False
    """A question was refused as if it were an answer."""
    kinds: Counter[str] = field(default_factory=Counter)
    """Types of frames that the description does not name."""
    absent: dict[str, None] = field(default_factory=dict)
    """Registers that the device says it does not have."""
    misfits: list[bytes] = field(default_factory=list)
    """The first binary frames whose checksum was wrong."""
    head: bytes = b""
    """The first bytes that came."""
    unbelievable: Refusals = field(default_factory=Refusals)
    """Values that the log leaves out."""
    letters: Letters = field(default_factory=Letters)
    """The letters beyond ASCII in lines of text."""
    packets: Counter[int] = field(default_factory=Counter)
    """Lengths of the packets of a radio link."""
    received: int = 0
    unprintable: int = 0
    nominal_v: float | None = None
    """Nominal voltage of the bank, where a configuration tells it."""
    first_guess: bool = False
    """Nobody has described the device yet: decoder and fields are a guess of this program."""
    judges_bank: bool = True
    """Whether the bank decides which voltages are believed: [plausible] does not name them."""
    _judged: Judgement = field(init=False)
    _believed: Plausibility = field(init=False)

    def __post_init__(self) -> None:
        """Begin to judge what comes."""
        self._judged = Judgement(self.description, self.nominal_v)
        bank = Bank(self.nominal_v) if self.judges_bank else None
        self._believed = Plausibility(
            self.plausible, self.unbelievable, bank, unsealed=self.description.unsealed
        )

    @property
    def _questions(self) -> set[bytes]:
        poll = self.description.poll
        return set() if poll is None else {r.payload.strip() for r in poll.requests}

    def bytes_came(self, data: bytes, channel: str = "") -> None:
        """Take note of raw bytes, and of the characteristic they came from."""
        if channel and len(self.packets) < MOST_NAMES:
            self.packets[len(data)] += 1
        self.received += len(data)
        self.head += data[: _HEAD - len(self.head)]
        self.unprintable += len(data) - plain_bytes(data)

    def note(self, outcome: Outcome, raw: str = "") -> str:
        """Count an outcome and return it in words: its bytes, as ``raw`` has them, and meaning."""
        item = outcome.item
        where = f"{outcome.channel[4:8]}: " if outcome.channel else ""
        self.letters.hear(item.raw)
        if isinstance(item, Refused):
            self.refused[item.reason] += 1
            if item.raw and item.raw in self._questions:
                self.echoed = True
            else:
                self.samples.setdefault(item.reason, item.raw)
            if item.reason == "wrong CRC" and len(self.misfits) < _MISFITS:
                self.misfits.append(item.raw)
            if item.reason == NO_SUCH_REGISTER and len(self.absent) < MOST_NAMES:
                self.absent[printable(item.detail, 80)] = None
            if item.reason == UNKNOWN_TYPE:
                kind = item.detail.partition(", ")[0]
                if kind in self.kinds or len(self.kinds) < MOST_NAMES:
                    self.kinds[kind] += 1
            if item.detail:
                self.details.setdefault(item.reason, printable(item.detail, 80))
            detail = f" ({printable(item.detail, 80)})" if item.detail else ""
            return f"{where}{raw}\n    refused: {item.reason}{detail}"
        self._remember(item)
        if outcome.reading is not None:
            self.good += 1
            self._judged.hear(outcome.reading)
            self._believed.clean(outcome.reading)
            return f"{where}{raw}\n    {reading_words(outcome.reading)}"
        if not set(item.values) & {f.source for f in self.description.fields}:
            self.ignored += 1
            return f"{where}{raw}\n    not used: [fields] names none of its values"
        return f"{where}{raw}\n    part of a reading"

    def _remember(self, message: Message) -> None:
        for name in message.values:
            if name in self.names or len(self.names) < MOST_NAMES:
                self.names[printable(name, 40)] += 1

    def summary(self, unknown_words: dict[str, int]) -> list[str]:
        """Return the counts, and for what went wrong what to try."""
        lines = [
            (
                f"{self.good} readings, {sum(self.refused.values())} refused, "
                f"{self.ignored} messages without a value in [fields]"
            )
        ]
        lines += self._judged.lines()
        for reason, count in self.refused.most_common():
            detail = f" ({self.details[reason]})" if reason in self.details else ""
            lines.append(f"  {count} x {reason}{detail}")
        for reason, count in self.unbelievable.by_reason.items():
            sample = self.unbelievable.samples[reason]
            lines.append(f"  {count} x {reason} ({sample}), which the log leaves out")
        if unknown_words:
            words = ", ".join(f"{printable(word, 40)} ({n} x)" for word, n in unknown_words.items())
            lines.append(f"state words that [states] does not know: {words}")
        return lines + [f"hint: {hint}" for hint in self.hints(unknown_words)]

    def hints(self, unknown_words: dict[str, int]) -> list[str]:
        """Say what to try, the likeliest first."""
        hints: list[str] = []
        if self.received == 0:
            hint = "nothing arrived: is the device on, the cable in, the port the right one?"
            if self.description.poll is None:
                hint += " Some devices speak only when asked: see [poll]."
            return [hint]
        hints += self._form_hints()
        hints += self._letter_hints()
        if self.refused["wrong checksum"] or self.refused["wrong CRC"]:
            hints.append(self._checksum_hint())
        hints += self._frame_hints()
        hints += self._poll_hints()
        hints += self._numeral_hints()
        hints += self._field_hints()
        hints += self._name_hints()
        apart = self.details.get("incomplete message", "").startswith("without")
        if apart and not self.absent:
            hints.append(
                "values of several messages make one reading if they come within gather_s, such "
                "as gather_s = 0.8 in [timing]. In [fields], give a value that comes seldom "
                "hold_s = 30, and one that may be missing optional = true"
            )
        if unknown_words:
            states = ", ".join(state.value for state in OperatingState)
            word = quoted(next(iter(unknown_words)))
            hints.append(
                f"give each state word its operating state in [states]: {word} = ... "
                f"(one of {states})"
            )
        return hints

    def _frame_hints(self) -> list[str]:
        """Say what to look at where values cannot be true, and which other frames come."""
        hints = []
        if self.unbelievable.total:
            frame = self.description.decoder_kind == "frame"
            more = ", byte_order, type and at in [decoder]" if frame else ""
            hints.append(f"values that cannot be true: check unit and scale in [fields]{more}")
        if self.kinds:
            seen = ", ".join(f"{kind} ({n} x)" for kind, n in self.kinds.most_common(8))
            types = ", ".join(kind.removeprefix("type ") for kind, _ in self.kinds.most_common(8))
            hints.append(
                f"frames of other types come too: {seen}; describe them in [[decoder.frames]], or "
                f"write ignore = [{types}] into [decoder]"
            )
        return hints

    def _field_hints(self) -> list[str]:
        """Say which names the messages hold, where those of [fields] are not among them."""
        lacking = any(f.source not in self.names for f in self.description.fields)
        seen = ", ".join(name for name, _ in self.names.most_common(20))
        if self.names and self.first_guess and lacking:
            example = quoted(next(iter(self.names)))
            words = (
                f"the messages hold {seen}: write [source.decoder] with kind = "
                f'"{self.description.decoder_kind}", and [source.fields] with lines such as '
                f"voltage_v = {example}"
            )
            return [words]
        if self.names and (self.refused["incomplete message"] or (self.ignored and lacking)):
            wanted = ", ".join(f.source for f in self.description.fields)
            return [f"[fields] names {wanted}; the messages hold {seen}"]
        return []

    def _numeral_hints(self) -> list[str]:
        """Say how numbers are described that are written in another way."""
        hints = []
        if any("decimal comma" in reason for reason in self.refused):
            hints.append("the device writes 13,52 for 13.52: { from = ..., decimal_comma = true }")
        if "runtime_h: has hours and minutes with a colon" in self.refused:
            hints.append('the device writes hours and minutes: { from = ..., unit = "h:min" }')
        if any("blank between thousands" in reason for reason in self.refused):
            hints.append('the device writes 1 284 for 1284: { from = ..., thousands = " " }')
        return hints

    def _letter_hints(self) -> list[str]:
        """Say how lines of text are encoded, where the description has it otherwise."""
        decoder = self.description.decoder
        hint = self.letters.hint(encoding_of(decoder)) if hasattr(decoder, "encoding") else ""
        return [hint] if hint else []

    def _name_hints(self) -> list[str]:
        """Name each field that no message held, with the names they hold that are most like it."""
        if not self.names or self.first_guess or self.description.decoder.names() is not None:
            return []
        wanted = [f.source for f in self.description.fields if f.source not in self.names]
        return [
            f"no message holds {printable(name, 40)!r}{nearest(name, list(self.names))}; they hold "
            f"{', '.join(name for name, _ in self.names.most_common(20))}"
            for name in wanted
        ]

    def _checksum_hint(self) -> str:
        if not self.good and (guess := guess_checksum(self.misfits)):
            return (
                f"the checksum does not fit; these frames have {guess}: write that into [decoder]"
            )
        if self.good > _NOISE * (self.refused["wrong checksum"] + self.refused["wrong CRC"]):
            return "a few checksums do not fit: these messages were disturbed on the line"
        return "the checksum does not fit: another kind in [decoder], or line noise"

    def _poll_hints(self) -> list[str]:
        """Say what to try where the device is asked and no answer was of use."""
        poll = self.description.poll
        if poll is None:
            return []
        if hint := self._register_hint():
            return [hint]
        if self.echoed and not poll.echo:
            return ["the line repeats each question: write echo = true into [poll]"]
        if not self.refused["no answer"]:
            return []
        if self.received and sum(self.refused.values()) > self.refused["no answer"]:
            return ["no answer: what came after the question could not be decoded"]
        return ["no answer came: check what is asked in [poll], and its line end (\\r\\n)"]

    def _register_hint(self) -> str:
        """Say which registers the device does not have; empty where it did not refuse any."""
        if self.absent:
            return (
                f"the device does not have {'; '.join(self.absent)}: correct at and function in "
                f"[decoder.registers] (manuals often count from 1), or remove the name"
            )
        refused = self.details.get("the device answered with an exception", "")
        if refused.startswith("illegal address"):
            return (
                f"the device does not have all the registers of a question ({refused}): they are "
                f"asked for in parts now. With largest_gap = 0 in [decoder] only registers that "
                f"are named are asked for"
            )
        return ""

    def _no_text_hints(self) -> list[str]:
        """Say what bytes may be that are no text: frames, packets, or text at another speed."""
        hints = [f"the first bytes, in hexadecimal: {self.head[:_SHOWN].hex(' ')}"]
        found = find_frames(self.head)
        guess = found.words() if found and found.size else guess_framing(self.head)
        if guess:
            hints.append(f'these may be binary frames: kind = "frame", {guess} in [decoder]')
        speeds = "try another baud in [line] (9600, 19200, 4800, 115200)"
        if self.packets:
            lengths = " or ".join(str(n) for n, _ in self.packets.most_common(4))
            hints.append(
                'each packet may be a packed structure: kind = "frame", framing = "packet", '
                f"length = {lengths} in [decoder]; --hex shows what its bytes could be"
            )
        elif not guess:
            hints.append(
                f"many of the bytes are no text: the speed is probably wrong; {speeds}, or the "
                f"device speaks a binary frame"
            )
        elif found is None or not found.size:
            # Where a checksum fits, the speed is right.
            hints.append(f"if they are none, the speed is probably wrong: {speeds}")
        return hints

    def _form_hints(self) -> list[str]:
        """Say what to try where the bytes do not even fall into messages."""
        hints: list[str] = []
        # Text at a wrong speed turns into bytes that no text has.
        if (
            self.description.decoder_kind not in {"frame", "characteristics"}
            and not self.description.decoder.requests
            and self.received >= _FEW_BYTES
            and self.unprintable > 0.2 * self.received
        ):
            hints += self._no_text_hints()
            if self.packets:
                return hints
        elif self.description.decoder_kind == "frame":
            if not self.good and not self.refused["wrong CRC"]:
                guess = guess_framing(self.head) or "another framing or length, or another baud"
                hints.append(f"no frame was found: try {guess}")
        elif self.refused["no end of line"] or not (self.good or self.refused or self.ignored):
            hints.append("no end of a line was seen: set terminator in [decoder], or check baud")
        elif not self.good and (unread := self.samples.get("no key and value")):
            hints.append(guess_kind(unread))
        if unmatched := self.samples.get("the pattern does not match"):
            hints.append(
                f"the pattern must match a message from its first character to its last; it does "
                f"not match {printable(unmatched, 40)!r}"
                + (", which does no harm if that is no part of a message" if self.good else "")
            )
        return hints
