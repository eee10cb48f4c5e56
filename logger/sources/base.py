"""The interface of every source of readings, and the check of its settings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from logger.settings import Section, Setting, check_section

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from logger.config import Config
    from logger.reading import Reading
    from logger.refusals import Refusals

#: Module of each kind; every one offers ``SETTINGS`` (a Section) and ``build(config) -> Source``.
MODULES = {
    "serial": "logger.sources.serial_line",
    "ble": "logger.sources.ble",
    "hwmon": "logger.sources.hwmon",
    "modbus_tcp": "logger.sources.modbus_tcp",
    "can": "logger.sources.can.source",
    "replay": "logger.sources.replay",
    "simulated": "logger.sources.simulated",
}
#: The table of each link in a description, and the kind of source that it is for: the module of
#: that kind offers the table as ``TABLE`` (a Section) and ``check_table(description)``.
LINKS = {"line": "serial", "ble": "ble", "hwmon": "hwmon"}


class Source(Protocol):
    """Something that gives readings: a port, a radio link, a recording, an invented charger.

    A source lives as long as the process; each call of :meth:`readings` is one session on it.

    Attributes
    ----------
    live
        True if ``Reading.time_s`` is on ``CLOCK_BOOTTIME``, False if it is Unix time.
    refusals
        What was refused so far, by reason, over all sessions.
    """

    live: bool
    refusals: Refusals

    def readings(self) -> AsyncIterator[Reading]:
        """Open the link and give readings as they arrive.

        Ends when a finite source is exhausted. Everything that is opened is closed again when
        the iterator ends, fails or is closed.

        Raises
        ------
        logger.errors.SourceError
            If the link cannot be opened or is lost; calling again makes sense.
        """
        ...

    def describe(self) -> str:
        """Name the source in a few words for a person, such as the port and the decoder."""
        ...

    def hold(self, seconds: float) -> None:
        """Let readings of this session wait for up to ``seconds``, so that several come together.

        0 gives each at once again. It spares the processor; a source that cannot wait, or gains
        nothing by it, does nothing.
        """
        ...

    def rest(self) -> list[Reading]:
        """Return the readings that still wait after :meth:`readings` was ended from outside."""
        ...

    async def close(self) -> None:
        """Release everything that outlives a session."""
        ...


def checked_settings(config: Config, section: Section) -> dict[str, Any]:
    """Check the [source] table against what one kind of source accepts.

    ``section`` lists the kind's own settings; ``kind`` itself is accepted everywhere.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    kind = Setting("kind", "text", "", "which kind of source this is")
    full = Section("source", (kind, *section.settings), section.help)
    return check_section(config.document, full, config.source, "source")
