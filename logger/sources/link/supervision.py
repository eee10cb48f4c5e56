"""Keeps one source alive for years, by a small state machine and the loop that drives it.

::

    OPENING --first reading--> LIVE --lost, or silent for stale_s--> WAITING --wait over--> OPENING
       |                        |
       '--refused, or no reading within first_reading_s--> WAITING
    any --source exhausted--> ENDED

The age of its data decides whether a link is alive, because drivers may call a dead link connected.
Times are those of the event loop, so tests use a loop whose time they control.
"""

from __future__ import annotations

import asyncio
import math
import random
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from logger.errors import SourceError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Collection

    from logger.reading import Reading
    from logger.sources.base import Source

#: Errors of a lost link; sources translate all others. ``SerialException`` is an ``OSError``.
LINK_ERRORS = (SourceError, OSError, EOFError)
#: Reasons that are told of one trouble, which may last for weeks: more would fill the journal.
MOST_TOLD = 8


class LinkState(StrEnum):
    """State of a link."""

    OPENING = "opening"
    LIVE = "live"
    WAITING = "waiting"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Delays:
    """Named delays of a link, all in seconds.

    The defaults are a judgement (no source). Each kind of source sets its own.

    Parameters
    ----------
    first_reading_s
        Longest time from opening to the first reading.
    stale_s
        Age of the last reading at which a link counts as silent and is opened again.
    first_wait_s, growth, longest_wait_s
        Back-off: the first wait, its factor, and its limit.
    eager_s
        Time after a loss before the waits begin to grow. Trying a local port costs nothing, and
        most losses are short.
    jitter
        Each wait is drawn evenly between ``(1 - jitter)`` and 1 times its nominal length, so that
        two programs that fail together do not try again together.
    steady_s
        After this much good data the back-off starts again from the first wait. It is short, so
        that a link that breaks every few seconds is not left waiting for a minute.
    calm_s
        After this long live, the end of the trouble is reported. It is longer than ``steady_s``, so
        that a link that comes and goes does not fill the journal.
    close_s
        Longest time that a session may take to end; then it is abandoned.
    restart_after_s
        After this long without a reading, give up, so that the service manager starts a new process
        (the last resort against a library that keeps a broken state).
    """

    first_reading_s: float = math.inf
    stale_s: float = math.inf
    first_wait_s: float = 1.0
    growth: float = 2.0
    longest_wait_s: float = 60.0
    jitter: float = 0.5
    eager_s: float = 0.0
    steady_s: float = 3.0
    calm_s: float = 60.0
    close_s: float = 10.0
    restart_after_s: float = math.inf


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """One change of a link.

    ``notice`` is text for a person, or empty. Trouble is reported at its beginning, once for each
    further reason, and at its end; losses between are only counted.
    """

    state: LinkState
    reason: str = ""
    notice: str = ""
    losses: int = 0
    """Sessions that ended in a loss or refusal, since the start."""
    wait_s: float = 0.0
    """Length of the wait that begins (state WAITING)."""
    source: str = ""
    """Which of several sources it belongs to; empty for the only one."""


def best_of(statuses: Collection[LinkStatus]) -> tuple[str, str]:
    """Return the state of the best of some links, and why each of the others is not live."""
    best_first = (LinkState.LIVE, LinkState.OPENING, LinkState.WAITING, LinkState.ENDED)
    state = min((s.state for s in statuses), key=best_first.index, default=LinkState.OPENING)
    reasons = [f"{s.source}: {s.reason}" if s.source else s.reason for s in statuses if s.reason]
    return str(state), "; ".join(reasons)


