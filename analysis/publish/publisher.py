"""Runs every configured target on a thread of its own, until it is told to end.

A target that fails is told once and tried again with growing waits; as each has its own thread, one
that hangs holds up no other.
"""

from __future__ import annotations

import logging
import threading
from typing import TYPE_CHECKING, Protocol

from analysis.publish.facts import gather
from logger.errors import EbbwattError
from logger.system.output import kept
from logger.system.snapshot import snapshot_path

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from analysis.publish.facts import Facts
    from analysis.publish.settings import Publishing
    from logger.config import Config

_log = logging.getLogger("ebbwatt")
#: The longest wait between two tries of a target that fails, s (our choice).
LONGEST_WAIT_S = 600.0
#: How long a target may take to end, s; a service manager waits longer (our choice).
END_S = 5.0
#: Rounds that must go well in a row before a fault is over: a datagram to nobody seems to arrive,
#: and only the next one is refused.
_SETTLED = 3


class Target(Protocol):
    """A target of published values."""

    name: str

    def send(self, facts: Facts) -> None:
        """Publish the values.

        Raises
        ------
        OSError, EbbwattError
            If nobody takes them; it is tried again.
        """
        ...

    def close(self) -> None:
        """Close the target."""
        ...


class TextFile:
    """A text file for a textfile collector."""

    name = "textfile"

    def __init__(self, path: Path, keep: Mapping[Path, str]) -> None:
        self._path = path
        self._keep = keep

    def send(self, facts: Facts) -> None:
        """Write the file beside its place and rename it."""
        from analysis.publish.textfile import VALUES, text
        from logger.system.output import PUBLIC_MODE, write_whole

        write_whole(self._path, text(facts), VALUES, self._keep, PUBLIC_MODE)

    def close(self) -> None:
        """Leave the file in place: it holds the time of its reading, which shows its age."""


def targets(config: Config, chosen: Publishing) -> list[tuple[Target, float]]:
    """Build the configured targets, each with the seconds between two rounds."""
    made: list[tuple[Target, float]] = []
    if chosen.textfile is not None:
        made.append((TextFile(chosen.textfile, kept(config)), chosen.every_s))
    if chosen.mqtt is not None:
        from analysis.publish.homie import Homie

        label = config.charger.label
        made.append((Homie(chosen.mqtt, chosen.id, label), chosen.every_s))
    if chosen.signalk is not None:
        from analysis.publish.signalk import SignalK

        made.append((SignalK(chosen.signalk, chosen.id), chosen.every_s))
    if chosen.page is not None:
        from analysis.publish.page_target import Page

        made.append((Page(config), chosen.page["every_s"]))
    return made


def run(
    config: Config,
    chosen: Publishing,
    stop: threading.Event,
    rounds: int | None = None,
) -> None:
    """Publish until ``stop`` is set, or for ``rounds`` rounds of each target."""
    snapshot_file = snapshot_path(config.store.path)

    def now() -> Facts:
        return gather(config.charger.label, snapshot_file, chosen.assessment)

    threads = [
        threading.Thread(
            target=keep_sending,
            args=(target, every_s, now, stop, rounds),
            name=target.name,
            daemon=True,
        )
        for target, every_s in targets(config, chosen)
    ]
    for thread in threads:
        thread.start()
    _join(threads, stop)


def _join(threads: Sequence[threading.Thread], stop: threading.Event) -> None:
    """Wait until all have ended by themselves, or for a little while after ``stop`` is set."""
    for thread in threads:
        while thread.is_alive() and not stop.is_set():
            thread.join(0.5)
    for thread in threads:
        thread.join(END_S)


def keep_sending(
    target: Target,
    every_s: float,
    now: Callable[[], Facts],
    stop: threading.Event,
    rounds: int | None = None,
) -> None:
    """Send to one target again and again; report a fault once, and its end once."""
    wait_s, told = every_s, ""
    done = good = 0
    try:
        while not stop.is_set():
            try:
                target.send(now())
            except (OSError, EbbwattError) as error:
                reason = str(error)
                if reason != told:
                    _log.warning("%s: %s; trying again", target.name, reason)
                    told = reason
                wait_s, good = min(2.0 * wait_s, LONGEST_WAIT_S), 0
            else:
                wait_s, good = every_s, good + 1
                if told and good >= _SETTLED:
                    _log.warning("%s: goes on", target.name)
                    told = ""
            done += 1
            if rounds is not None and done >= rounds:
                return
            stop.wait(wait_s)
    finally:
        target.close()
