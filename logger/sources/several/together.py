"""Two sources of one charger as one source: the charger's own words, and a shunt beside it.

Each has its own link, and is opened, waited for and opened again by itself; neither waits for the
other.
"""

from __future__ import annotations

import asyncio
import logging
import time
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from logger.reading import CHANNELS
from logger.refusals import Refusals
from logger.settings import Section, Setting, check_section
from logger.sources.base import MODULES
from logger.sources.link.supervision import LinkState, LinkStatus, supervise
from logger.sources.several.agreement import Agreement
from logger.sources.several.joiner import Joiner

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from logger.config import Config
    from logger.reading import Reading
    from logger.settings import Document
    from logger.sources.base import Source

log = logging.getLogger("ebbwatt")

#: Readings may arrive so long after their time, beside what they are held back, s: a line is read
#: some 0.03 s after its first byte, a busy board takes longer.
LATE_S = 1.0
#: Readings of two sources belong together if they lie no further apart than so many spacings, ...
JOIN_SPACINGS = 1.5
#: ... and never less than this, s.
SHORTEST_JOIN_S = 1.0

EACH = Section(
    "source",
    (
        Setting("name", "text", None, "name of this source; its kind if left out"),
        Setting(
            "join_s",
            "number",
            None,
            "a reading of this source is joined with one of the other that is no further away in "
            "time than this; if left out, 1.5 times log.interval_s, at least 1 s",
            "s",
            0.05,
            3600,
        ),
    ),
    "two sources of one charger, such as its own words and a shunt: each is a section [[source]] "
    "of its own with the settings of its kind and those here. A value comes from the first source "
    "that gives it. Where both give voltage or current, they are compared, and it is told if they "
    "lie further apart than [sensor] allows",
)


@dataclass(frozen=True, slots=True)
class Part:
    """One of the sources."""

    name: str
    source: Source
    join_s: float

    def channels(self) -> tuple[str, ...]:
        """Return what it gives, as far as its description tells."""
        description: Any = getattr(self.source, "description", None)
        if description is None:
            return (*CHANNELS, "state")
        return tuple(field.channel for field in description.fields)