class LinkMachine:
    """The states of one link; it has no clock and opens nothing itself.

    Parameters
    ----------
    delays
        Its named delays.
    rng
        Random generator for the jitter.
    now_s
        Time of creation, on any clock that never steps back; every method takes the same clock.
    """

    def __init__(self, delays: Delays, rng: random.Random, now_s: float) -> None:
        self.delays = delays
        self.state = LinkState.WAITING
        self.losses = 0
        self._rng = rng
        self._tries = 0  # waits that have grown since the back-off started over
        self._losses = 0  # sessions that failed since the trouble began
        self._eager_until_s: float | None = None
        self._trouble_since_s: float | None = None
        self._told: set[str] = set()  # reasons told since the trouble began
        self._live_since_s = now_s
        self._last_reading_s = now_s
        self._opened_s = now_s

    def opening(self, now_s: float) -> LinkStatus:
        """Start a session."""
        self.state = LinkState.OPENING
        self._opened_s = now_s
        return self._status()

    def reading(self, now_s: float) -> LinkStatus | None:
        """Note a reading; return the change of the link that it made, if any."""
        self._last_reading_s = now_s
        if self.state is not LinkState.LIVE:
            self.state = LinkState.LIVE
            self._live_since_s = now_s
            return self._status()
        good_s = now_s - self._live_since_s
        if good_s >= self.delays.steady_s:
            self._tries, self._eager_until_s = 0, None
        if self._trouble_since_s is not None and good_s >= self.delays.calm_s:
            lasted = self._live_since_s - self._trouble_since_s
            losses, self._losses = self._losses, 0
            self._trouble_since_s = None
            return self._status(
                notice=f"steady again: {losses} lost or failed connection{'s' * (losses > 1)} "
                f"in {lasted:.0f} s"
            )
        return None

    def lost(self, now_s: float, reason: str) -> LinkStatus:
        """End a session that failed; the status says how long to wait before the next."""
        self.losses += 1
        self.state = LinkState.WAITING
        # Limit the exponent: after weeks the power would be too large for a float, an error.
        nominal = min(
            self.delays.longest_wait_s,
            self.delays.first_wait_s * self.delays.growth ** min(self._tries, 64),
        )
        if self._eager_until_s is None:
            self._eager_until_s = now_s + self.delays.eager_s
        self._tries += now_s >= self._eager_until_s
        self._losses += 1
        wait_s = nominal * (1.0 - self.delays.jitter * self._rng.random())
        notice = ""
        if self._trouble_since_s is None:
            self._trouble_since_s = now_s
            self._told = {reason}
            notice = f"{reason}; trying again until it is back"
        elif reason not in self._told and len(self._told) < MOST_TOLD:
            self._told.add(reason)
            notice = f"{reason}; still trying"
        return self._status(reason=reason, notice=notice, wait_s=wait_s)

    def ended(self) -> LinkStatus:
        """Note that a finite source is exhausted."""
        self.state = LinkState.ENDED
        return self._status()

    def deadline_s(self) -> float:
        """Return the time at which the present session counts as silent."""
        if self.state is LinkState.LIVE:
            return self._last_reading_s + self.delays.stale_s
        return self._opened_s + self.delays.first_reading_s

    def silence(self) -> str:
        """Return the reason for a loss after a passed deadline."""
        if self.state is LinkState.LIVE:
            return f"no reading for {self.delays.stale_s:g} s"
        return f"no reading within {self.delays.first_reading_s:g} s of opening"

    def hopeless(self, now_s: float) -> bool:
        """Tell whether only a new process can help."""
        return now_s - self._last_reading_s >= self.delays.restart_after_s

    def _status(self, reason: str = "", notice: str = "", wait_s: float = 0.0) -> LinkStatus:
        return LinkStatus(self.state, reason, notice, self.losses, wait_s)


class _Alarm:
    """Wakes a session when the deadline of its machine may have passed.

    Each reading puts the deadline off. The timer follows once half of ``stale_s`` has gone: so it
    never rings while readings come in time, and is not set anew for each of many.

    Attributes
    ----------
    rung
        Set when it rings; the session sets it as well when it ends by itself.
    renew_s
        From this time on a reading sets the timer anew.
    """

    def __init__(self, machine: LinkMachine) -> None:
        self.rung = asyncio.Event()
        self.renew_s = math.inf
        self._machine = machine
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None

    def set(self) -> None:
        """Set the timer to the present deadline."""
        self.stop()
        due_s = self._machine.deadline_s()
        if due_s < math.inf:
            self._timer = self._loop.call_at(due_s, self.rung.set)
            self.renew_s = due_s - 0.5 * self._machine.delays.stale_s

    def stop(self) -> None:
        """Let it not ring."""
        if self._timer is not None:
            self._timer.cancel()
        self._timer, self.renew_s = None, math.inf


