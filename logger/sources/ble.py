"""Readings from a Bluetooth LE device through BlueZ, by configuration alone.

Nothing is written to the device except the switch that turns notifications on. The library's word
is not taken for whether the link lives: the supervisor judges by the age of the data, every call
has a limit of its own. A device left connected, by a crash or by a disconnect that BlueZ never
answered, cannot be seen in a scan: it is looked for on the first try and after each scan in vain,
never twice in a row (after BlueZ has died, the library's memory goes on showing a ghost).
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import time
from typing import TYPE_CHECKING, Any

from logger.errors import SourceError
from logger.refusals import Refusals, printable
from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import checked_settings
from logger.sources.decoders.characteristics import full_uuid, short_name, uuid_of
from logger.sources.description import (
    DESCRIPTION_SETTINGS,
    Description,
    configured_description,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from bleak import BleakClient
    from bleak.backends.device import BLEDevice

    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.pipeline import Outcome, Pipeline

#: Values that may wait for a busy reader.
MOST_WAITING = 1000

BLE = Section(
    "ble",
    (
        Setting(
            "notify", "list", [], "UUIDs to be notified of; those that [fields] names if left out"
        ),
        Setting("read", "list", [], "UUIDs to be read on a schedule"),
        Setting("read_every_s", "number", 5.0, "spacing of scheduled reads", "s", 0.1, 86400),
        Setting("scan_s", "number", 15.0, "how long to look for the device", "s", 1, 600),
        Setting("call_s", "number", 10.0, "how long one call may take", "s", 0.1, 120),
        Setting("adapter", "text", "", "such as hci1; the first one if left out"),
    ),
    "which characteristics are listened to",
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
_ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")


class BleSource:
    """A device on Bluetooth LE; see :class:`logger.sources.base.Source`."""

    live = True

    def __init__(self, address: str, settings: dict[str, Any], description: Description) -> None:
        self.address = address.upper()
        self.description = description
        self.delays = description.delays
        self.refusals = Refusals()
        self.pipeline: Pipeline = description.pipeline(self.refusals)
        self._settings = settings
        self._look_connected = True
        self._tap: Callable[[float, bytes, bool, str], None] | None = None

    def observe(
        self, watch: Callable[[Outcome], None], tap: Callable[[float, bytes, bool, str], None]
    ) -> None:
        """Tell ``watch`` what became of each value, and ``tap`` each value and its UUID."""
        self.pipeline.watch = watch
        self._tap = tap

    def describe(self) -> str:
        """Name the device and what is spoken."""
        label = f"{self.description.label}, " if self.description.label else ""
        return f"{label}{self.description.decoder_kind} on {self.address}"

    async def close(self) -> None:
        """Release nothing: a session disconnects by itself."""

    async def readings(self) -> AsyncIterator[Reading]:
        """Connect and give readings; see :class:`logger.sources.base.Source`."""
        from bleak import BleakClient
        from bleak.exc import BleakError

        self.pipeline.reset()
        try:
            device = await self._find()
            async with contextlib.AsyncExitStack() as stack:
                gone = asyncio.Event()
                client = BleakClient(device, lambda _: gone.set(), timeout=self._settings["call_s"])
                # Registered first, so that a connect that fails half way is undone as well.
                stack.push_async_callback(self._disconnect, client)
                await client.connect()
                values: asyncio.Queue[tuple[float, str, bytes]] = asyncio.Queue(MOST_WAITING)
                reads = await self._subscribe(client, values)
                if reads:
                    reader = asyncio.create_task(self._read(client, reads, values))
                    stack.push_async_callback(_end, reader)
                else:
                    reader = None
                while True:
                    value = await _next(values, gone, reader)
                    for reading in self._feed(*value):
                        yield reading
        except (BleakError, OSError, EOFError, TimeoutError) as error:
            raise SourceError(f"{self.address}: {_explain(error)}") from None

    async def _find(self) -> BLEDevice:
        """Return the device: left connected by a crash, or seen in a scan."""
        from bleak import BleakAdapter, BleakScanner

        arguments: Any = {}
        if self._settings["adapter"]:
            arguments = {"bluez": {"adapter": self._settings["adapter"]}}
        if self._look_connected:
            self._look_connected = False
            async with asyncio.timeout(self._settings["call_s"]):
                adapter = await BleakAdapter.get(**arguments)
                for device in await adapter.get_connected_devices():
                    if device.address.upper() == self.address:
                        return device
        # A scan without a filter for services: some versions of BlueZ fail on such a filter.
        async with asyncio.timeout(self._settings["scan_s"] + self._settings["call_s"]):
            found = await BleakScanner.find_device_by_address(
                self.address, timeout=self._settings["scan_s"], **arguments
            )
        if found is None:
            # Perhaps because it is connected: a connected device does not advertise.
            self._look_connected = True
            raise SourceError(f"{self.address}: not seen; is it on, and near enough?")
        return found

    async def _subscribe(
        self, client: BleakClient, values: asyncio.Queue[tuple[float, str, bytes]]
    ) -> list[str]:
        """Turn notifications on; return what must be read instead."""
        wanted = [full_uuid(u) or u for u in self._settings["notify"]]
        reads = [full_uuid(u) or u for u in self._settings["read"]]
        if not wanted and not reads:
            named = (uuid_of(f.source) for f in self.description.fields)
            wanted = list(dict.fromkeys(u for u in named if u is not None))
        missing = []
        for uuid in wanted:
            characteristic = client.services.get_characteristic(uuid)
            if characteristic is None:
                missing.append(short_name(uuid))
                continue
            if not {"notify", "indicate"} & set(characteristic.properties):
                reads.append(uuid)
                continue

            def arrived(_: object, data: bytearray, uuid: str = uuid) -> None:
                self._put(values, uuid, bytes(data))

            async with asyncio.timeout(self._settings["call_s"]):
                await client.start_notify(characteristic, arrived)
        missing += [short_name(u) for u in reads if client.services.get_characteristic(u) is None]
        if missing:
            raise SourceError(f"{self.address}: has no characteristic {', '.join(missing)}")
        return reads

    def _put(self, values: asyncio.Queue[tuple[float, str, bytes]], uuid: str, data: bytes) -> None:
        try:
            values.put_nowait((time.clock_gettime(time.CLOCK_BOOTTIME), uuid, data))
        except asyncio.QueueFull:
            self.refusals.count("arrived faster than it could be read")

    async def _read(
        self,
        client: BleakClient,
        uuids: list[str],
        values: asyncio.Queue[tuple[float, str, bytes]],
    ) -> None:
        while True:
            for uuid in uuids:
                async with asyncio.timeout(self._settings["call_s"]):
                    self._put(values, uuid, bytes(await client.read_gatt_char(uuid)))
            await asyncio.sleep(self._settings["read_every_s"])

    def _feed(self, time_s: float, uuid: str, data: bytes) -> list[Reading]:
        if self._tap is not None:
            self._tap(time_s, data, False, uuid)
        return self.pipeline.feed(time_s, data, uuid)

    async def _disconnect(self, client: BleakClient) -> None:
        from bleak.exc import BleakError

        with contextlib.suppress(BleakError, OSError, EOFError, TimeoutError):
            async with asyncio.timeout(self._settings["call_s"]):
                await client.disconnect()


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


async def _next(
    values: asyncio.Queue[tuple[float, str, bytes]],
    gone: asyncio.Event,
    reader: asyncio.Task[None] | None,
) -> tuple[float, str, bytes]:
    """Return the next value; raise SourceError once the link is gone or reading fails."""
    if not values.empty():
        return values.get_nowait()
    waiting: set[asyncio.Task[Any]] = {
        asyncio.create_task(values.get()),
        asyncio.create_task(gone.wait()),
    }
    try:
        watched = waiting | ({reader} if reader is not None else set())
        await asyncio.wait(watched, return_when=asyncio.FIRST_COMPLETED)
        if reader is not None and reader.done():
            reader.result()
        if gone.is_set():
            raise SourceError("the radio link was lost")
        value = next(t for t in waiting if t.done() and t.result() is not True)
        result: tuple[float, str, bytes] = value.result()
        return result
    finally:
        for task in waiting:
            task.cancel()
        await asyncio.gather(*waiting, return_exceptions=True)


def _explain(error: BaseException) -> str:
    """Say in one line what is wrong with a radio link."""
    if isinstance(error, TimeoutError):
        return "a call to the radio took too long"
    text = printable(" ".join(str(error).split()), 160)
    if "POWERED_OFF" in repr(error) or "powered off" in text.lower():
        return "the Bluetooth adapter is off"
    if "NO_BLUETOOTH" in repr(error) or isinstance(error, FileNotFoundError):
        return "there is no Bluetooth adapter, or BlueZ does not run"
    return text or type(error).__name__


def build(config: Config) -> BleSource:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    if not _ADDRESS.fullmatch(settings["address"]):
        raise config.document.error(
            f"got {settings['address']!r}; accepted: six pairs of hexadecimal digits such as "
            f"AA:BB:CC:DD:EE:01",
            "source",
            "address",
        )
    description = configured_description(config, settings)
    if description.poll is not None:
        raise description.place.error("belongs to a serial line; nothing is written here", "poll")
    if description.tables.get("line") is not None:
        raise description.place.error("belongs to a serial line; use [ble] here", "line")
    table: Any = description.tables.get("ble")
    ble = description.place.under("ble").checked(BLE, table)
    for key in ("notify", "read"):
        for uuid in ble[key]:
            if not isinstance(uuid, str) or full_uuid(uuid) is None:
                raise description.place.error(
                    f"got {uuid!r}; accepted: UUIDs of four or 32 hexadecimal digits", "ble", key
                )
    needs_names = description.decoder_kind != "characteristics"
    if needs_names and not ble["notify"] and not ble["read"]:
        raise description.place.error(
            "needs notify or read: text can come from any characteristic", "ble"
        )
    return BleSource(settings["address"], ble, description)
