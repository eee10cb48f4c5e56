"""Readings of a device on a CAN bus: listened to, never asked, by the user's own DBC."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import checked_settings
from logger.sources.can.bus import BusLink
from logger.sources.can.signals import CanDecoder
from logger.sources.described import EAGER_S, DescribedSource, refuse_links
from logger.sources.description import DESCRIPTION_SETTINGS, configured_description

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.description import Description

SETTINGS = Section(
    "source",
    (
        Setting(
            "interface",
            "text",
            REQUIRED,
            "the CAN interface, such as can0; the bit rate must be set and the interface up",
        ),
        Setting(
            "every_s",
            "number",
            None,
            "one frame of each kind is taken in this time, the others are skipped; log.interval_s "
            "if left out",
            "s",
            0.01,
            3600,
        ),
        *DESCRIPTION_SETTINGS,
    ),
    "a device on a CAN bus, which is only listened to",
)
#: Names of interfaces are at most 15 characters (IFNAMSIZ).
_INTERFACE = re.compile(r"[^\s/]{1,15}")


class CanSource(DescribedSource):
    """A device on a CAN bus."""

    def __init__(
        self, interface: str, every_s: float, description: Description, decoder: CanDecoder
    ) -> None:
        super().__init__(interface, description, eager_s=EAGER_S)
        self.interface = interface
        self._every_s = every_s
        self._decoder = decoder

    def readings(self) -> AsyncIterator[Reading]:
        """Listen and give readings; see :class:`logger.sources.base.Source`."""
        return self._session(BusLink(self.interface, self._decoder, self._every_s, self.refusals))


def build(config: Config) -> CanSource:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    interface = checked_interface(config)
    description = configured_description(config, settings)
    decoder = checked_decoder(description)
    every_s = settings["every_s"] or config.log.interval_s
    return CanSource(interface, every_s, description, decoder)


def checked_interface(config: Config) -> str:
    """Return the name of the interface.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    interface: str = settings["interface"]
    if not _INTERFACE.fullmatch(interface):
        raise config.document.error(
            f"got {interface!r}; accepted: the name of a network interface, such as can0",
            "source",
            "interface",
        )
    return interface


def checked_decoder(description: Description) -> CanDecoder:
    """Check that a description suits a CAN bus, and return its decoder, set to its fields."""
    place, decoder = description.place, description.decoder
    if not isinstance(decoder, CanDecoder):
        raise place.error(
            f"got {description.decoder_kind!r}; accepted on a CAN bus: 'can'", "decoder", "kind"
        )
    refuse_links(description, "on a CAN bus", polled=False)
    names = frozenset(f.source for f in description.fields)
    words = frozenset(f.source for f in description.fields if f.channel == "state")
    decoder.want(names, words)
    return decoder