async def supervise(
    source: Source,
    on_reading: Callable[[Reading], None],
    on_status: Callable[[LinkStatus], None] = lambda _: None,
    *,
    delays: Delays | None = None,
    rng: random.Random | None = None,
) -> None:
    """Read a source until it is exhausted, opening it again after every loss.

    Parameters
    ----------
    source
        Its ``readings()`` is called once for each session.
    on_reading
        Called with each reading; an error that it raises ends the supervision.
    on_status
        Called on each change of the link.
    delays
        Delays of the link; the source's own ``delays`` if left out. A source without delays, such
        as an invented one, is not watched for silence.
    rng
        Random generator for the jitter; seeded in tests.

    Raises
    ------
    logger.errors.SourceError
        If the link stayed without a reading for ``restart_after_s``.
    """
    if delays is None:
        delays = getattr(source, "delays", None) or Delays()
    loop = asyncio.get_running_loop()
    # The jitter is no secret, so an ordinary generator is good enough.
    machine = LinkMachine(delays, rng or random.Random(), loop.time())  # noqa: S311

    alarm = _Alarm(machine)

    def take(reading: Reading) -> None:
        now_s = loop.time()
        change = machine.reading(now_s)
        if change is not None or now_s >= alarm.renew_s:
            alarm.set()
        if change is not None:
            on_status(change)
        on_reading(reading)

    while True:
        on_status(machine.opening(loop.time()))
        reason = await _session(source, take, machine, alarm)
        if reason is None:
            on_status(machine.ended())
            return
        status = machine.lost(loop.time(), reason)
        on_status(status)
        if machine.hopeless(loop.time()):
            raise SourceError(
                f"{source.describe()}: no reading for {delays.restart_after_s:g} s; "
                f"ending so that the service manager starts afresh ({reason})"
            )
        await asyncio.sleep(status.wait_s)


async def _session(
    source: Source, take: Callable[[Reading], None], machine: LinkMachine, alarm: _Alarm
) -> str | None:
    """Run one session; return why it was lost, or None if the source is exhausted."""
    loop = asyncio.get_running_loop()
    pump = loop.create_task(_pump(source.readings(), take))
    pump.add_done_callback(lambda _: alarm.rung.set())
    try:
        while not pump.done():
            if machine.deadline_s() <= loop.time():
                break
            alarm.rung.clear()
            alarm.set()
            await alarm.rung.wait()
        else:
            return pump.result()
        silence = machine.silence()
    finally:
        alarm.stop()
        ended = await _end(pump, machine)
    return silence if ended else f"{silence}, and it does not close"


async def _end(pump: asyncio.Task[str | None], machine: LinkMachine) -> bool:
    """Cancel a session and wait for it, at most ``close_s``; return whether it has ended."""
    if not pump.done():
        pump.cancel()
        await asyncio.wait({pump}, timeout=machine.delays.close_s)
    if pump.done() and not pump.cancelled():
        pump.exception()  # mark it as seen, or asyncio reports it; _session reads result() itself
    return pump.done()


async def _pump(stream: AsyncIterator[Reading], take: Callable[[Reading], None]) -> str | None:
    """Pass readings on until the link is lost (return why) or exhausted (return None)."""
    try:
        while True:
            try:
                reading = await anext(stream)
            except StopAsyncIteration:
                return None
            except LINK_ERRORS as error:
                return str(error) or type(error).__name__
            # Not inside the try: an error of take(), such as a full disk, is not a lost link.
            take(reading)
    finally:
        close = getattr(stream, "aclose", None)
        if close is not None:
            await close()
