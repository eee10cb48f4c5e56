"""Finds the true time of this boot, on boards whose clock may be wrong for days.

A live session keeps all its times on ``CLOCK_BOOTTIME``, which never steps. This module finds the
one offset that turns them into UTC, for every session of the boot at once. A board without a
battery-backed clock starts in 1970 or at the time of its last shutdown, and jumps when it learns
the true time. A clock that the system calls synchronised comes first, then a clock of the device
that the description maps (``utc_s``), then the board's own clock, if it was ever set.
"""

from __future__ import annotations

import logging
import math
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from logger import __version__
from logger.durations import DAY_S, YEAR_S
from logger.reading import CLOCK_UNSET_BEFORE_S
from logger.store.placement import BELIEVED, TRUE, UNKNOWN
from logger.store.records import SessionStart
from logger.system.snapshot import boot_id, boottime_s

if TYPE_CHECKING:
    from logger.reading import Reading
    from logger.store.writer import Writer

log = logging.getLogger("ebbwatt")

#: A larger change of the offset is a step of the clock, s. Adjustments by rate move
#: ``CLOCK_BOOTTIME`` as well (clock_gettime(2)), so they do not change the offset.
STEP_S = 1.0
#: The same for a device's clock, s: it comes in whole seconds, and late.
DEVICE_STEP_S = 5.0
#: A device's clock counts once it has kept time for this long, s (judgement, no source).
DEVICE_PROVES_S = 60.0
#: Wait after a correction before the next, doubled each time up to the longest, s: two programs
#: that fight over the clock must not wear out the card (judgement, no source).
FIRST_WAIT_S, LONGEST_WAIT_S = 60.0, 3600.0

#: The kernel is asked again whether the clock is synchronised after this time, s; at once if the
#: wall clock moved by more than ``SET_S`` against ``CLOCK_BOOTTIME``.
ASK_AGAIN_S, SET_S = 60.0, 0.1
#: Exists once systemd-timesyncd has synchronised in this boot (systemd-timesyncd.service(8)).
TIMESYNC_FLAG = Path("/run/systemd/timesync/synchronized")
#: Returned by adjtimex(2) while the clock is not synchronised; below it are the good states.
_TIME_ERROR = 5
#: Room for ``struct timex``, which has 208 bytes on 64-bit Linux; zeros ask and change nothing.
_TIMEX_BYTES = 512


class BoardClock(Protocol):
    """The clocks of the board; the daemon is given another one in tests."""

    def boottime_s(self) -> float:
        """Return ``CLOCK_BOOTTIME``, s."""
        ...

    def wall_s(self) -> float:
        """Return Unix time as the board believes it, s."""
        ...

    def boot_id(self) -> str:
        """Return the random id of this boot."""
        ...

    def synchronised(self) -> bool:
        """Tell whether the wall clock is known to be true."""
        ...


class SystemClock:
    """The clocks of this machine."""

    def __init__(self) -> None:
        self._kernel: Any = None
        self._timex: Any = None
        self._may_ask = True
        self._ask_s = self._asked_offset_s = -math.inf
        self._answer = False

    def boottime_s(self) -> float:
        """Return ``CLOCK_BOOTTIME``, s."""
        return boottime_s()

    def wall_s(self) -> float:
        """Return Unix time as the board believes it, s."""
        return time.time()

    def boot_id(self) -> str:
        """Return the kernel's random id of this boot."""
        return boot_id()

    def synchronised(self) -> bool:
        """Tell whether the kernel, or systemd-timesyncd, calls the wall clock synchronised.

        A locked-down service may be forbidden to ask the kernel; the flag file remains then. To ask
        the kernel costs the processor as much as a reading, so its answer counts for
        :data:`ASK_AGAIN_S`, unless the wall clock was set meanwhile.
        """
        # Not Path.exists: where the flag is missing, that makes an error and catches it each time.
        if os.access(TIMESYNC_FLAG, os.F_OK):
            return True
        now_s = self.boottime_s()
        offset_s = self.wall_s() - now_s
        if now_s >= self._ask_s or abs(offset_s - self._asked_offset_s) > SET_S:
            self._ask_s, self._asked_offset_s = now_s + ASK_AGAIN_S, offset_s
            self._answer = self._kernel_says()
        return self._answer

    def _kernel_says(self) -> bool:
        if not self._may_ask:
            return False
        try:
            if self._kernel is None:
                self._kernel, self._timex = _adjtimex()
            state: int = self._kernel(self._timex())
        except (OSError, AttributeError):
            state = -1
        self._may_ask = state >= 0
        return 0 <= state < _TIME_ERROR


def _adjtimex() -> tuple[Any, Any]:
    """Return the system's function, and the type of what it is given.

    Raises
    ------
    OSError, AttributeError
        If this system has none.
    """
    import ctypes

    return ctypes.CDLL(None).adjtimex, ctypes.c_char * _TIMEX_BYTES


