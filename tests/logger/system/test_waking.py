"""A wait for an event that ends with a time, on a loop whose time the test controls."""

import asyncio

import pytest

from logger.system.waking import woken
from tests.support.rigs.fast_motion import run


def test_the_wait_ends_with_the_event_or_with_the_time():
    async def main():
        loop = asyncio.get_running_loop()
        event = asyncio.Event()
        began_s = loop.time()
        loop.call_later(2.0, event.set)
        await woken(event, began_s + 5.0)
        assert loop.time() == pytest.approx(began_s + 2.0)
        event.clear()
        await asyncio.sleep(10.0)
        assert not event.is_set()  # the timer of a wait that has ended sets nothing
        await woken(event, loop.time() + 5.0)
        assert loop.time() == pytest.approx(began_s + 17.0)
        assert event.is_set()

    run(main())


def test_a_wait_without_a_time_ends_with_the_event_alone():
    async def main():
        loop = asyncio.get_running_loop()
        event = asyncio.Event()
        loop.call_later(1e6, event.set)
        await woken(event, None)
        assert loop.time() >= 1e6

    run(main())


def test_a_wait_that_is_cancelled_leaves_no_timer():
    async def main():
        event = asyncio.Event()
        task = asyncio.create_task(woken(event, asyncio.get_running_loop().time() + 5.0))
        await asyncio.sleep(1.0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await asyncio.sleep(10.0)
        assert task.cancelled()
        assert not event.is_set()

    run(main())
