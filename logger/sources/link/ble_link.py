"""Sessions on Bluetooth LE: connected to a device, or only listening to its advertisements.

Every call to the radio has a time limit of its own, because some calls never return.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.errors import SourceError
from logger.refusals import printable
from logger.sources.decoders.characteristics import full_uuid, short_name
from logger.sources.link.inbox import Inbox

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

_LOST = "the radio link was lost"


@dataclass(frozen=True, slots=True)
class RadioSettings:
    """Characteristics and advertised data that are used; see the [ble] table of a description.

    UUIDs are in their long form. ``company`` and ``service_data`` select advertised data.
    """

    notify: tuple[str, ...] = ()
    read: tuple[str, ...] = ()
    write: str = ""
    read_every_s: float = 5.0
    company: int | None = None
    service_data: str = ""
    advertised_every_s: float = 1.0
    scan_s: float = 15.0
    call_s: float = 10.0
    adapter: str = ""

    @property
    def advertised(self) -> bool:
        """True if the device is only listened to, never connected to."""
        return self.company is not None or bool(self.service_data)

    def backend(self) -> Any:  # noqa: ANN401 - the library takes a dict of its own
        """Return the library's arguments for the adapter."""
        return {"bluez": {"adapter": self.adapter}} if self.adapter else {}


async def find_connected(address: str, radio: RadioSettings) -> BLEDevice | None:
    """Return the device if a crash left it connected; then no scan shows it."""
    from bleak import BleakAdapter

    async with asyncio.timeout(radio.call_s):
        adapter = await BleakAdapter.get(**radio.backend())
        for device in await adapter.get_connected_devices():
            if device.address.upper() == address:
                return device
    return None


async def find_advertising(address: str, radio: RadioSettings) -> BLEDevice | None:
    """Look for the device in a scan."""
    from bleak import BleakScanner

    # Scan without a filter for services, because some versions of BlueZ fail on such a filter.
    async with asyncio.timeout(radio.scan_s + radio.call_s):
        return await BleakScanner.find_device_by_address(
            address, timeout=radio.scan_s, **radio.backend()
        )


class Connection:
    """A session on one device: notifications, scheduled reads, and the configured questions."""

    def __init__(self, device: BLEDevice, radio: RadioSettings) -> None:
        from bleak import BleakClient

        self.inbox = Inbox()
        self.receive = self.inbox.receive
        self._radio = radio
        self._reader: asyncio.Task[None] | None = None
        self._asks: BleakGATTCharacteristic | None = None
        self._connected = False
        self.client: BleakClient = BleakClient(device, self._lost, timeout=radio.call_s)

    async def open(self) -> None:
        """Connect, and turn notifications on.

        Raises
        ------
        SourceError
            If the device lacks a characteristic. The library's own errors pass.
        """
        await self.client.connect()
        self._connected = True
        if not self.client.is_connected:
            raise SourceError(_LOST)
        missing: list[str] = []
        reads = self._found(self._radio.read, missing)
        for characteristic in self._found(self._radio.notify, missing):
            if {"notify", "indicate"} & set(characteristic.properties):
                await self._subscribe(characteristic)
                # It notifies, so do not read it as well: each value would come twice.
                reads = [c for c in reads if c.uuid != characteristic.uuid]
            elif characteristic not in reads:
                reads.append(characteristic)
        if self._radio.write:
            self._asks = next(iter(self._found((self._radio.write,), missing)), None)
        if missing:
            raise SourceError(f"has no characteristic {', '.join(missing)}")
        if reads:
            self._reader = asyncio.create_task(self._read(reads))

    async def send(self, payload: bytes) -> None:
        """Write a question to the characteristic for questions."""
        if self._asks is None:
            raise SourceError("no characteristic takes questions; set write in [ble]")
        async with asyncio.timeout(self._radio.call_s):
            await self.client.write_gatt_char(
                self._asks, payload, response="write" in self._asks.properties
            )

    async def close(self) -> None:
        """Stop reading and disconnect, within the time limit."""
        if self._reader is not None:
            self._reader.cancel()
            await asyncio.gather(self._reader, return_exceptions=True)
        await quietly(self.client.disconnect(), self._radio.call_s)

    def _lost(self, _: BleakClient) -> None:
        # The library also calls this for failed tries while it connects; those do not count.
        if self._connected:
            self.inbox.put(SourceError(_LOST))

    def _found(self, uuids: tuple[str, ...], missing: list[str]) -> list[BleakGATTCharacteristic]:
        found = []
        for uuid in uuids:
            characteristic = self.client.services.get_characteristic(uuid)
            if characteristic is None:
                missing.append(short_name(uuid))
            else:
                found.append(characteristic)
        return found

    async def _subscribe(self, characteristic: BleakGATTCharacteristic) -> None:
        def arrived(_: object, data: bytearray) -> None:
            self._put(characteristic.uuid, bytes(data))

        async with asyncio.timeout(self._radio.call_s):
            await self.client.start_notify(characteristic, arrived)

    def _put(self, channel: str, data: bytes) -> None:
        self.inbox.put((time.clock_gettime(time.CLOCK_BOOTTIME), data, channel))

    async def _read(self, characteristics: list[BleakGATTCharacteristic]) -> None:
        try:
            while True:
                for characteristic in characteristics:
                    async with asyncio.timeout(self._radio.call_s):
                        data = await self.client.read_gatt_char(characteristic)
                    self._put(characteristic.uuid, bytes(data))
                await asyncio.sleep(self._radio.read_every_s)
        except radio_errors() as error:
            self.inbox.put(SourceError(explain(error)))


