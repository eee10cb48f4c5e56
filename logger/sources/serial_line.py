"""Readings over a serial line, by configuration alone.

Only the configured requests are ever written to the port; without any, nothing is. (The kernel may
echo bytes that arrive in the instant between opening a port and switching its echo off.)
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from logger.errors import SourceError
from logger.refusals import shown
from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import checked_settings
from logger.sources.described import EAGER_S, DescribedSource, refuse_links
from logger.sources.description import (
    DESCRIPTION_SETTINGS,
    Description,
    configured_description,
)
from logger.sources.link.conversation import opened
from logger.sources.link.port import LineSettings, PortLink

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from logger.config import Config
    from logger.reading import Reading

#: Kinds of port URL of pyserial 3.5 that read a port, and whether they reach over a network. Its
#: spy:// is left out: it writes whatever passes into any file that the URL names.
SCHEMES = {
    "alt": False,
    "cp2110": False,
    "hwgrep": False,
    "loop": False,
    "rfc2217": True,
    "socket": True,
}

#: Longest name of a port: that of a file (PATH_MAX of Linux is 4096), with what a URL adds.
_LONGEST_PORT = 5000

TABLE = Section(
    "line",
    (
        Setting("baud", "whole", 9600, "speed", "bit/s", 50, 4000000),
        Setting("data_bits", "whole", 8, "bits in a character", "", 5, 8),
        Setting(
            "parity",
            "text",
            "none",
            "parity bit",
            choices=("none", "even", "odd", "mark", "space"),
        ),
        Setting("stop_bits", "number", 1.0, "stop bits: 1, 1.5 or 2", "", 1, 2),
        Setting("rts_cts", "flag", False, "flow control by RTS and CTS"),
        Setting("dtr", "flag", True, "level of DTR while open; some boards reset by it"),
        Setting("rts", "flag", True, "level of RTS while open"),
    ),
    "how the serial port is set",
)
SETTINGS = Section(
    "source",
    (
        Setting(
            "port",
            "text",
            REQUIRED,
            "the port: best a link in /dev/serial/by-id/, which stays the same after replugging",
        ),
        Setting(
            "allow_network",
            "flag",
            False,
            "allow socket:// and rfc2217:// ports; these have neither encryption nor "
            "authentication: anyone on the network can read and forge what comes over them",
        ),
        Setting("line", "table", None, "how the serial port is set"),
        *DESCRIPTION_SETTINGS,
    ),
    "a device on a serial line",
)


class SerialSource(DescribedSource):
    """A device on a serial line."""

    def __init__(
        self,
        port: str,
        line: LineSettings,
        description: Description,
    ) -> None:
        super().__init__(port, description, eager_s=0.0 if "://" in port else EAGER_S)
        self.port = port
        self.line = line
        self._link: PortLink | None = None

    async def readings(self) -> AsyncIterator[Reading]:
        """Open the port and give readings; see :class:`logger.sources.base.Source`."""
        if self._link is not None and self._link.thread.is_alive():
            # The driver hangs; another thread on the same port would hang as well.
            raise SourceError(f"{self.port}: the last session still hangs in the driver")
        link = self._link = PortLink(self.port, self.line)
        self.pipeline.reset(opened_s=time.clock_gettime(time.CLOCK_BOOTTIME))
        async with opened(link, self.refusals):
            async for reading in self._converse(link).readings():
                yield reading


def build(config: Config) -> SerialSource:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    port = settings["port"]
    check_port(config, port, allow_network=settings["allow_network"])
    description = configured_description(config, settings)
    if description.decoder.packets:
        raise description.place.error(
            "needs kind = 'ble': a serial line has neither characteristics nor packets", "decoder"
        )
    if not 1 <= getattr(description.decoder, "unit", 1) <= 247:
        raise description.place.error("accepted on a serial line: 1 to 247", "decoder", "unit")
    return SerialSource(port, check_table(description), description)


def check_port(config: Config, port: str, *, allow_network: bool) -> None:
    """Refuse port URLs that are unknown, or reach over a network without leave."""
    scheme, found, _ = port.partition("://")
    fits = 0 < len(port) <= _LONGEST_PORT and port.isprintable()
    if not fits or (found and scheme.lower() not in SCHEMES):
        accepted = ", ".join(f"{name}://" for name in SCHEMES)
        raise config.document.error(
            f"got {shown(port)}; accepted: the path of a device, or one of {accepted}",
            "source",
            "port",
        )
    if found and SCHEMES[scheme.lower()] and not allow_network:
        raise config.document.error(
            f"{scheme}:// reaches over the network without encryption or authentication: anyone "
            f"there can read and forge the readings. Set allow_network = true if that is "
            f"acceptable",
            "source",
            "port",
        )


def check_table(description: Description) -> LineSettings:
    """Check the [line] table of a description."""
    table: Any = description.tables.get("line")
    values = description.place.under("line").checked(TABLE, table)
    if values["stop_bits"] not in {1, 1.5, 2}:
        raise description.place.error("accepted: 1, 1.5 or 2", "line", "stop_bits")
    refuse_links(description, "on a serial line", "line")
    return LineSettings(**values)
