"""Bluetooth SIG characteristics by UUID, and custom ones by the format that the device states.

Source of layouts, units and "value is not known": the SIG's GATT Specification Supplement (YAML,
2020-2026). medfloat16/32: IEEE 11073 SFLOAT and FLOAT as tabled in HL7's Personal Health Device
guide: mantissa and exponent are both two's complement. All integers are little endian.

A value is called by the short UUID, such as ``2B18``; a part of a structure by UUID and part, such
as ``2BED.charging_type``; a custom characteristic by its whole UUID in lower case.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from logger.settings import Section, Setting, nearest
from logger.sources.decoding import Message, Refused, Step

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Request, Value

DECODER = Section(
    "decoder",
    (
        Setting("kind", "text", "characteristics", "Bluetooth characteristics"),
        Setting(
            "formats",
            "table",
            {},
            'formats of custom characteristics, such as "7b1d0001-..." = "uint16"',
        ),
    ),
    "values of Bluetooth characteristics; those of the SIG are known by their number",
)

#: The second half of every UUID that the SIG assigned.
BASE = "-0000-1000-8000-00805f9b34fb"


@dataclass(frozen=True, slots=True)
class Scalar:
    """An integer with a unit: ``value = raw * step``; raws in ``unknown`` are not known."""

    size: int
    signed: bool
    step: float
    unknown: tuple[int, ...] = ()

    def decode(self, data: bytes) -> float | None:
        """Return the value of exactly ``size`` bytes."""
        raw = int.from_bytes(data[: self.size], "little", signed=self.signed)
        return None if raw in self.unknown else raw * self.step


_U16, _U24, _U32 = 0xFFFF, 0xFFFFFF, 0xFFFFFFFF
VOLTAGE = Scalar(2, False, 1 / 64, (_U16,))
CURRENT = Scalar(2, False, 0.01, (_U16,))
#: Characteristics with one value. Source: GATT Specification Supplement.
SCALARS: dict[str, Scalar] = {
    "2B18": VOLTAGE,
    "2BE0": Scalar(3, False, 1 / 64, (_U24,)),
    "2AEE": CURRENT,
    "2B05": Scalar(3, False, 0.1, (_U24 - 1, _U24)),
    "2AF2": Scalar(3, False, 1.0, (_U24,)),
    "2BA8": Scalar(4, False, 0.001, (_U32 - 1, _U32)),
    "2A6E": Scalar(2, True, 0.01, (-0x8000,)),
    "2B0D": Scalar(1, True, 0.5, (0x7F,)),
    "2BDF": Scalar(2, True, 0.5, (-0x7FFF, -0x8000)),
    "2A19": Scalar(1, False, 1.0),
    "2B04": Scalar(1, False, 0.5, (0xFF,)),
    "2B17": Scalar(1, False, 1.0, (0xFF,)),
    "2B16": Scalar(2, False, 1.0, (_U16,)),
    "2BE6": Scalar(4, False, 1.0, (_U32,)),
    "2B14": Scalar(3, False, 1.0, (_U24,)),
    "2B12": Scalar(1, False, 0.1, (0xFF,)),
    "2B15": Scalar(3, False, 0.001, (_U24,)),
    "2AEA": Scalar(2, False, 1.0, (_U16,)),
    "2AEB": Scalar(3, False, 1.0, (_U24,)),
}
#: Formats of custom characteristics: the names of descriptor 0x2904's format codes.
FORMATS: dict[str, Scalar | str] = {
    **{f"uint{8 * n}": Scalar(n, False, 1) for n in (1, 2, 3, 4)},
    **{f"sint{8 * n}": Scalar(n, True, 1) for n in (1, 2, 3, 4)},
    "float32": "<f",
    "float64": "<d",
    "medfloat16": "medfloat16",
    "medfloat32": "medfloat32",
    "utf8": "utf8",
}
#: Names of the charging types in Battery Level Status.
CHARGING_TYPES = ("none", "constant_current", "constant_voltage", "trickle", "float")
_CHARGE_STATES = ("unknown", "charging", "discharging", "inactive")
_YES_NO = ("no", "yes", "unknown", "unknown")


def medfloat(raw: int, mantissa_bits: int, exponent_bits: int) -> float | None:
    """Return an IEEE 11073 SFLOAT (12, 4) or FLOAT (24, 8); None for NaN, NRes and infinities."""
    mantissa = raw & ((1 << mantissa_bits) - 1)
    exponent = raw >> mantissa_bits
    if exponent >= 1 << (exponent_bits - 1):
        exponent -= 1 << exponent_bits
    top = 1 << (mantissa_bits - 1)
    if exponent == 0 and top - 2 <= mantissa <= top + 2:
        return None
    if mantissa >= top:
        mantissa -= 1 << mantissa_bits
    # Through decimal: 1350 with exponent -2 is 13.5 and not 13.500000000000002.
    return float(Decimal(mantissa).scaleb(exponent))


def medfloat16(data: bytes) -> float | None:
    """Return the value of two bytes."""
    return medfloat(int.from_bytes(data[:2], "little"), 12, 4)


def medfloat32(data: bytes) -> float | None:
    """Return the value of four bytes."""
    return medfloat(int.from_bytes(data[:4], "little"), 24, 8)


def _battery_level_status(data: bytes) -> dict[str, Value]:
    """Decode flags and power state, then what the flags say is there."""
    flags, power = data[0], int.from_bytes(data[1:3], "little")
    at = 3 + (2 if flags & 1 else 0)
    kind = power >> 9 & 7
    found: dict[str, Value] = {
        "battery_present": "yes" if power & 1 else "no",
        "external_power": _YES_NO[power >> 1 & 3],
        "charge_state": _CHARGE_STATES[power >> 5 & 3],
        "charging_type": CHARGING_TYPES[kind] if kind < len(CHARGING_TYPES) else "reserved",
        "fault": power >> 12 & 7,
    }
    if flags & 2:
        found["level"] = data[at]
    return found


def _battery_energy_status(data: bytes) -> dict[str, Value]:
    names = (
        "external_power_w",
        "voltage_v",
        "available_kwh",
        "capacity_kwh",
        "charge_rate_w",
        "available_at_last_charge_kwh",
    )
    found: dict[str, Value] = {}
    at = 1
    for bit, name in enumerate(names):
        if data[0] >> bit & 1:
            if len(data) < at + 2:
                raise IndexError
            found[name] = medfloat16(data[at:])
            at += 2
    return found


def _statistics(scalar: Scalar) -> Callable[[bytes], dict[str, Value]]:
    """Average, standard deviation, least, most, and a duration of one byte."""

    def decode(data: bytes) -> dict[str, Value]:
        names = ("average", "standard_deviation", "minimum", "maximum")
        return {name: scalar.decode(data[scalar.size * k :]) for k, name in enumerate(names)}

    return decode


def _first(scalar: Scalar) -> Callable[[bytes], dict[str, Value]]:
    return lambda data: {"value": scalar.decode(data)}


def _current_time(data: bytes) -> dict[str, Value]:
    year, month, day, hour, minute, second = struct.unpack_from("<HBBBBB", data)
    if 0 in {year, month, day}:
        return {"utc_s": None}
    moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    return {"utc_s": moment.timestamp() + data[8] / 256.0}


#: Structures: least length in bytes, the decoder, and the parts it may give.
STRUCTURES: dict[str, tuple[int, Callable[[bytes], dict[str, Value]], tuple[str, ...]]] = {
    "2BED": (
        3,
        _battery_level_status,
        ("battery_present", "external_power", "charge_state", "charging_type", "fault", "level"),
    ),
    "2BF0": (
        1,
        _battery_energy_status,
        (
            "external_power_w",
            "voltage_v",
            "available_kwh",
            "capacity_kwh",
            "charge_rate_w",
            "available_at_last_charge_kwh",
        ),
    ),
    "2B1A": (
        9,
        _statistics(VOLTAGE),
        ("average", "standard_deviation", "minimum", "maximum"),
    ),
    "2AF1": (
        9,
        _statistics(CURRENT),
        ("average", "standard_deviation", "minimum", "maximum"),
    ),
    "2AE1": (3, _first(VOLTAGE), ("value",)),
    "2AE0": (3, _first(CURRENT), ("value",)),
    "2A2B": (10, _current_time, ("utc_s",)),
}


def full_uuid(text: str) -> str | None:
    """Return a 16-bit or 128-bit UUID in its long lower-case form, or None if it is none."""
    plain = text.strip().lower().removeprefix("0x")
    if len(plain) == 4 and all(c in "0123456789abcdef" for c in plain):
        return f"0000{plain}{BASE}"
    parts = plain.split("-")
    good = [len(p) for p in parts] == [8, 4, 4, 4, 12]
    return plain if good and all(c in "0123456789abcdef-" for c in plain) else None


def short_name(uuid: str) -> str:
    """Return the short upper-case form of a UUID of the SIG, or the whole UUID."""
    return uuid[4:8].upper() if uuid.startswith("0000") and uuid.endswith(BASE) else uuid


class CharacteristicsDecoder:
    """Decodes whole values; each packet of the transport is one value of one characteristic."""

    packets = True
    requests: tuple[Request, ...] = ()
    longest = 512

    def __init__(self, formats: Mapping[str, str]) -> None:
        self._formats = dict(formats)

    def decode(self, data: bytes, context: Context) -> Step:
        """Decode one value; never raises, whatever the bytes are."""
        name = short_name(context.channel)
        try:
            values = self._values(name, data)
        except (IndexError, ValueError, OverflowError, struct.error, ArithmeticError):
            refused = Refused(data, "value of a wrong length or form", f"{name}: {len(data)} bytes")
            return Step(len(data), (refused,))
        return Step(len(data), (Message(data, values),))

    def _values(self, name: str, data: bytes) -> dict[str, Value]:
        kind = self._formats.get(name)
        if kind is not None:
            return {name: _by_format(FORMATS[kind], data)}
        scalar = SCALARS.get(name)
        if scalar is not None:
            if len(data) != scalar.size:
                raise ValueError
            return {name: scalar.decode(data)}
        if name in STRUCTURES:
            least, decode, _ = STRUCTURES[name]
            if len(data) < least:
                raise ValueError
            return {f"{name}.{part}": value for part, value in decode(data).items()}
        return {}

    def names(self) -> frozenset[str] | None:
        """Return every name that [fields] may use."""
        parts = {f"{name}.{part}" for name, (_, _, ps) in STRUCTURES.items() for part in ps}
        return frozenset({*SCALARS, *parts, *self._formats})


def _by_format(kind: Scalar | str, data: bytes) -> Value:
    if isinstance(kind, Scalar):
        if len(data) != kind.size:
            raise ValueError
        value = kind.decode(data)
        return None if value is None else int(value)
    if kind == "utf8":
        return data.decode("utf-8", errors="backslashreplace")
    if kind in {"medfloat16", "medfloat32"}:
        if len(data) != (2 if kind == "medfloat16" else 4):
            raise ValueError
        return medfloat16(data) if kind == "medfloat16" else medfloat32(data)
    number: float = struct.unpack(kind, data)[0]
    return number if math.isfinite(number) else None


def build_characteristics(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder from its table."""
    settings = place.checked(DECODER, table)
    formats: dict[str, str] = {}
    for uuid, kind in settings["formats"].items():
        full = full_uuid(uuid)
        if full is None:
            raise place.error("is no UUID: four or 32 hexadecimal digits", "formats", uuid)
        if kind not in FORMATS:
            hint = nearest(str(kind), list(FORMATS))
            accepted = ", ".join(FORMATS)
            raise place.error(f"got {kind!r}{hint}; accepted: {accepted}", "formats", uuid)
        formats[short_name(full)] = kind
    return CharacteristicsDecoder(formats)


def uuid_of(name: str) -> str | None:
    """Return the UUID of the characteristic that a name of [fields] belongs to."""
    return full_uuid(name.partition(".")[0])