class Belief(NamedTuple):
    """UTC minus ``CLOCK_BOOTTIME``, s, how reliable it is, and where it comes from."""

    offset_s: float
    quality: int
    source: str = ""
    step_s: float = STEP_S


class ClockKeeper:
    """Keeps the time of one boot; see the module.

    Parameters
    ----------
    clock
        The board's clocks.
    """

    def __init__(self, clock: BoardClock) -> None:
        self.clock = clock
        self.corrections = 0
        self._device_s: float | None = None
        self._ticking: tuple[float, float] | None = None  # (offset, since when)
        self._wait_s, self._not_before_s = FIRST_WAIT_S, 0.0
        self.belief = self._newest()

    def session(self, source: str) -> SessionStart:
        """Return the start of a session that begins now, dated by the present offset."""
        return SessionStart(
            source=source,
            started_s=self.clock.boottime_s(),
            boot_id=self.clock.boot_id(),
            offset_s=self.belief.offset_s,
            offset_quality=self.belief.quality,
            version=__version__,
        )

    def begin(self, writer: Writer) -> None:
        """Take over the offset of an earlier session of this boot, or correct it."""
        earlier = writer.offset_of_boot()
        if earlier is not None:
            now, then = self.belief, Belief(*earlier)
            if now.quality < TRUE and then.quality >= now.quality:
                self.belief = then
                if abs(now.offset_s - then.offset_s) > STEP_S or then.quality > now.quality:
                    writer.set_offset(then.offset_s, then.quality)
            else:
                self._correct(writer, now, now.offset_s - then.offset_s)
        if self.belief.quality == UNKNOWN:
            writer.add_event(self.clock.boottime_s(), "clock_unknown")
            log.warning("this board's clock is not set: dates are set when it learns the time")

    def look(self, writer: Writer) -> str:
        """Compare the clocks, about once a second; correct the store if one has stepped.

        Returns
        -------
        str
            The notice of a correction; empty if nothing was corrected.
        """
        newest = self._newest()
        shift_s = newest.offset_s - self.belief.offset_s
        if newest.quality < self.belief.quality:
            return ""  # a less reliable clock: CLOCK_BOOTTIME continues from the better one
        if abs(shift_s) <= newest.step_s and newest.quality == self.belief.quality:
            return ""
        now_s = self.clock.boottime_s()
        if now_s < self._not_before_s:
            return ""
        self._not_before_s = now_s + self._wait_s
        return self._correct(writer, newest, shift_s)

    def hear(self, reading: Reading) -> None:
        """Note the clock of the device, if it has one; it counts once it has kept time."""
        if reading.utc_s is None:
            return
        offset_s = reading.utc_s - reading.time_s
        if self._ticking is None or abs(offset_s - self._ticking[0]) > DEVICE_STEP_S / 2:
            self._ticking = (offset_s, reading.time_s)
        elif reading.time_s - self._ticking[1] >= DEVICE_PROVES_S:
            self._device_s = offset_s

    def _newest(self) -> Belief:
        """Return the offset by the most reliable clock at this instant."""
        wall_s, now_s = self.clock.wall_s(), self.clock.boottime_s()
        offset_s = wall_s - now_s
        if self.clock.synchronised():
            return Belief(offset_s, TRUE, "it is synchronised now")
        if self._device_s is not None:
            return Belief(self._device_s, BELIEVED, "the device's clock says so", DEVICE_STEP_S)
        if wall_s >= CLOCK_UNSET_BEFORE_S:
            return Belief(offset_s, BELIEVED, "it was set")
        return Belief(offset_s, UNKNOWN)

    def _correct(self, writer: Writer, belief: Belief, shift_s: float) -> str:
        """Write the offset of the whole boot; record an event if dates move or become known."""
        learnt = self.belief.quality == UNKNOWN < belief.quality
        self.belief = belief
        notice = ""
        if abs(shift_s) > belief.step_s or learnt:
            self._wait_s = min(2.0 * self._wait_s, LONGEST_WAIT_S)
            self.corrections += 1
            text = f"{_length(shift_s)} {'late' if shift_s > 0 else 'fast'}; {belief.source}"
            writer.add_event(self.clock.boottime_s(), "clock_correction", round(shift_s, 1), text)
            notice = f"the board's clock was {text}: dates of this boot are corrected"
        writer.set_offset(belief.offset_s, belief.quality)
        return notice


def _length(seconds: float) -> str:
    """Write a length of time in the unit that suits it."""
    length_s = abs(seconds)
    for unit, unit_s in (("years", YEAR_S), ("days", DAY_S), ("h", 3600.0)):
        if length_s >= 2.0 * unit_s:
            return f"{length_s / unit_s:.1f} {unit}"
    return f"{length_s:.0f} s"
