"""Readings of a device with Modbus TCP, such as one that follows SunSpec.

Only functions 3 and 4, which read, are ever sent.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import checked_settings
from logger.sources.described import EAGER_S, DescribedSource, refuse_links
from logger.sources.description import DESCRIPTION_SETTINGS, configured_description
from logger.sources.link.tcp import TcpLink

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.description import Description

#: The port that is registered for Modbus (IANA: mbap).
PORT = 502
#: Decoders whose questions are Modbus.
DECODERS = ("modbus", "sunspec")

SETTINGS = Section(
    "source",
    (
        Setting("host", "text", REQUIRED, "address or name of the device, such as 192.0.2.10"),
        Setting("port", "whole", PORT, "TCP port on which it listens", "", 1, 65535),
        Setting(
            "allow_network",
            "flag",
            False,
            "must be true: Modbus TCP has neither encryption nor authentication: anyone on the "
            "network can read and forge what comes over it",
        ),
        *DESCRIPTION_SETTINGS,
    ),
    "a device with Modbus TCP; 'ebbwatt probe' writes the description of one that follows SunSpec",
)


class ModbusTcpSource(DescribedSource):
    """A device with Modbus TCP."""

    def __init__(self, host: str, port: int, description: Description) -> None:
        poll = description.poll
        if poll is not None and "late_s" not in (description.tables.get("poll") or {}):
            # An answer names its question, so a late one cannot be confused with another.
            description = replace(description, poll=replace(poll, late_s=0.0))
        super().__init__(f"{host}:{port}", description, eager_s=EAGER_S)
        self.host = host
        self.port = port

    def readings(self) -> AsyncIterator[Reading]:
        """Connect and give readings; see :class:`logger.sources.base.Source`."""
        return self._session(TcpLink(self.host, self.port, self.refusals))


def build(config: Config) -> ModbusTcpSource:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    host, port = checked_address(config)
    description = configured_description(config, settings)
    if description.decoder_kind not in DECODERS:
        raise description.place.error(
            f"got {description.decoder_kind!r}; accepted here: {', '.join(DECODERS)}",
            "decoder",
            "kind",
        )
    refuse_links(description, "over TCP")
    return ModbusTcpSource(host, port, description)


def checked_address(config: Config) -> tuple[str, int]:
    """Return host and port of the device, if the configuration allows to reach them.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    host = settings["host"]
    if not host.strip() or not host.isprintable() or {"/", " "} & {*host}:
        raise config.document.error(
            f"got {host!r}; accepted: an address such as 192.0.2.10, or a name; no scheme, no port",
            "source",
            "host",
        )
    if not settings["allow_network"]:
        raise config.document.error(
            "Modbus TCP reaches over the network without encryption or authentication: anyone "
            "there can read and forge the readings. Set allow_network = true if that is acceptable",
            "source",
            "allow_network",
        )
    return host, settings["port"]