class Advertisements:
    """A session that listens to the advertisements of one device, without a connection."""

    def __init__(self, address: str, radio: RadioSettings) -> None:
        from bleak import BleakScanner

        self.inbox = Inbox()
        self.receive = self.inbox.receive
        self._address = address
        self._radio = radio
        self._taken_s = float("-inf")
        self._scanner = BleakScanner(self._heard, **radio.backend())

    async def open(self) -> None:
        """Begin to listen."""
        async with asyncio.timeout(self._radio.call_s):
            await self._scanner.start()

    async def send(self, payload: bytes) -> None:
        """Refuse, because a device without a connection cannot be asked."""
        raise SourceError(f"cannot send {len(payload)} bytes to a device that only advertises")

    async def close(self) -> None:
        """Stop listening."""
        await quietly(self._scanner.stop(), self._radio.call_s)

    def _heard(self, device: BLEDevice, said: AdvertisementData) -> None:
        if device.address.upper() != self._address:
            return
        now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
        # Accept one that is up to a tenth early: devices keep the advertised spacing only roughly.
        if now_s - self._taken_s < 0.9 * self._radio.advertised_every_s:
            return
        if self._radio.company is not None:
            data = said.manufacturer_data.get(self._radio.company)
        else:
            data = said.service_data.get(self._radio.service_data)
        if data is not None:
            self._taken_s = now_s
            self.inbox.put((now_s, bytes(data), self._radio.service_data))


def radio_errors() -> tuple[type[Exception], ...]:
    """Return the errors that the library raises when the radio, BlueZ or the bus fails."""
    from bleak.exc import BleakError

    return (BleakError, OSError, EOFError, TimeoutError)


async def quietly(call: Any, limit_s: float) -> None:  # noqa: ANN401 - any awaitable
    """Await a call that may fail or hang, and ignore that, because the session ends anyway."""
    with contextlib.suppress(*radio_errors()):
        async with asyncio.timeout(limit_s):
            await call


def explain(error: BaseException) -> str:
    """Say in one line what is wrong with a radio link."""
    if isinstance(error, TimeoutError):
        return "a call to the radio took too long"
    if code := getattr(getattr(error, "code", None), "name", ""):
        return f"the device refused: {code.lower().replace('_', ' ')}"
    text = printable(" ".join(str(error).split()), 160)
    if "POWERED_OFF" in repr(error) or "powered off" in text.lower():
        return "the Bluetooth adapter is off"
    absent = "NO_BLUETOOTH" in repr(error) or "ServiceUnknown" in text
    if absent or isinstance(error, FileNotFoundError):
        return "there is no Bluetooth adapter, or BlueZ does not run"
    return text or type(error).__name__


def radio_settings(table: dict[str, Any]) -> RadioSettings:
    """Make the settings from a checked [ble] table; UUIDs in it are valid."""
    values = dict(table)
    for key in ("notify", "read"):
        values[key] = tuple(full_uuid(uuid) or uuid for uuid in table[key])
    for key in ("write", "service_data"):
        values[key] = full_uuid(table[key]) or ""
    values["company"] = int(table["company"], 16) if table["company"] else None
    return RadioSettings(**values)
