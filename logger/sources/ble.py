"""Readings from a Bluetooth LE device through BlueZ, by configuration alone.

Nothing is written to the device except the switch that turns notifications on and, where [poll]
asks for it, the configured questions. The library's word is not taken for whether the link lives:
the supervisor judges by the age of the data. A device left connected, by a crash or by a disconnect
that BlueZ never answered, cannot be seen in a scan: it is looked for on the first try and after
each scan in vain, never twice in a row (after BlueZ has died, the library's memory goes on showing
a ghost).
"""

from __future__ import annotations

import asyncio
import logging
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from logger.durations import DAY_S
from logger.errors import SourceError
from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import checked_settings
from logger.sources.decoders.characteristics import full_uuid, uuid_of
from logger.sources.described import DescribedSource, refuse_links
from logger.sources.description import (
    DESCRIPTION_SETTINGS,
    Description,
    configured_description,
)
from logger.sources.link.ble_link import (
    Advertisements,
    Connection,
    RadioSettings,
    explain,
    find_advertising,
    find_connected,
    radio_errors,
    radio_settings,
)
from logger.sources.link.conversation import opened

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from bleak.backends.device import BLEDevice

    from logger.config import Config
    from logger.reading import Reading

TABLE = Section(
    "ble",
    (
        Setting(
            "notify",
            "list",
            [],
            "UUIDs whose changes the device sends; those that [fields] names if left out",
        ),
        Setting("read", "list", [], "UUIDs that are read again and again, every read_every_s"),
        Setting(
            "read_every_s",
            "number",
            5.0,
            "time from one reading of them to the next",
            "s",
            0.1,
            DAY_S,
        ),
        Setting("write", "text", "", "UUID to which the questions of [poll] are written"),
        Setting(
            "company",
            "text",
            "",
            "decode the manufacturer data that the device advertises under this company number "
            "(four hexadecimal digits), without a connection",
        ),
        Setting(
            "service_data",
            "text",
            "",
            "decode the service data that the device advertises under this UUID, without a "
            "connection",
        ),
        Setting(
            "advertised_every_s",
            "number",
            1.0,
            "take one advertisement in this time, however many come",
            "s",
            0,
            DAY_S,
        ),
        Setting("scan_s", "number", 15.0, "how long to look for the device", "s", 1, 600),
        Setting(
            "call_s",
            "number",
            10.0,
            "how long the radio may take for one connection, read or write",
            "s",
            0.1,
            120,
        ),
        Setting(
            "adapter",
            "text",
            "",
            "Bluetooth adapter of this machine, such as hci1; the first one if left out",
        ),
    ),
    "the characteristics or advertised data that are used",
)
SETTINGS = Section(
    "source",
    (
        Setting("address", "text", REQUIRED, "address of the device, such as AA:BB:CC:DD:EE:01"),
        Setting("ble", "table", None, "which characteristics are listened to"),
        *DESCRIPTION_SETTINGS,
    ),
    "a device on Bluetooth LE",
)
# The library warns at each dropout; this program reports trouble once.
logging.getLogger("bleak").setLevel(logging.ERROR)
#: Form of an address.
ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")
_COMPANY = re.compile(r"[0-9A-Fa-f]{4}")
_UUID_WORDS = "accepted: UUIDs of four or 32 hexadecimal digits"


class BleSource(DescribedSource):
    """A device on Bluetooth LE."""

    def __init__(self, address: str, radio: RadioSettings, description: Description) -> None:
        super().__init__(address.upper(), description)
        self.address = address.upper()
        self._radio = radio
        self._look_connected = True

    async def readings(self) -> AsyncIterator[Reading]:
        """Connect and give readings; see :class:`logger.sources.base.Source`."""
        self.pipeline.reset()
        asyncio.get_running_loop().set_exception_handler(self._left_over)
        try:
            link: Advertisements | Connection
            if self._radio.advertised:
                link = Advertisements(self.address, self._radio)
            else:
                link = Connection(await self._find(), self._radio)
            async with opened(link, self.refusals):
                async for reading in self._converse(link).readings():
                    yield reading
        except SourceError as error:
            raise SourceError(f"{self.address}: {error}") from None
        except radio_errors() as error:
            raise SourceError(f"{self.address}: {explain(error)}") from None

    def _left_over(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Count the errors that the library leaves after a lost bus, instead of logging each."""
        forgotten = "never retrieved" in context["message"]
        if forgotten and isinstance(context.get("exception"), OSError | EOFError):
            self.refusals.count("a call to the radio was lost with its link")
        else:
            loop.default_exception_handler(context)

    async def _find(self) -> BLEDevice:
        """Return the device: left connected by a crash, or seen in a scan."""
        if self._look_connected:
            self._look_connected = False
            device = await find_connected(self.address, self._radio)
            if device is not None:
                return device
        device = await find_advertising(self.address, self._radio)
        if device is None:
            # It may be connected: a connected device does not advertise.
            self._look_connected = True
            raise SourceError("not seen; is it on, and near enough?")
        return device


def build(config: Config) -> BleSource:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    if not ADDRESS.fullmatch(settings["address"]):
        raise config.document.error(
            f"got {settings['address']!r}; accepted: six pairs of hexadecimal digits such as "
            f"AA:BB:CC:DD:EE:01",
            "source",
            "address",
        )
    description = configured_description(config, settings)
    refuse_links(description, "on a radio link", "ble")
    radio = check_table(description)
    if description.poll is not None and not radio.write:
        raise description.place.error(
            "needs write in [ble]: the UUID to which the questions are written", "poll"
        )
    if radio.write and description.poll is None:
        raise description.place.error("needs [poll]: nothing else is ever written", "ble", "write")
    listens = radio.notify or radio.read or radio.advertised
    if not listens and description.decoder_kind == "characteristics":
        named = (uuid_of(f.source) for f in description.fields)
        radio = replace(radio, notify=tuple(dict.fromkeys(u for u in named if u is not None)))
    elif not listens:
        raise description.place.error(
            "needs notify, read, company or service_data: these bytes can come from anywhere",
            "ble",
        )
    return BleSource(settings["address"], radio, description)


def check_table(description: Description) -> RadioSettings:
    """Check the [ble] table of a description."""
    table: Any = description.tables.get("ble")
    place = description.place.under("ble")
    ble = place.checked(TABLE, table)
    for key in ("notify", "read", "write", "service_data"):
        uuids = ble[key] if isinstance(ble[key], list) else [ble[key]] if ble[key] else []
        for uuid in uuids:
            if not isinstance(uuid, str) or full_uuid(uuid) is None:
                raise place.error(f"got {uuid!r}; {_UUID_WORDS}", key)
    if ble["company"] and not _COMPANY.fullmatch(ble["company"]):
        raise place.error(
            f"got {ble['company']!r}; accepted: four hexadecimal digits such as FFFF", "company"
        )
    advertised = [key for key in ("company", "service_data") if ble[key]]
    connected = [key for key in ("notify", "read", "write") if ble[key]]
    if len(advertised) > 1 or (advertised and connected):
        raise place.error(
            f"stands beside {(advertised[1:] + connected)[0]}; a device is either connected to or "
            f"only listened to, under one number",
            advertised[0],
        )
    return radio_settings(ble)
