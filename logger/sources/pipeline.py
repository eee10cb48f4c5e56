"""Turns the bytes of one link into readings, and counts what is refused on the way.

bytes -> buffer of the channel -> decoder -> messages -> round -> reading. A round is the set of
values that make one reading: a single message, or several within ``gather_s`` where the device
spreads its values over messages or characteristics.

If a device is asked several questions, the caller says where a round begins and ends. A value that
is missing in one round is never taken from another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from logger.reading import LONGEST_WORD, MOST_WORDS, OperatingState, Reading
from logger.refusals import Refusals
from logger.sources.decoding import Context, Message, Refused
from logger.sources.fields import ValueRefusedError, state_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from logger.sources.decoding import Decoder, Request, Value
    from logger.sources.fields import Field

#: Distance between readings of one burst of bytes, s: they came at one instant, and this keeps
#: their order.
BURST_SPACING_S = 1e-6
#: A time that is earlier by at most this belongs to the same burst, s.
BURST_S = 0.1


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of one message, for a person who watches."""

    time_s: float
    channel: str
    item: Message | Refused
    reading: Reading | None = None


@dataclass(slots=True)
class Counts:
    """Counts of what passed through a pipeline."""

    good: int = 0
    ignored: int = 0
    """Well-formed messages without any value that is mapped."""
    unknown_words: dict[str, int] = field(default_factory=dict)
    """As the device wrote them, cut to :data:`~logger.reading.LONGEST_WORD`: untrusted text."""


