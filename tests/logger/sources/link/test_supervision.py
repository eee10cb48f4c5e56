"""The state machine of a link, driven by an event loop whose time the test controls."""

import asyncio
import math
import random
from dataclasses import replace

import pytest

from logger.errors import SourceError
from logger.reading import Reading
from logger.refusals import Refusals
from logger.sources.link.supervision import (
    Delays,
    LinkMachine,
    LinkState,
    LinkStatus,
    best_of,
    supervise,
)
from tests.support.rigs.fast_motion import run


class Scripted:
    """A source whose sessions follow a script of waits, readings and faults."""

    live = True

    def __init__(self, *sessions, delays=None):
        self.refusals = Refusals()
        self.sessions = list(sessions)
        self.opened_s = []
        self.closed = 0
        self.released = False
        if delays is not None:
            self.delays = delays

    def describe(self):
        return "scripted"

    async def close(self):
        pass

    async def readings(self):
        loop = asyncio.get_running_loop()
        self.opened_s.append(loop.time())
        try:
            for step in self.sessions.pop(0):
                if isinstance(step, Exception):
                    raise step
                if step == "hang":
                    await asyncio.Event().wait()
                elif step == "swallow":  # a library that ignores being cancelled
                    while not self.released:
                        try:
                            await asyncio.sleep(1e6)
                        except asyncio.CancelledError:
                            continue
                elif step == "reading":
                    yield Reading(loop.time(), 13.5)
                else:
                    await asyncio.sleep(step)
        finally:
            self.closed += 1


DELAYS = Delays(
    first_reading_s=30.0,
    stale_s=10.0,
    first_wait_s=1.0,
    growth=2.0,
    longest_wait_s=60.0,
    jitter=0.0,
    steady_s=10.0,
    calm_s=60.0,
    close_s=5.0,
)


def supervised(source, delays=DELAYS, seed=1):
    got, changes = [], []

    async def main():
        await supervise(source, got.append, changes.append, delays=delays, rng=random.Random(seed))

    run(main())
    return got, changes


def states(changes):
    return [change.state.value for change in changes]


def test_a_finite_source_is_read_to_its_end():
    source = Scripted(["reading", 1.0, "reading"])
    got, changes = supervised(source)
    assert len(got) == 2
    assert states(changes) == ["opening", "live", "ended"]
    assert source.closed == 1


def test_a_lost_link_is_opened_again_after_a_wait():
    source = Scripted(["reading", SourceError("cable out")], ["reading"])
    got, changes = supervised(source)
    assert len(got) == 2
    assert states(changes) == ["opening", "live", "waiting", "opening", "live", "ended"]
    assert source.opened_s == [1000.0, 1001.0]
    assert changes[2].reason == "cable out"


def test_a_silent_link_is_noticed_by_the_age_of_its_data():
    source = Scripted(["reading", 4.0, "reading", "hang"], ["reading"])
    _, changes = supervised(source)
    assert source.opened_s[1] - source.opened_s[0] == pytest.approx(4.0 + 10.0 + 1.0)
    assert "no reading for 10 s" in [change.reason for change in changes]
    assert source.closed == 2


@pytest.mark.parametrize("spacing_s", [0.5, 4.0, 7.5, 9.9])
def test_readings_in_time_are_all_that_wakes_the_logger(spacing_s):
    """The supervisor's own deadline is put off and never comes; silence ends it to the instant."""
    count = round(1000.0 / spacing_s)
    source = Scripted(["reading", *[spacing_s, "reading"] * count, "hang"], ["reading"])
    waits = []

    async def main():
        leap = asyncio.get_running_loop().leap
        select = leap.select

        def counted(timeout):
            waits.append(timeout)
            return select(timeout)

        leap.select = counted
        await supervise(source, lambda _: None, delays=DELAYS)

    run(main())
    assert source.opened_s[1] - source.opened_s[0] == pytest.approx(count * spacing_s + 10.0 + 1.0)
    # Beside the readings: the silence, the wait before the next session.
    assert sum(timeout > 0.0 for timeout in waits) <= count + 3


def test_opening_that_never_gives_a_reading_is_bounded():
    source = Scripted(["hang"], ["reading"])
    _, changes = supervised(source)
    assert source.opened_s[1] - source.opened_s[0] == pytest.approx(31.0)
    assert changes[1].reason == "no reading within 30 s of opening"


def test_a_session_that_does_not_let_go_is_left_behind():
    source = Scripted(["reading", "swallow"], ["reading"])
    changes = []

    async def main():
        await supervise(source, lambda _: None, changes.append, delays=DELAYS)
        left = asyncio.all_tasks() - {asyncio.current_task()}
        assert len(left) == 1
        source.released = True
        for task in left:
            task.cancel()
        await asyncio.wait(left)

    run(main())
    reasons = [change.reason for change in changes if change.reason]
    assert reasons == ["no reading for 10 s, and it does not close"]
    assert source.opened_s[1] - source.opened_s[0] == pytest.approx(10.0 + 5.0 + 1.0)


def test_waits_double_up_to_the_cap_and_start_over_once_steady():
    failing = [[SourceError("no such port")] for _ in range(9)]
    steady = ["reading", *[step for _ in range(13) for step in (5.0, "reading")]]
    source = Scripted(*failing, [*steady, SourceError("cable out")], ["reading"])
    _, changes = supervised(source)
    waits = [change.wait_s for change in changes if change.state is LinkState.WAITING]
    assert waits == [1, 2, 4, 8, 16, 32, 60, 60, 60, 1]


