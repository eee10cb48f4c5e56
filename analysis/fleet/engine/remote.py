"""Runs the work on a scheduler of dask.distributed: the same function and items, many machines.

Whoever reaches a scheduler runs code on it. So plain TCP is taken on this machine only; anything
else must be TLS with certificates of both sides.

All workers must have Ebbwatt installed and see the fleet's folder under the same path.
"""

from __future__ import annotations

import ipaddress
import os
import time
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import urlsplit

from analysis.fleet.engine.runner import ENDED, Failure
from logger.errors import EbbwattError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

Result = TypeVar("Result")

#: Boats of a task: the engine's own cost of some ten milliseconds a task is then below 1 %.
BATCH = 4
#: How long a scheduler may take to answer, s (our choice, long for a network and short for a
#: person).
TIMEOUT_S = 30.0
#: How often it is asked whether it has workers while nothing comes back, and how long it may have
#: none, s (our choice: time to start them by hand).
LOOK_S, PATIENCE_S = 5.0, 300.0
#: How often results are looked for, s: short beside a boat's assessment.
_POLL_S = 0.02


@dataclass(frozen=True, slots=True)
class Scheduler:
    """Where the scheduler listens, and the files of certificates for TLS.

    Raises
    ------
    UsageError
        If the address is not one that may be used.
    """

    address: str
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    def __post_init__(self) -> None:
        try:
            parts = urlsplit(self.address)
            host, port = parts.hostname, parts.port
        except ValueError:
            host, port = None, None
        if host is None or port is None or parts.scheme not in {"tcp", "tls"}:
            raise UsageError(
                f"{self.address}: is no address of a scheduler; accepted: tls://host:port, and "
                f"tcp://127.0.0.1:port on this machine"
            )
        files = (self.ca, self.certificate, self.key)
        if parts.scheme == "tcp" and not _is_loopback(host):
            raise UsageError(
                f"{self.address}: plain TCP is refused except on this machine, because whoever "
                f"reaches the scheduler can run code on it; use tls:// with certificates"
            )
        if parts.scheme == "tls" and None in files:
            raise UsageError(
                f"{self.address}: needs --tls-ca, --tls-cert and --tls-key, files in PEM form"
            )
        for file in files:
            if file is not None and not file.is_file():
                raise UsageError(f"{file}: there is no such file")


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def results_on(
    scheduler: Scheduler,
    work: Callable[[str], Result],
    items: Iterable[str],
    workers: int = 0,
    *,
    batch: int = BATCH,
    tell: Callable[[str], None] = lambda _: None,
) -> Iterator[tuple[str, Result | Failure]]:
    """Do the work on each item; as :func:`analysis.fleet.engine.runner.results`.

    Parameters
    ----------
    scheduler
        Where to run it.
    work, items
        As there.
    workers
        Not used: the cluster has its own.
    batch
        Items of a task.
    tell
        Takes a line for a person.

    Raises
    ------
    EbbwattError
        If there is no such package, the scheduler does not answer, or it has no worker for five
        minutes.
    """
    del workers
    todo = list(items)
    if not todo:
        return
    with _client(scheduler) as client:
        advice = _Advice(client, tell)
        advice.look()
        batches = [todo[k : k + batch] for k in range(0, len(todo), batch)]
        run = partial(_tasks, client, work, tell, advice)
        suspects: list[str] = []
        for names, found in run(batches):
            if found is None:
                # One of these boats ended its workers. Each is done alone, to find which.
                suspects += names
            else:
                yield from found
        # A worker that dies takes along what already waits at it, whosever fault it is. So who
        # failed once more is asked again with nothing else on the cluster.
        last: list[str] = []
        for names, found in run([[name] for name in suspects]):
            if found is None:
                last += names
            else:
                yield from found
        for name in last:
            for _, found in run([[name]]):
                yield from found or [(name, Failure(ENDED))]