class Together:
    """Two sources as one; see :class:`logger.sources.base.Source`.

    Parameters
    ----------
    parts
        The sources, the one whose values count first in front.
    config
        How sure their sensors are.

    Attributes
    ----------
    tell
        Told each disagreement.
    """

    live = True

    def __init__(self, parts: tuple[Part, Part], config: Config) -> None:
        self.parts = parts
        self.refusals = Refusals()
        self.tell: Callable[[str], None] = partial(log.warning, "%s")
        for part in parts:
            part.source.refusals = self.refusals
            if (pipeline := getattr(part.source, "pipeline", None)) is not None:
                pipeline.refusals = self.refusals
        names = (parts[0].name, parts[1].name)
        agreement = Agreement(names, config.sensor, self._say)
        joins_s = (parts[0].join_s, parts[1].join_s)
        self._joiner = Joiner(joins_s, agreement.hear, self._drop)
        self._hold_s = 0.0
        self._waits = asyncio.Event()

    def _say(self, words: str) -> None:
        self.tell(words)

    def _drop(self, why: str) -> None:
        self.refusals.count(why)

    def describe(self) -> str:
        """Name the sources, and which value comes from which."""
        taken: set[str] = set()
        words = []
        for part in self.parts:
            gives = [c for c in part.channels() if c not in taken]
            checks = [c for c in part.channels() if c in taken and c in {"voltage_v", "current_a"}]
            taken |= {*gives}
            said = f"gives {', '.join(gives)}" if gives else "gives nothing more"
            said += f", checks {', '.join(checks)}" if checks else ""
            words.append(f"{part.name} ({part.source.describe()}) {said}")
        return "; ".join(words)

    def hold(self, seconds: float) -> None:
        """Let readings of both wait."""
        self._hold_s = seconds
        for part in self.parts:
            part.source.hold(seconds)

    def rest(self) -> list[Reading]:
        """Return what still waits, of both."""
        for which, part in enumerate(self.parts):
            for reading in part.source.rest():
                self._joiner.add(which, reading)
        return self._joiner.rest()

    async def close(self) -> None:
        """Release what outlives a session, of both."""
        for part in self.parts:
            await part.source.close()

    async def readings(self) -> AsyncIterator[Reading]:
        """Give the joined readings; links that are lost are opened again meanwhile."""
        given: asyncio.Queue[Reading | None] = asyncio.Queue()
        driven = asyncio.ensure_future(self.drive(given.put_nowait, lambda _: None))
        driven.add_done_callback(lambda _: given.put_nowait(None))
        try:
            while (reading := await given.get()) is not None:
                yield reading
            driven.result()
        finally:
            driven.cancel()
            await asyncio.gather(driven, return_exceptions=True)

    async def drive(
        self, on_reading: Callable[[Reading], None], on_status: Callable[[LinkStatus], None]
    ) -> None:
        """Read both until they are exhausted, as :func:`supervise` does with one.

        Raises
        ------
        logger.errors.SourceError
            If one of them stayed without a reading for its ``restart_after_s``.
        """
        tasks = {
            asyncio.ensure_future(
                supervise(
                    part.source,
                    partial(self._take, which, on_reading),
                    partial(self._note, which, on_reading, on_status),
                )
            )
            for which, part in enumerate(self.parts)
        }
        watch = asyncio.ensure_future(self._keep_time(on_reading))
        try:
            while tasks:
                done, _ = await asyncio.wait({*tasks, watch}, return_when=asyncio.FIRST_COMPLETED)
                for task in done:
                    task.result()
                tasks -= done
            for reading in self._joiner.rest():
                on_reading(reading)
        finally:
            for task in (*tasks, watch):
                task.cancel()
            await asyncio.gather(*tasks, watch, return_exceptions=True)

    def _take(self, which: int, on_reading: Callable[[Reading], None], reading: Reading) -> None:
        self._joiner.add(which, reading)
        self._give(on_reading)

    def _note(
        self,
        which: int,
        on_reading: Callable[[Reading], None],
        on_status: Callable[[LinkStatus], None],
        status: LinkStatus,
    ) -> None:
        self._joiner.down[which] = status.state is not LinkState.LIVE
        on_status(replace(status, source=self.parts[which].name))
        self._give(on_reading)

    def _give(self, on_reading: Callable[[Reading], None]) -> None:
        now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        for reading in self._joiner.ready(now_s, LATE_S + self._hold_s):
            on_reading(reading)
        if self._joiner.waits:
            self._waits.set()

    async def _keep_time(self, on_reading: Callable[[Reading], None]) -> None:
        """Give what has waited long enough for the other source, though nothing new came."""
        while True:
            await self._waits.wait()
            self._waits.clear()
            longest_s = max(part.join_s for part in self.parts)
            await asyncio.sleep(LATE_S + self._hold_s + longest_s)
            self._give(on_reading)


def tables(config: Config) -> dict[str, Config]:
    """Return, by its name, the configuration of each source alone.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    found: dict[str, Config] = {}
    for number, table in enumerate(config.sources, start=1):
        document = config.document.entry("source", number)
        settings = _own(document, table)
        own = {setting.key for setting in EACH.settings}
        rest = {key: value for key, value in table.items() if key not in own}
        if "kind" not in table:
            choices = ", ".join(MODULES)
            raise document.error(f"kind is missing; accepted: one of {choices}", "source")
        name = settings["name"] or str(table["kind"])
        if name in found:
            raise document.error(f"both are called {name!r}; give each a name", "source", "name")
        found[name] = replace(config, source=rest, sources=(), document=document)
    return found


def _own(document: Document, table: dict[str, Any]) -> dict[str, Any]:
    """Check the settings that a source has because there is another."""
    own = {setting.key for setting in EACH.settings} & {*table}
    return check_section(document, EACH, {key: table[key] for key in own}, "source")


def build(config: Config, build_one: Callable[[Config], Source]) -> Together:
    """Build both sources of a configuration with [[source]] twice.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    parts: list[Part] = []
    shortest_s = max(SHORTEST_JOIN_S, JOIN_SPACINGS * config.log.interval_s)
    for table, (name, alone) in zip(config.sources, tables(config).items(), strict=True):
        source = build_one(alone)
        if not source.live:
            raise alone.document.error(
                f"{table['kind']!r} is no live source: beside another one both must be live",
                "source",
                "kind",
            )
        join_s = _own(alone.document, table)["join_s"] or shortest_s
        parts.append(Part(name, source, join_s))
    return Together((parts[0], parts[1]), config)