class Pipeline:
    """Decodes one device's bytes; live links and recordings share it.

    Parameters
    ----------
    decoder
        Turns bytes into messages.
    fields, states
        What their values mean.
    gather_s
        Values of several messages make one reading if they arrive within this time; 0 takes each
        message alone.
    rounds
        Rounds are begun and ended by the caller: each is the answers to several questions.
    cut_s
        A message that pauses for longer than this was cut off: its beginning is dropped.
    refusals
        Counts what was refused; the source's own, so that it outlives sessions.
    watch
        Told what became of each message.

    Attributes
    ----------
    refused_whole
        The question that the device refused because it does not have all of what it asks for, and
        that can be split; for the caller to take and set to None.
    absent
        Names of values that the device does not have: readings are made without them.
    """

    def __init__(
        self,
        decoder: Decoder,
        fields: tuple[Field, ...],
        states: Mapping[str, OperatingState],
        *,
        gather_s: float = 0.0,
        rounds: bool = False,
        cut_s: float = 2.0,
        refusals: Refusals | None = None,
        watch: Callable[[Outcome], None] | None = None,
    ) -> None:
        self.decoder = decoder
        self.fields = fields
        self.states = states
        self.gather_s = gather_s
        self.rounds = rounds
        self.cut_s = cut_s
        self.refusals = Refusals() if refusals is None else refusals
        self.watch = watch
        self.counts = Counts()
        self.answered = False
        self.answer_names: frozenset[str] = frozenset()
        self.out_of_step = False
        self.refused_whole: Request | None = None
        self.absent: frozenset[str] = frozenset()
        self._doubted: set[Request] = set()
        self._mapped = frozenset(f.source for f in fields)
        self._holding = tuple(f for f in fields if f.hold_s)
        self._needed = frozenset(f.source for f in fields if not f.hold_s and not f.optional)
        self._fresh = self._needed
        self.reset()

    def reset(self, *, in_sync: bool = False, opened_s: float = math.inf) -> None:
        """Forget the old session; a new one starts in the middle of the device's output.

        ``opened_s`` is when it began, on the clock of the bytes: after a silence longer than
        ``cut_s`` the first byte begins a message.
        """
        self._start_in_sync = in_sync
        self._opened_s = opened_s
        self._buffers: dict[str, bytes] = {}
        self._in_sync: dict[str, bool] = {}
        self._last_s: dict[str, float] = {}
        self._given_s = float("-inf")
        self._asked: Request | None = None
        self._echo = b""
        self._round: dict[str, Value] = {}
        self._round_s = 0.0
        self._round_open = False
        self._in_rounds = False  # until the caller begins one: plain bytes tell of no rounds
        self._part: tuple[float, str, Message] | None = None  # the newest answer of the round
        self._held: dict[str, tuple[float, Value]] = {}
        self._may_be_cut = True  # until the first reading or half reading of the session
        self._cut: tuple[float, str, Refused] | None = None  # that half reading

    def asked(self, request: Request | None, *, echo: bool = False) -> None:
        """Note a request, and drop the buffers: what they hold cannot be its answer.

        ``echo`` tells that the line will give back the request before the answer comes.
        """
        for channel, waiting in self._buffers.items():
            if waiting:
                self._refuse(self._last_s[channel], channel, Refused(waiting, "incomplete message"))
        self._buffers.clear()
        self._in_sync.clear()
        self._start_in_sync = True
        self._asked = request
        self._echo = request.payload if request is not None and echo else b""
        self.answered = False

    @property
    def request(self) -> Request | None:
        """The question that was asked last."""
        return self._asked

    def begin_round(self) -> None:
        """Begin to gather the answers of one round."""
        self._round = {}
        self._in_rounds = self._round_open = self.rounds

    def drop_round(self) -> None:
        """Drop this round; data that come before the next round are not used."""
        self._tell_part()
        self._round = {}
        self._in_rounds, self._round_open = self.rounds, False

    def end_round(self) -> list[Reading]:
        """Return the reading that the answers of this round make, if they make one."""
        part, self._part = self._part, None
        readings = [] if part is None else self._close_round(part[1], part[2])
        if part is not None and not readings:
            self._tell(*part)
        self.drop_round()
        return readings

    def unanswered(self, request: Request) -> None:
        """Count a request without a usable answer, and note what came instead."""
        waiting = b"".join(self._buffers.values())
        self._buffers.clear()
        reason = "incomplete answer" if waiting else "no answer"
        refused = Refused(waiting, reason, f"to {request.name}")
        self.refusals.count(reason, waiting or request.name)
        self._tell(max(self._last_s.values(), default=0.0), "", refused)

    def feed(self, time_s: float, data: bytes, channel: str = "") -> list[Reading]:
        """Take bytes as they arrive and return the readings that they complete.

        Parameters
        ----------
        time_s
            When the first of the bytes arrived.
        data
            The bytes.
        channel
            The characteristic they came from; empty for a stream.
        """
        waiting = self._buffers.get(channel, b"")
        in_sync = self._in_sync.get(channel, self._start_in_sync or self.decoder.packets)
        if time_s - self._last_s.get(channel, self._opened_s) > self.cut_s:
            if waiting:
                self._refuse(time_s, channel, Refused(waiting, "cut off by a pause"))
            waiting, in_sync = b"", True
        self._last_s[channel] = time_s
        waiting += data
        if self._echo:
            if len(waiting) < len(self._echo) and self._echo.startswith(waiting):
                self._buffers[channel] = waiting
                return []
            waiting = waiting.removeprefix(self._echo)
            self._echo = b""
        step = self.decoder.decode(waiting, Context(channel, self._asked, in_sync))
        waiting = waiting[step.used :]
        self._in_sync[channel] = step.in_sync
        readings: list[Reading] = []
        for item in step.items:
            if isinstance(item, Refused):
                self.answered |= item.answer
                if item.not_there and self._asked is not None:
                    self._lacks(self._asked)
                self._refuse(time_s, channel, item)
            else:
                readings += self._message(time_s, channel, item)
        if self.decoder.packets or len(waiting) > self.decoder.longest:
            if waiting:
                self._refuse(time_s, channel, Refused(waiting, "no end of message"))
            waiting = b""
            self._in_sync[channel] = self.decoder.packets
        self._buffers[channel] = waiting
        return readings

    def _lacks(self, asked: Request) -> None:
        """Note that the device does not have everything that was asked."""
        if asked.parts:
            self.refused_whole = asked
            self.rounds = True
        elif self.rounds and asked in self._doubted:
            self._leave_out(self.absent.union(asked.columns or ()))
        else:
            # Once could be a late answer to another question.
            self._doubted.add(asked)

    def _has(self, asked: Request) -> None:
        """Note that the device has what it refused before."""
        if asked in self._doubted:
            self._doubted.discard(asked)
            self._leave_out(self.absent.difference(asked.columns or ()))

    def _leave_out(self, names: frozenset[str]) -> None:
        self.absent = names
        self._fresh = self._needed - names

    def _answer(self, time_s: float, channel: str, message: Message) -> list[Reading]:
        """Add an answer to the round, unless it comes too late or too often."""
        values = {name: v for name, v in message.values.items() if name in self._mapped}
        asked = self._asked
        told_by_form = asked is not None and self.decoder.answer_form(asked) is not None
        if not values and not told_by_form:
            self.counts.ignored += 1
            self._tell(time_s, channel, message)
            return []
        if unread := self._unread(values):
            # Noise that happens to decode is not the answer; that may still come.
            self._refuse(time_s, channel, Refused(message.raw, unread.reason, unread.detail))
            return []
        extra = (told_by_form and self.answered) or not self._round.keys().isdisjoint(values)
        self.answered = True
        self.answer_names = frozenset(values)
        if self._doubted and asked is not None:
            self._has(asked)
        if extra or not self._round_open:
            self.out_of_step |= extra and self._round_open
            self._refuse(time_s, channel, Refused(message.raw, "late answer"))
            return []
        if self._fresh.isdisjoint(self._round):
            self._round_s = time_s
        elif time_s - self._round_s > self.gather_s > 0.0:
            detail = f"the answers of one round took longer than gather_s = {self.gather_s:g} s"
            self._refuse(time_s, channel, Refused(message.raw, "incomplete message", detail))
            self.drop_round()
            return []
        self._round |= values
        self._hold(time_s, values)
        if not values:
            self.counts.ignored += 1
        self._tell_part()
        self._part = (time_s, channel, message)
        if self.gather_s > 0.0:
            return []
        readings = self.end_round()
        self._round_open = True
        return readings

    def _unread(self, values: Mapping[str, Value]) -> ValueRefusedError | None:
        """Say why a value cannot be taken, None where all can."""
        try:
            for f in self.fields:
                if f.channel != "state" and f.source in values:
                    f.number(values[f.source])
        except ValueRefusedError as error:
            return error
        return None

    def _hold(self, time_s: float, values: Mapping[str, Value]) -> None:
        """Keep the values that stay valid for a while."""
        for f in self._holding:
            if f.source in values:
                self._held[f.source] = (time_s, values[f.source])

    def _tell_part(self) -> None:
        if self._part is not None:
            self._tell(*self._part)
            self._part = None

    def _message(self, time_s: float, channel: str, message: Message) -> list[Reading]:
        if self._in_rounds:
            return self._answer(time_s, channel, message)
        values = {name: v for name, v in message.values.items() if name in self._mapped}
        if not values:
            self.counts.ignored += 1
            self._tell(time_s, channel, message)
            return []
        self.answered = True
        readings: list[Reading] = []
        if self._round and (
            self.gather_s == 0.0
            or time_s - self._round_s > self.gather_s
            or any(name in self._round for name in values)
        ):
            readings += self._close_round(channel, message)
        self._hold(time_s, values)
        fresh = not self._fresh.isdisjoint(values)
        if self._fresh.isdisjoint(self._round):
            self._round_s = time_s
        self._round |= values
        if self._round.keys() >= self._fresh or (self.gather_s == 0.0 and fresh):
            return readings + self._close_round(channel, message)
        if self.gather_s == 0.0:
            self._round = {}  # only values that are held, or that alone make no reading
        self._tell(time_s, channel, message)
        return readings

    def _close_round(self, channel: str, message: Message) -> list[Reading]:
        values, self._round = self._round, {}
        if self._fresh.isdisjoint(values):
            return []
        if not values.keys() >= self._fresh:
            missing = self._fresh - values.keys()
            detail = f"without {', '.join(sorted(missing))}"
            refused = Refused(message.raw, "incomplete message", detail)
            if self._may_be_cut and self.gather_s > 0.0 and not self._in_rounds:
                # A device that is not asked can be in the middle of a reading when the session
                # begins. If the next one is incomplete as well, both are refused.
                self._may_be_cut, self._cut = False, (self._round_s, channel, refused)
                return []
            if self._cut is not None:
                self._refuse(*self._cut)
                self._cut = None
            self._refuse(self._round_s, channel, refused)
            return []
        self._may_be_cut, self._cut = False, None
        try:
            reading = self._reading(values)
        except ValueRefusedError as error:
            self._refuse(self._round_s, channel, Refused(message.raw, error.reason, error.detail))
            return []
        self.counts.good += 1
        self._tell(self._round_s, channel, message, reading)
        return [reading]

    def _reading(self, values: Mapping[str, Value]) -> Reading:
        found: dict[str, Any] = {}
        for f in self.fields:
            value = values.get(f.source)
            if f.hold_s and f.source not in values and f.source in self._held:
                since_s, held = self._held[f.source]
                value = held if self._round_s - since_s <= f.hold_s else None
            if f.channel == "state":
                found["state"], found["word"] = self._state(f, value)
            else:
                found[f.channel] = f.number(value)
        time_s = self._round_s
        if time_s <= self._given_s < time_s + BURST_S:
            time_s = self._given_s + BURST_SPACING_S
        self._given_s = time_s
        return Reading(time_s, **found)

    def _state(self, f: Field, value: Value) -> tuple[OperatingState, str]:
        """Return the state, and the device's own word where it says more than the state."""
        word = f.word(value)
        if word is None:
            return OperatingState.UNKNOWN, ""
        state = state_of(word, self.states)
        if state is None:
            # Keep the reading without its state, and report the unknown word.
            self.refusals.count("unknown state word", word)
            word, words = word[:LONGEST_WORD], self.counts.unknown_words
            if word in words or len(words) < MOST_WORDS:
                words[word] = words.get(word, 0) + 1
            return OperatingState.UNKNOWN, word
        return state, word[:LONGEST_WORD] if state is OperatingState.FAULT else ""

    def _refuse(self, time_s: float, channel: str, refused: Refused) -> None:
        # What a device does not have is told by its name; of all else the bytes say most.
        sample = refused.detail if refused.not_there else refused.raw
        self.refusals.count(refused.reason, sample)
        self._tell(time_s, channel, refused)

    def _tell(
        self, time_s: float, channel: str, item: Message | Refused, reading: Reading | None = None
    ) -> None:
        if self.watch is not None:
            self.watch(Outcome(time_s, channel, item, reading))
