"""Runs work on many boats in a pool of processes: ``results(work, items)``.

A worker that dies (out of memory, a fault in a library) breaks the whole of the standard library's
pool. Here the pool is built anew, what was under way is done again one by one, and a boat that
ends its worker a second time is given up by name; everything else is done as usual.
"""

from __future__ import annotations

import multiprocessing
import resource
import signal
from collections import deque
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

Result = TypeVar("Result")

#: A boat is given up when it has ended so many workers: once may be another boat's doing.
MOST_DEATHS = 2
#: Workers are replaced after so many boats: what a library does not give back is then given back
#: (our choice, a start of a worker is then below 1 % of the time).
_TASKS_A_WORKER = 500
#: Address space of a worker, bytes: a file that swells when it is unpacked ends its own assessment
#: instead of the machine's memory.
_MOST_MEMORY = 4 * 2**30
ENDED = "its assessment ended the process twice (out of memory?)"


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no result."""

    reason: str


def results(
    work: Callable[[str], Result], items: Iterable[str], workers: int
) -> Iterator[tuple[str, Result | Failure]]:
    """Do the work on each item; yield each result as soon as it is there.

    Parameters
    ----------
    work
        A function that a process can be sent: one of a module, or a partial of it.
    items
        Each once.
    workers
        How many processes; 0 does it in this one.
    """
    if workers == 0:
        for item in items:
            try:
                yield item, work(item)
            except Exception as error:  # noqa: BLE001 - one boat's fault is not the fleet's
                yield item, _failure(error)
        return
    todo = dict.fromkeys(items)
    deaths: dict[str, int] = {}
    while todo:
        suspects = [item for item in todo if deaths.get(item)]
        batch, width = (suspects[:1], 1) if suspects else (list(todo), workers)
        running: dict[Future[Result], str] = {}
        try:
            for item, result in _pool(work, batch, width, running):
                del todo[item]
                yield item, result
        except BrokenProcessPool:
            for item in running.values():
                deaths[item] = deaths.get(item, 0) + 1
                if deaths[item] >= MOST_DEATHS:
                    del todo[item]
                    yield item, Failure(ENDED)


def _pool(
    work: Callable[[str], Result], batch: list[str], width: int, running: dict[Future[Result], str]
) -> Iterator[tuple[str, Result | Failure]]:
    queue = deque(batch)
    pool = ProcessPoolExecutor(
        width,
        multiprocessing.get_context("spawn"),
        initializer=_begin,
        max_tasks_per_child=_TASKS_A_WORKER,
    )
    try:
        while queue or running:
            # No more than the workers can take up at once: when one dies, few are suspect.
            while queue and len(running) < width + 1:
                item = queue.popleft()
                running[pool.submit(work, item)] = item
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                error = future.exception()
                if isinstance(error, BrokenProcessPool):
                    raise error
                item = running.pop(future)
                yield item, future.result() if error is None else _failure(error)
    finally:
        # What has begun is finished and kept; what has not is left for the next time.
        pool.shutdown(wait=True, cancel_futures=True)


def _begin() -> None:
    """Prepare a worker: Ctrl-C is for the parent, which lets it finish its boat."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    most = _MOST_MEMORY if hard == resource.RLIM_INFINITY else min(_MOST_MEMORY, hard)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


def _failure(error: BaseException) -> Failure:
    return Failure(f"{type(error).__name__}: {error}")
