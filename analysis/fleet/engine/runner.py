"""Runs work on many boats in a pool of processes: ``results(work, items)``.

The workers are forked from a process that has loaded the program once and does nothing else, so
that a worker costs next to nothing to start. :func:`prepare` starts that process early: it loads
while the command itself is still loading.

A worker that dies (out of memory, a fault in a library) breaks the whole of the standard library's
pool. Here the pool is built anew, what was under way is done again one by one, and a boat that
ends its worker a second time is given up by name; everything else is done as usual.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import threading
from collections import deque
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import forkserver, resource_tracker
from typing import TYPE_CHECKING, TypeVar, cast

from logger.errors import EbbwattError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from multiprocessing.connection import Connection

Result = TypeVar("Result")

#: A boat is given up when it has ended so many workers: once may be another boat's doing.
MOST_DEATHS = 2
#: Workers are replaced after so many boats: what a library does not give back is then given back
#: (our choice).
_TASKS_A_WORKER = 500
#: Address space of a worker, bytes: a file that swells when it is unpacked ends its own assessment
#: instead of the machine's memory.
_MOST_MEMORY = 4 * 2**30
#: Switches Python's safe-path mode on in children.
_SAFE_PATH = "PYTHONSAFEPATH"
ENDED = "its assessment ended the process twice (out of memory?)"


@dataclass(frozen=True, slots=True)
class Failure:
    """Why there is no result."""

    reason: str


def prepare(*modules: str) -> None:
    """Start the process from which workers are forked, unless it runs already.

    Parameters
    ----------
    modules
        What it loads.
    """
    forkserver.set_forkserver_preload(list(modules))
    with safe_path():
        resource_tracker.ensure_running()
        # Ctrl-C is for this process, which lets the workers finish their boats. The process that is
        # started inherits that the signal is blocked, and so do the workers.
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            forkserver.ensure_running()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def safe_path() -> Iterator[None]:
    """Let a Python that is started meanwhile look for no module in the current folder.

    Whoever starts a process later has the environment as it was.
    """
    before = os.environ.get(_SAFE_PATH)
    os.environ[_SAFE_PATH] = "1"
    try:
        yield
    finally:
        if before is None:
            os.environ.pop(_SAFE_PATH, None)
        else:
            os.environ[_SAFE_PATH] = before


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


def failures(
    work: Callable[[str], None],
    items: Sequence[str],
    workers: int,
    progress: Callable[[int, int], None],
    runner: Callable[..., Iterator[tuple[str, object]]] = results,
) -> dict[str, str]:
    """Do the work on each item; return of those that failed why.

    Parameters
    ----------
    work, items, workers
        As for :func:`results`.
    progress
        Is told how many of how many are done.
    runner
        :func:`results`, or a function of the same form.
    """
    failed: dict[str, str] = {}
    progress(0, len(items))
    for done, (item, result) in enumerate(runner(work, items, workers), 1):
        if isinstance(result, Failure):
            failed[item] = result.reason
        progress(done, len(items))
    return failed


def apart(work: Callable[[], Result]) -> Result:
    """Do one piece of work in a process of its own, so that this one need not load what it needs.

    Whatever ends the wait ends that process too.

    Raises
    ------
    EbbwattError
        If the work fails, or its process ends.
    """
    prepare(_module_of(work))
    context = multiprocessing.get_context("forkserver")
    ours, its = context.Pipe(duplex=False)
    process = context.Process(target=_send, args=(its, work), daemon=True)
    with safe_path():
        process.start()
    its.close()
    try:
        found = ours.recv()
    except EOFError:
        raise EbbwattError("the process of the list has ended (out of memory?)") from None
    finally:
        process.terminate()
        process.join()
        ours.close()
    if isinstance(found, Failure):
        raise EbbwattError(found.reason)
    return cast("Result", found)


def _end_with_parent() -> None:
    """Let this process end where its parent is killed: else it would wait for work for ever."""
    if (parent := multiprocessing.parent_process()) is None:
        return

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _send(target: Connection, work: Callable[[], object]) -> None:
    _end_with_parent()
    try:
        target.send(work())
    except Exception as error:  # noqa: BLE001 - told where somebody reads it
        target.send(_failure(error))


def _module_of(work: Callable[..., object]) -> str:
    return str((work.func if isinstance(work, partial) else work).__module__)


def _pool(
    work: Callable[[str], Result], batch: list[str], width: int, running: dict[Future[Result], str]
) -> Iterator[tuple[str, Result | Failure]]:
    queue = deque(batch)
    prepare(_module_of(work))
    pool = ProcessPoolExecutor(
        width,
        multiprocessing.get_context("forkserver"),
        initializer=_begin,
        max_tasks_per_child=_TASKS_A_WORKER,
    )
    # The pool starts workers all the time, and their parent anew where it died.
    with safe_path():
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
    """Prepare a worker: it ends with its parent, and its memory is bounded."""
    _end_with_parent()
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    most = _MOST_MEMORY if hard == resource.RLIM_INFINITY else min(_MOST_MEMORY, hard)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


def _failure(error: BaseException) -> Failure:
    return Failure(f"{type(error).__name__}: {error}")