def test_good_data_of_steady_s_forgives_the_losses_before():
    failing = [[SourceError("no such port")] for _ in range(5)]
    good = [["reading", *(1.0, "reading") * 11, SourceError("cable out")] for _ in range(3)]
    short = [["reading", *(1.0, "reading") * 8, SourceError("cable out")] for _ in range(3)]
    _, changes = supervised(Scripted(*failing, *good, *short, ["reading"]))
    waits = [change.wait_s for change in changes if change.state is LinkState.WAITING]
    assert waits == [1, 2, 4, 8, 16, 1, 1, 1, 2, 4, 8]


@pytest.mark.parametrize("good_s", [9, 4])
def test_a_link_that_breaks_every_few_seconds_is_not_left_waiting(good_s):
    session = ["reading", *(1.0, "reading") * good_s, SourceError("cable out")]
    missing = [SourceError("no such port")]
    _, changes = supervised(Scripted(*[session, missing] * 60, ["reading"]), Delays(jitter=0.0))
    waits = [change.wait_s for change in changes if change.state is LinkState.WAITING]
    assert waits == [1, 2] * 60


def test_a_port_is_tried_every_second_for_the_first_minute():
    failing = [[SourceError("no such port")] for _ in range(70)]
    source = Scripted(*failing, ["reading"])
    _, changes = supervised(source, replace(DELAYS, eager_s=60.0))
    waits = [change.wait_s for change in changes if change.state is LinkState.WAITING]
    assert waits[:61] == [1] * 61
    assert waits[61:68] == [2, 4, 8, 16, 32, 60, 60]


def test_trouble_its_reasons_and_its_end_are_told_once_each():
    failing = [[SourceError("no such port")] for _ in range(50)]
    flapping = [["reading", 5.0, "reading", SourceError("cable out")] for _ in range(5)]
    steady = ["reading", *[step for _ in range(13) for step in (5.0, "reading")]]
    source = Scripted(*failing, *flapping, steady)
    _, changes = supervised(source)
    notices = [change.notice for change in changes if change.notice]
    assert notices[0] == "no such port; trying again until it is back"
    assert notices[1] == "cable out; still trying"
    assert notices[2].startswith("steady again: 55 lost or failed connections in ")
    assert len(notices) == 3
    assert changes[-1].losses == 55


def test_reasons_that_never_repeat_do_not_fill_the_journal():
    machine = LinkMachine(Delays(), random.Random(3), 0.0)
    told = [machine.lost(0.0, f"process {n} has it").notice for n in range(1000)]
    assert [bool(notice) for notice in told] == [True] * 8 + [False] * 992


def test_jitter_draws_each_wait_below_its_nominal_length():
    machine = LinkMachine(Delays(jitter=0.5, longest_wait_s=8.0), random.Random(3), 0.0)
    waits = [machine.lost(0.0, "x").wait_s for _ in range(400)]
    capped = waits[3:]
    assert all(4.0 <= wait <= 8.0 for wait in capped)
    assert 5.8 < sum(capped) / len(capped) < 6.2
    assert len(set(capped)) > 300


def test_years_of_failures_keep_the_wait_finite():
    machine = LinkMachine(Delays(jitter=0.0), random.Random(3), 0.0)
    for _ in range(5000):
        wait_s = machine.lost(0.0, "x").wait_s
    assert math.isfinite(wait_s)
    assert wait_s == 60.0


def test_an_error_of_the_store_is_not_taken_for_a_lost_link():
    source = Scripted(["reading", "reading"])

    def full(_):
        raise OSError(28, "No space left on device")

    async def main():
        await supervise(source, full, delays=DELAYS)

    with pytest.raises(OSError, match="No space"):
        run(main())
    assert source.closed == 1


def test_gives_up_for_a_fresh_process_when_asked_to():
    source = Scripted(*[["hang"] for _ in range(100)])
    delays = Delays(first_reading_s=30.0, restart_after_s=600.0, jitter=0.0)

    async def main():
        await supervise(source, lambda _: None, delays=delays)

    with pytest.raises(SourceError, match="no reading for 600 s"):
        run(main())


def test_being_stopped_closes_the_session():
    source = Scripted(["reading", "hang"])

    async def main():
        task = asyncio.create_task(supervise(source, lambda _: None, delays=DELAYS))
        await asyncio.sleep(1.0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    run(main())
    assert source.closed == 1


def test_a_source_brings_its_own_delays():
    source = Scripted(["hang"], ["reading"], delays=Delays(first_reading_s=7.0, jitter=0.0))
    _, changes = supervised(source, delays=None)
    assert changes[1].reason == "no reading within 7 s of opening"


def test_of_two_links_the_better_one_counts():
    waits = LinkStatus(LinkState.WAITING, "there is no such port", source="charger")
    opening = LinkStatus(LinkState.OPENING, source="shunt")
    live = LinkStatus(LinkState.LIVE, source="shunt")
    why = "charger: there is no such port"
    assert best_of([]) == ("opening", "")
    assert best_of([waits, live]) == ("live", why)
    assert best_of([waits, opening]) == ("opening", why), "whichever was heard of first"
    ended = LinkStatus(LinkState.ENDED, "end of file")
    assert best_of([ended, replace(waits, source="")]) == (
        "waiting",
        "end of file; there is no such port",
    )
