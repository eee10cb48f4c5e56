"""Waits for an event, at most until a time, at little cost to the processor."""

from __future__ import annotations

import asyncio


async def woken(event: asyncio.Event, until_s: float | None) -> None:
    """Wait until an event is set; a timer sets it at ``until_s`` on the loop's clock.

    The event is set afterwards whichever came first, so the caller looks at what has changed.
    ``None`` waits for ever. ``asyncio.timeout`` does the same by cancelling the task and turning
    the cancellation into an error: four times the work where the wait ends with the time.
    """
    if until_s is None:
        await event.wait()
        return
    timer = asyncio.get_running_loop().call_at(until_s, event.set)
    try:
        await event.wait()
    finally:
        timer.cancel()
