"""Asks a device its questions, round after round, and never takes a late answer for another one.

An answer on a serial line does not say which question it belongs to. So one question at a time is
under way, and a question that got no answer in time is *owed* one. While an answer is owed, its
round is dropped and nothing that could be mistaken for it is asked::

    asked -- answer in answer_s --> next question
      |
      '-- none --> round dropped, listen on:
                     the owed answer comes ------------------------> next round
                     another question, whose answers look
                     different and which comes after it, is answered -> next round
                     late_s passes --------------------------------> next round: it was lost

The answers of two questions look alike if they have the same form (see
:meth:`logger.sources.decoding.Decoder.answer_form`). Where a decoder finds the names of the values
in the answer itself, its form is the set of names that came before.
"""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Hashable

    from logger.reading import Reading
    from logger.sources.decoding import Request
    from logger.sources.description import Poll
    from logger.sources.link.conversation import Conversation
    from logger.sources.pipeline import Pipeline

#: A value that the device does not have is asked for again after so long, s.
RETRY_S = 600.0


class Polling:
    """The questions of one device. It outlives a session, because a late answer may, too.

    Parameters
    ----------
    poll
        The questions and their times.
    pipeline
        Receives the answers.
    """

    def __init__(self, poll: Poll, pipeline: Pipeline) -> None:
        self._poll = poll
        self._pipeline = pipeline
        self._requests = poll.requests
        self._names: dict[Request, frozenset[str]] = {}
        self._forms = {
            r: pipeline.decoder.answer_form(r)
            for whole in poll.requests
            for r in whole.with_parts()
        }
        self._retry_s = float("-inf")  # on the loop's clock
        self._owed_until_s = float("-inf")  # on the loop's clock

    async def readings(self, talk: Conversation) -> AsyncIterator[Reading]:
        """Ask for ever over the link of one session; ends with its SourceError."""
        loop = asyncio.get_running_loop()
        await self._listen_out(talk)
        next_round_s = loop.time()
        self._retry_s = next_round_s + (0.0 if self._pipeline.absent else RETRY_S)
        while True:
            async for reading in self._round(talk):
                yield reading
            # After a round that took too long the next begins at once; missed rounds are not made
            # up.
            next_round_s = max(next_round_s + self._poll.every_s, loop.time())
            async for reading in talk.until(next_round_s):
                yield reading

    async def _round(self, talk: Conversation) -> AsyncIterator[Reading]:
        """Ask each question once; drop the round at the first that gets no answer."""
        poll, pipeline = self._poll, self._pipeline
        loop = asyncio.get_running_loop()
        pipeline.begin_round()
        for request in self._due(loop.time()):
            async for reading in self._exchange(talk, request):
                yield reading
            if pipeline.refused_whole is not None:
                self._owed_until_s = float("-inf")
                self._split(pipeline.refused_whole)
                pipeline.refused_whole = None
                pipeline.drop_round()
                return
            if pipeline.answered:
                self._owed_until_s = float("-inf")
                self._names[request] = pipeline.answer_names
            elif self._mute(request):
                async for reading in talk.until(loop.time() + poll.answer_s):
                    yield reading
            else:
                pipeline.drop_round()
                await self._settle(talk, request)
                return
            async for reading in talk.until(loop.time() + poll.pause_s):
                yield reading
            if pipeline.out_of_step:
                self._owed_until_s = loop.time() + poll.late_s
                await self._listen_out(talk)
                return
        for reading in pipeline.end_round():
            yield reading

    def _split(self, refused: Request) -> None:
        """Ask in parts, from now on, what the device refused as a whole."""
        self._requests = tuple(
            r for whole in self._requests for r in (whole.parts if whole == refused else (whole,))
        )

    def _due(self, now_s: float) -> tuple[Request, ...]:
        """Return the questions of this round; what the device does not have is seldom among them.

        It may have it later: a device that starts refuses what it has not read itself yet.
        """
        absent = self._pipeline.absent
        if not absent:
            return self._requests
        if now_s >= self._retry_s:
            self._retry_s = now_s + RETRY_S
            return self._requests
        return tuple(r for r in self._requests if not absent.issuperset(r.columns or ("",)))

    def _mute(self, request: Request) -> bool:
        """Tell whether a question expects no answer.

        A question may only wake the device. Where the answers name their values, a question that
        was never answered cannot put a value under a wrong name. A single question has no other.
        """
        if not self._pipeline.rounds:
            return True
        return self._forms[request] is None and request not in self._names

    async def _exchange(self, talk: Conversation, request: Request) -> AsyncIterator[Reading]:
        loop = asyncio.get_running_loop()
        await self._ask(talk, request)
        deadline_s = loop.time() + self._poll.answer_s
        while not self._pipeline.answered:
            chunk = await talk.link.receive(deadline_s)
            if chunk is None:
                self._pipeline.unanswered(request)
                return
            for reading in talk.feed(*chunk):
                yield reading

    async def _ask(self, talk: Conversation, request: Request) -> None:
        self._pipeline.asked(request, echo=self._poll.echo)
        if talk.tap is not None:
            talk.tap(time.clock_gettime(time.CLOCK_BOOTTIME), request.payload, True, "")
        if not self._mute(request):
            # The device may start on this question only after the one before.
            begin_s = max(asyncio.get_running_loop().time(), self._owed_until_s)
            self._owed_until_s = begin_s + self._poll.answer_s + self._poll.late_s
        await talk.link.send(request.payload)

    async def _settle(self, talk: Conversation, request: Request) -> None:
        """Wait until no answer can be under way any more; the round is dropped already."""
        owed = [request]
        if not self._confusable(request):
            other = self._told_apart(owed)
            # Half an answer may be on its way, so ask only when the line is quiet.
            loop = asyncio.get_running_loop()
            if await self._listen(talk, loop.time() + self._poll.answer_s):
                self._owed_until_s = float("-inf")
                return
            if other is not None:
                await self._ask(talk, other)
                if await self._listen(talk, loop.time() + self._poll.answer_s):
                    self._owed_until_s = float("-inf")
                    return
        if await self._listen(talk, self._owed_until_s):
            self._owed_until_s = float("-inf")

    def _form(self, request: Request) -> Hashable | None:
        form = self._forms[request]
        return form if form is not None else self._names.get(request)

    def _confusable(self, request: Request) -> bool:
        """Tell whether the answer to another question looks like the answer to this one."""
        form = self._forms[request]
        return form is not None and [self._forms[r] for r in self._requests].count(form) > 1

    def _told_apart(self, owed: list[Request]) -> Request | None:
        """Return a question whose answer cannot be one of those that are owed."""
        forms = {self._form(request) for request in owed}
        for request in self._requests:
            form = self._form(request)
            if form is not None and None not in forms and form not in forms:
                return request
        return None

    async def _listen(self, talk: Conversation, until_s: float) -> bool:
        """Receive and drop data; return whether the last question was answered."""
        while (chunk := await talk.link.receive(until_s)) is not None:
            talk.feed(*chunk)
            if self._pipeline.answered:
                if self._answers_last():
                    return True
                self._pipeline.answered = False
        return False

    def _answers_last(self) -> bool:
        """Tell whether the answer that came can belong to the question asked last."""
        asked = self._pipeline.request
        if asked is None or self._forms[asked] is not None:
            return True
        return self._pipeline.answer_names == self._names.get(asked)

    async def _listen_out(self, talk: Conversation) -> None:
        """Wait for, and drop, an answer that an earlier session or a disturbed line still owes."""
        self._pipeline.drop_round()
        while await talk.link.receive(self._owed_until_s) is not None:
            pass
        self._pipeline.out_of_step = False
        self._owed_until_s = float("-inf")
