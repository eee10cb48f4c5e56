"""Lists Bluetooth LE devices for ``ebbwatt probe --scan``, and what one of them offers.

Names, texts and values come from strangers: each passes :func:`analysis.text.harmless` before it
is shown, and only a bounded number of them is. Nothing is written to any device.
"""

from __future__ import annotations

import asyncio
import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.text import harmless
from logger.errors import EbbwattError, SourceError
from logger.sources.decoders.characteristics import (
    CharacteristicsDecoder,
    by_format,
    full_uuid,
    short_name,
)
from logger.sources.decoders.sig import NAMES, UNITS, Presentation, presentation
from logger.sources.decoding import Context, Message
from logger.sources.link.ble_link import (
    Connection,
    RadioSettings,
    explain,
    find_advertising,
    find_connected,
    radio_errors,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.scanner import AdvertisementData

    from logger.sources.decoding import Value

#: So many devices, services of one device, and characteristics are shown at most.
MOST_DEVICES, MOST_SERVICES, MOST_CHARACTERISTICS = 60, 6, 120
#: Bytes of a value that are shown as they came.
MOST_BYTES = 24
PRESENTATION = full_uuid("2904")
#: A value of several bytes that nothing named: it stands as hexadecimal digits alone.
_MAY_BE_PACKED = re.compile(r"[0-9a-f]{2}(?: [0-9a-f]{2}){3,}")


@dataclass(frozen=True, slots=True)
class Seen:
    """A device in a scan; ``rssi_dbm`` is None where it is connected and says nothing."""

    address: str
    name: str
    rssi_dbm: int | None
    services: tuple[str, ...] = ()
    advertised: tuple[str, ...] = ()

    def lines(self) -> Iterator[str]:
        """Write it for a terminal: one line, and one more for each kind of advertised data."""
        signal = "connected" if self.rssi_dbm is None else f"{self.rssi_dbm} dBm"
        names = [called(uuid) for uuid in self.services[:MOST_SERVICES]]
        if len(self.services) > MOST_SERVICES:
            names.append(f"and {len(self.services) - MOST_SERVICES} more")
        name = self.name or "(no name)"
        yield f"{self.address}  {signal:>9}  {name:32}  {', '.join(names)}".rstrip()
        for line in self.advertised:
            yield f"    {line}"


def called(uuid: str) -> str:
    """Return the short form of a UUID with the SIG's name for it, if it has one."""
    short = harmless(short_name(uuid.lower()), 36)
    return f"{short} {NAMES[short]}" if short in NAMES else short


async def scan(seconds: float, adapter: str = "") -> list[Seen]:
    """Listen for so long and return whom was heard, the strongest signal first.

    Raises
    ------
    EbbwattError
        If the radio cannot be used.
    """
    from bleak import BleakAdapter, BleakScanner

    radio = RadioSettings(adapter=adapter)
    try:
        async with asyncio.timeout(seconds + radio.call_s):
            found = await BleakScanner.discover(seconds, return_adv=True, **radio.backend())
            host = await BleakAdapter.get(**radio.backend())
            connected = await host.get_connected_devices()
    except radio_errors() as error:
        raise EbbwattError(explain(error)) from None
    seen = [_seen(device.address, said) for device, said in found.values()]
    seen += [
        Seen(harmless(d.address, 17), harmless(d.name or "", 32), None)
        for d in connected
        if d.address not in found
    ]
    return sorted(seen, key=lambda s: -200 if s.rssi_dbm is None else s.rssi_dbm, reverse=True)


def _seen(address: str, said: AdvertisementData) -> Seen:
    advertised = [
        f"company {number:04X}: {_hex(data)}" for number, data in said.manufacturer_data.items()
    ]
    advertised += [
        f"service data {called(u)}: {_hex(data)}" for u, data in said.service_data.items()
    ]
    return Seen(
        harmless(address, 17),
        harmless(said.local_name or "", 32),
        said.rssi,
        tuple(said.service_uuids),
        tuple(advertised[:MOST_SERVICES]),
    )


def _hex(data: bytes) -> str:
    return data[:MOST_BYTES].hex(" ") + (" ..." if len(data) > MOST_BYTES else "")


async def look_into(address: str, scan_s: float, adapter: str = "") -> list[str]:
    """Connect to one device and return its services and characteristics with their values.

    Raises
    ------
    EbbwattError
        If it is not there, or the radio cannot be used.
    """
    radio = RadioSettings(scan_s=scan_s, adapter=adapter)
    try:
        device = await find_connected(address, radio) or await find_advertising(address, radio)
        if device is None:
            raise EbbwattError(f"{address}: not seen; is it on, near enough, and not in use?")
        connection = Connection(device, radio)
        try:
            await connection.open()
            return await _contents(connection.client, radio.call_s)
        finally:
            await connection.close()
    except SourceError as error:
        return await _advertised(address, str(error), scan_s, adapter)
    except radio_errors() as error:
        return await _advertised(address, explain(error), scan_s, adapter)


async def _advertised(address: str, why: str, seconds: float, adapter: str) -> list[str]:
    """Return what a device advertises, where nobody can connect.

    Raises
    ------
    EbbwattError
        If it says nothing either.
    """
    for seen in await scan(seconds, adapter):
        if seen.address == address:
            lines = [f"cannot be connected: {harmless(why)}; it advertises:"]
            lines += seen.lines()
            if seen.advertised:
                lines.append(
                    "what it advertises can be logged without a connection: write company or "
                    "service_data into [ble]"
                )
            return lines
    raise EbbwattError(f"{address}: {why}")


async def _contents(client: BleakClient, call_s: float) -> list[str]:
    lines: list[str] = []
    usable: list[str] = []
    packed: list[str] = []
    shown = 0
    # The library keeps them in no order; by handle they stand as in the device.
    for service in sorted(client.services, key=lambda s: s.handle):
        lines.append(f"service {called(service.uuid)}")
        for characteristic in sorted(service.characteristics, key=lambda c: c.handle):
            shown += 1
            if shown > MOST_CHARACTERISTICS:
                return [*lines, "... and more than is shown"]
            form = await _presentation(client, characteristic, call_s)
            lines.append(
                f"  {called(characteristic.uuid)}  [{', '.join(characteristic.properties)}]"
            )
            values = await _value(client, characteristic, form, call_s)
            lines += [f"      {line}" for line in values]
            name = short_name(characteristic.uuid)
            if form is None and name not in NAMES and _MAY_BE_PACKED.fullmatch("\n".join(values)):
                packed.append(f"{harmless(name, 36)} ({len(values[0].split())} bytes)")
            if form is not None and short_name(characteristic.uuid) not in NAMES:
                usable.append(f'"{short_name(characteristic.uuid)}" = "{form.form}"')
    if usable:
        lines += ["", "for [decoder]:", f"formats = {{ {', '.join(usable)} }}"]
    if packed:
        said = (
            f"a packed structure may be {', '.join(packed)}: notify = its name in [ble], and in "
            f'[decoder] kind = "frame", framing = "packet", length = its bytes; '
            f"'ebbwatt probe --hex' shows what its bytes could be"
        )
        lines += ["", said]
    return lines


async def _presentation(
    client: BleakClient, characteristic: BleakGATTCharacteristic, call_s: float
) -> Presentation | None:
    for descriptor in characteristic.descriptors:
        if descriptor.uuid == PRESENTATION:
            try:
                async with asyncio.timeout(call_s):
                    return presentation(bytes(await client.read_gatt_descriptor(descriptor)))
            except radio_errors():
                return None
    return None


async def _value(
    client: BleakClient,
    characteristic: BleakGATTCharacteristic,
    form: Presentation | None,
    call_s: float,
) -> list[str]:
    """Return the lines for the value of a characteristic: raw bytes, then what they mean."""
    if "read" not in characteristic.properties:
        return []
    try:
        async with asyncio.timeout(call_s):
            data = bytes(await client.read_gatt_char(characteristic))
    except radio_errors() as error:
        return [f"cannot be read: {harmless(explain(error))}"]
    return [_hex(data) or "(empty)", *meanings(short_name(characteristic.uuid), data, form)]


def meanings(name: str, data: bytes, form: Presentation | None) -> list[str]:
    """Say what a value means, by its number or else by its presentation format."""
    (item,) = CharacteristicsDecoder({}).decode(data, Context(full_uuid(name) or name)).items
    if not isinstance(item, Message):
        return [f"{item.reason} ({harmless(item.detail)})"]
    if item.values:
        return [
            f"{key} = {_shown(value, UNITS.get(key, ''))}" for key, value in item.values.items()
        ]
    if form is None:
        return []
    try:
        value = by_format(form.form, data)
    except (ValueError, struct.error):
        return [f"is not the {form.form} that its presentation format names"]
    if isinstance(value, int | float):
        value *= 10.0**form.exponent
    scale = f", scale = {10.0**form.exponent:g}" if form.exponent else ""
    return [f"{_shown(value, form.unit)}  by its presentation format ({form.form}{scale})"]


def _shown(value: Value, unit: str) -> str:
    if value is None:
        return "not known"
    text = f"{value:g}" if isinstance(value, float) else harmless(value)
    return f"{text} {unit}".rstrip()