class _Advice:
    """Tells once how to start workers that waste no time; also where such workers join later."""

    def __init__(self, client: Any, tell: Callable[[str], None]) -> None:  # noqa: ANN401
        self._client, self._tell = client, tell
        self._asked: set[str] = set()
        self._due = 0.0
        self._left = {
            _trims_memory: "the workers set MALLOC_TRIM_THRESHOLD_, which makes each boat take "
            "three times as long; start them with an empty distributed.nanny.pre-spawn-environ",
            _is_profiled: "the workers sample what they do a hundred times a second, which costs "
            "the processor more than the engine's work; start scheduler and workers with "
            "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED=False and "
            "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL=1s",
        }

    def look(self) -> None:
        """Ask the workers that were not asked yet; not at each call, but now and then."""
        if time.monotonic() < self._due or not self._left:
            return
        self._due = time.monotonic() + LOOK_S
        new = sorted(set(self._client.nthreads()) - self._asked)
        for check in list(self._left) if new else ():
            # A worker may be gone before it answers.
            if any(self._client.run(check, workers=new, on_error="ignore").values()):
                self._tell(self._left.pop(check))
        self._asked.update(new)


def _tasks(
    client: Any,  # noqa: ANN401 - distributed is optional
    work: Callable[[str], Result],
    tell: Callable[[str], None],
    advice: _Advice,
    batches: list[list[str]],
) -> Iterator[tuple[list[str], list[tuple[str, Result | Failure]] | None]]:
    """Yield each batch with its results, or None where it ended its workers."""
    from distributed import KilledWorker, as_completed

    futures = {client.submit(partial(_all, work), b, pure=False): b for b in batches}
    try:
        with client.as_current():
            completed = as_completed(list(futures))
        while futures:
            _await_one(client, completed, tell)
            advice.look()
            future = next(completed)
            names = futures.pop(future)
            found: list[tuple[str, Result | Failure]] | None
            try:
                # A result can be lost with its worker; asking for it then does the work again.
                found = future.result()
            except KilledWorker:
                found = None
            except Exception as error:  # noqa: BLE001 - one boat's fault is not the fleet's
                found = [(n, Failure(f"{type(error).__name__}: {error}")) for n in names]
            yield names, found
            future.release()
    finally:
        client.cancel(list(futures))


def _await_one(
    client: Any,  # noqa: ANN401 - distributed is optional
    completed: Any,  # noqa: ANN401
    tell: Callable[[str], None],
) -> None:
    """Wait until a task has ended; without any worker, only for a while."""
    since: float | None = None
    look = time.monotonic() + LOOK_S
    while not completed.has_ready():
        time.sleep(_POLL_S)
        now = time.monotonic()
        if now < look:
            continue
        look = now + LOOK_S
        if client.nthreads():
            since = None
        elif since is None:
            since = now
            tell("the scheduler has no worker; start some (dask worker ADDRESS)")
        elif now - since >= PATIENCE_S:
            raise EbbwattError(
                f"the scheduler has had no worker for {PATIENCE_S:.0f} s; start some and run the "
                f"same command again: what is done is kept"
            )


def _all(work: Callable[[str], Result], names: list[str]) -> list[tuple[str, Result | Failure]]:
    """Do the work on the items of a task, in a worker."""
    found: list[tuple[str, Result | Failure]] = []
    for name in names:
        try:
            found.append((name, work(name)))
        except Exception as error:  # noqa: BLE001 - one boat's fault is not the others'
            found.append((name, Failure(f"{type(error).__name__}: {error}")))
    return found


def _trims_memory() -> bool:
    return "MALLOC_TRIM_THRESHOLD_" in os.environ


def _is_profiled() -> bool:
    import dask

    return bool(dask.config.get("distributed.worker.profile.enabled", True))


def _client(scheduler: Scheduler) -> Any:  # noqa: ANN401 - distributed is optional
    try:
        from distributed import Client, Security
    except ImportError:
        raise EbbwattError(
            "a scheduler needs a package that is not installed: pip install 'ebbwatt[fleet]'"
        ) from None
    security = None
    if scheduler.ca is not None:
        security = Security(
            tls_ca_file=str(scheduler.ca),
            tls_client_cert=str(scheduler.certificate),
            tls_client_key=str(scheduler.key),
            require_encryption=True,
        )
    try:
        return Client(scheduler.address, security=security, timeout=TIMEOUT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError) as error:
        raise EbbwattError(
            f"{scheduler.address}: the scheduler cannot be reached: {error}"
        ) from None
