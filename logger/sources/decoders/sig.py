"""Values of the characteristics that the Bluetooth SIG has assigned, by their numbers.

Source of layouts, units and "value is not known": the SIG's GATT Specification Supplement (YAML,
2020-2026). medfloat16/32: IEEE 11073 SFLOAT and FLOAT as tabled in HL7's Personal Health Device
guide: mantissa and exponent are both two's complement. All integers are little endian. Bytes behind
a structure are passed over: a later version of it may be longer.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from logger.sources.decoding import Value


@dataclass(frozen=True, slots=True)
class Scalar:
    """An integer with a unit: ``value = raw * step``; raws in ``unknown`` are not known."""

    size: int
    signed: bool = False
    step: float = 1.0
    unknown: frozenset[int] = frozenset()

    def decode(self, data: bytes) -> float | None:
        """Return the value of exactly ``size`` bytes."""
        raw = int.from_bytes(data, "little", signed=self.signed)
        return None if raw in self.unknown else raw * self.step


@dataclass(frozen=True, slots=True)
class Special:
    """A value of ``size`` bytes that is no plain integer."""

    size: int
    decode: Callable[[bytes], Value]


Part = Scalar | Special


def _unsigned(size: int, step: float = 1.0, *, not_valid: bool = False) -> Scalar:
    """Return an unsigned integer whose greatest raw (or two greatest) say that it is not known."""
    top = (1 << 8 * size) - 1
    return Scalar(size, step=step, unknown=frozenset({top, top - 1} if not_valid else {top}))


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


def _time_exponential(data: bytes) -> float | None:
    """Return 1.1^(N - 64) seconds; 0 is 0 s, 0xFE the whole life of the device."""
    if data[0] >= 0xFE:
        return None
    return 0.0 if data[0] == 0 else 1.1 ** (data[0] - 64)


VOLTAGE, CURRENT = _unsigned(2, 1 / 64), _unsigned(2, 0.01)
_U8, _U16, _COUNT16 = Scalar(1), Scalar(2), _unsigned(2)
_LEVEL = Scalar(1, unknown=frozenset(range(101, 256)))  # above 100 % is reserved
_MINUTES = _unsigned(3, not_valid=True)  # 0xFFFFFE: longer than can be told
_WARMTH = Scalar(1, signed=True, unknown=frozenset({0x7F, -0x80}))  # beyond what can be told
_DURATION = Special(1, _time_exponential)
_MEDFLOAT16 = Special(2, medfloat16)

#: Characteristics with one value.
SCALARS: dict[str, Part] = {
    "2B18": VOLTAGE,
    "2BE0": _unsigned(3, 1 / 64),  # High Voltage
    "2AEE": CURRENT,
    "2B05": _unsigned(3, 0.1, not_valid=True),  # Power
    "2AF2": _unsigned(3),  # Energy, kWh
    "2BA8": _unsigned(4, 0.001, not_valid=True),  # Energy 32, kWh
    "2A6E": Scalar(2, signed=True, step=0.01, unknown=frozenset({-0x8000})),  # Temperature
    "2B0D": Scalar(1, signed=True, step=0.5, unknown=frozenset({0x7F})),  # Temperature 8
    "2BDF": Scalar(2, signed=True, step=0.5, unknown=frozenset({-0x7FFF, -0x8000})),  # High Temp.
    "2A19": _LEVEL,  # Battery Level
    "2B04": _unsigned(1, 0.5),  # Percentage 8
    "2B17": _unsigned(1),  # Time Second 8
    "2B16": _unsigned(2),  # Time Second 16
    "2BE6": _unsigned(4),  # Time Second 32
    "2B14": _unsigned(3),  # Time Hour 24
    "2B12": _unsigned(1, 0.1),  # Time Decihour 8
    "2B15": _unsigned(3, 0.001),  # Time Millisecond 24
    "2B13": _DURATION,  # Time Exponential 8
    "2AEA": _unsigned(2),  # Count 16
    "2AEB": _unsigned(3),  # Count 24
    "2BE8": _unsigned(2, not_valid=True),  # Voltage Frequency; 0 is direct current
}
#: Texts of the Device Information service.
TEXTS = ("2A24", "2A25", "2A26", "2A27", "2A28", "2A29")
#: What the SIG calls a characteristic, for a person.
NAMES = {
    "2B18": "Voltage", "2BE0": "High Voltage", "2AEE": "Electric Current", "2B05": "Power",
    "2AF2": "Energy", "2BA8": "Energy 32", "2A6E": "Temperature", "2B0D": "Temperature 8",
    "2BDF": "High Temperature", "2A19": "Battery Level", "2B04": "Percentage 8",
    "2B17": "Time Second 8", "2B16": "Time Second 16", "2BE6": "Time Second 32",
    "2B14": "Time Hour 24", "2B12": "Time Decihour 8", "2B15": "Time Millisecond 24",
    "2B13": "Time Exponential 8", "2AEA": "Count 16", "2AEB": "Count 24",
    "2BE8": "Voltage Frequency", "2AEF": "Electric Current Range",
    "2AF0": "Electric Current Specification", "2AF1": "Electric Current Statistics",
    "2B19": "Voltage Specification", "2B1A": "Voltage Statistics", "2AE1": "Average Voltage",
    "2AE0": "Average Current", "2BED": "Battery Level Status", "2BF0": "Battery Energy Status",
    "2BEE": "Battery Time Status", "2BEA": "Battery Health Status",
    "2BEB": "Battery Health Information", "2BEC": "Battery Information",
    "2BE9": "Battery Critical Status", "2A2B": "Current Time", "2BF2": "Elapsed Time",
    "2A24": "Model Number", "2A25": "Serial Number", "2A26": "Firmware Revision",
    "2A27": "Hardware Revision", "2A28": "Software Revision", "2A29": "Manufacturer Name",
    "2A23": "System ID", "2A50": "PnP ID",
    "180F": "Battery Service", "180A": "Device Information", "1805": "Current Time Service",
}  # fmt: skip
#: Units of the values, by name.
UNITS = {
    "2B18": "V", "2BE0": "V", "2AEE": "A", "2B05": "W", "2AF2": "kWh", "2BA8": "kWh",
    "2A6E": "degC", "2B0D": "degC", "2BDF": "degC", "2A19": "%", "2B04": "%", "2B17": "s",
    "2B16": "s", "2BE6": "s", "2B14": "h", "2B12": "h", "2B15": "s", "2B13": "s", "2BE8": "Hz",
}  # fmt: skip
#: Names of the charging types in Battery Level Status.
CHARGING_TYPES = ("none", "constant_current", "constant_voltage", "trickle", "float")
_CHARGE_STATES = ("unknown", "charging", "discharging", "inactive")
_CHARGE_LEVELS = ("unknown", "good", "low", "critical")
_YES_NO = ("no", "yes", "unknown", "unknown")


@dataclass(frozen=True, slots=True)
class Layout:
    """A structure: parts that are always there, then parts that its flags announce, in bit order.

    Parameters
    ----------
    always
        Name and form of each part behind the flags, in order.
    optional
        For each bit of the flags, from the lowest, the parts that it announces.
    flags
        Bytes of the flags; 0 for none.
    """

    always: tuple[tuple[str, Part], ...] = ()
    optional: tuple[tuple[tuple[str, Part], ...], ...] = ()
    flags: int = 0

    def decode(self, data: bytes) -> dict[str, Value]:
        """Return the parts by name.

        Raises
        ------
        ValueError
            If the bytes end before the parts do.
        """
        flags = int.from_bytes(data[: self.flags], "little")
        announced = [p for k, parts in enumerate(self.optional) if flags >> k & 1 for p in parts]
        found: dict[str, Value] = {}
        at = self.flags
        for name, part in (*self.always, *announced):
            piece = data[at : at + part.size]
            at += part.size
            if len(piece) != part.size:
                raise ValueError("too short")
            found[name] = part.decode(piece)
        return found

    def names(self) -> tuple[str, ...]:
        """Return every name that it may give."""
        return tuple(name for name, _ in (*self.always, *(p for ps in self.optional for p in ps)))


def _power_state(raw: int) -> dict[str, Value]:
    """Return what the power state of Battery Level Status says."""
    kind = raw >> 9 & 7
    return {
        "battery_present": "yes" if raw & 1 else "no",
        "external_power": _YES_NO[raw >> 1 & 3],
        "wireless_power": _YES_NO[raw >> 3 & 3],
        "charge_state": _CHARGE_STATES[raw >> 5 & 3],
        "charge_level": _CHARGE_LEVELS[raw >> 7 & 3],
        "charging_type": CHARGING_TYPES[kind] if kind < len(CHARGING_TYPES) else "reserved",
        "fault": raw >> 12 & 7,
    }


def _battery_level_status(data: bytes) -> dict[str, Value]:
    found = _LEVEL_STATUS.decode(data)
    return _power_state(int.from_bytes(data[1:3], "little")) | found


def _current_time(data: bytes) -> dict[str, Value]:
    if len(data) < _TIME_BYTES:
        raise ValueError("too short")
    year, month, day, hour, minute, second = struct.unpack_from("<HBBBBB", data)
    if 0 in {year, month, day}:
        return {"utc_s": None}
    moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    return {"utc_s": moment.timestamp() + data[8] / 256.0}


_TIME_BYTES = 10
_LEVEL_STATUS = Layout(
    (("power_state", _U16),),
    ((("identifier", _U16),), (("level", _LEVEL),), (("additional_status", _U8),)),
    flags=1,
)


def _statistics(part: Part) -> Layout:
    names = ("average", "standard_deviation", "minimum", "maximum")
    return Layout((*((name, part) for name in names), ("duration_s", _DURATION)))


def _named(part: Part, *names: str) -> Layout:
    return Layout(tuple((name, part) for name in names))


LAYOUTS: dict[str, Layout] = {
    "2AEF": _named(CURRENT, "minimum", "maximum"),
    "2AF0": _named(CURRENT, "minimum", "typical", "maximum"),
    "2AF1": _statistics(CURRENT),
    "2B19": _named(VOLTAGE, "minimum", "typical", "maximum"),
    "2B1A": _statistics(VOLTAGE),
    "2AE1": Layout((("value", VOLTAGE), ("duration_s", _DURATION))),
    "2AE0": Layout((("value", CURRENT), ("duration_s", _DURATION))),
    "2BF0": Layout(
        optional=tuple(
            ((name, _MEDFLOAT16),)
            for name in (
                "external_power_w",
                "voltage_v",
                "available_kwh",
                "capacity_kwh",
                "charge_rate_w",
                "available_at_last_charge_kwh",
            )
        ),
        flags=1,
    ),
    "2BEE": Layout(
        (("until_discharged_min", _MINUTES),),
        ((("until_discharged_on_standby_min", _MINUTES),), (("until_recharged_min", _MINUTES),)),
        flags=1,
    ),
    "2BEA": Layout(
        optional=(
            (("summary", _LEVEL),),
            (("cycles", _U16),),
            (("temperature_c", _WARMTH),),
            (("deep_discharges", _U16),),
        ),
        flags=1,
    ),
    "2BEB": Layout(
        optional=(
            (("designed_cycles", _U16),),
            (("lowest_temperature_c", _WARMTH), ("highest_temperature_c", _WARMTH)),
        ),
        flags=1,
    ),
    # Dates, capacities and chemistry follow by flags; a logger has no use for them.
    "2BEC": Layout((("features", _U8),), flags=2),
    "2BE9": Layout((("flags", _U8),)),
    # What a count means stands in the flags: set the scale in [fields].
    "2BF2": Layout(
        (
            ("flags", _U8),
            ("count", Scalar(6)),
            ("source", _U8),
            ("offset", Scalar(1, signed=True)),
        )
    ),
    "2A23": Layout((("identifier", Special(8, lambda data: data.hex())),)),
    "2A50": Layout(
        (("vendor_source", _U8), *((name, _U16) for name in ("vendor", "product", "version")))
    ),
}
#: Structures by number: the decoder, and the parts that it may give.
STRUCTURES: dict[str, tuple[Callable[[bytes], dict[str, Value]], tuple[str, ...]]] = {
    **{number: (layout.decode, layout.names()) for number, layout in LAYOUTS.items()},
    "2BED": (_battery_level_status, (*_power_state(0), *_LEVEL_STATUS.names())),
    "2A2B": (_current_time, ("utc_s",)),
}


@dataclass(frozen=True, slots=True)
class Presentation:
    """What descriptor 0x2904 says of a characteristic: its form, exponent and unit."""

    form: str
    exponent: int
    unit: str


#: Format codes of descriptor 0x2904 (SIG assigned numbers, formattypes.yaml).
FORMAT_CODES = {
    0x04: "uint8", 0x06: "uint16", 0x07: "uint24", 0x08: "uint32", 0x0C: "sint8", 0x0E: "sint16",
    0x0F: "sint24", 0x10: "sint32", 0x14: "float32", 0x15: "float64", 0x16: "medfloat16",
    0x17: "medfloat32", 0x19: "utf8",
}  # fmt: skip
#: Units of descriptor 0x2904 (SIG assigned numbers, units.yaml).
UNIT_CODES = {
    0x2728: "V", 0x2704: "A", 0x2726: "W", 0x272F: "degC", 0x2760: "min", 0x2761: "h",
    0x27AD: "%", 0x27B0: "Ah",
}  # fmt: skip


def presentation(data: bytes) -> Presentation | None:
    """Return what descriptor 0x2904 says, or None if it says nothing that is known here.

    Its layout (format u8, exponent s8, unit u16, name space u8, description u16) is from memory.
    """
    if len(data) < 4 or data[0] not in FORMAT_CODES:
        return None
    exponent = int.from_bytes(data[1:2], "little", signed=True)
    unit = UNIT_CODES.get(int.from_bytes(data[2:4], "little"), "")
    return Presentation(FORMAT_CODES[data[0]], exponent, unit)
