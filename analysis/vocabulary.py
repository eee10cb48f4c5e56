"""What descriptions of devices may say: states, units, checksums, types, orders; with examples.

The lists come from the tables that the program uses, and the numbers in the examples are computed
by it, so that neither can be wrong.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from logger.reading import OperatingState
from logger.sources.decoders.checksum_setting import EXAMPLE
from logger.sources.decoders.checksums import CHECKSUMS, checksum_hex
from logger.sources.decoders.layouts import TYPES
from logger.sources.decoders.modbus import ORDERS
from logger.sources.decoders.modbus import TYPES as REGISTER_TYPES
from logger.sources.fields import UNITS

if TYPE_CHECKING:
    from collections.abc import Iterator

#: What each operating state means: those of SunSpec model 701 (InvSt), and one of ours.
STATES = {
    OperatingState.OFF: ("switched off", 'OFF = "off"'),
    OperatingState.SLEEPING: (
        "waits for a reason to run, its electronics at rest",
        '1 = "sleeping"',
    ),
    OperatingState.STARTING: ("warms up and gives no full output yet", '"warming up" = "starting"'),
    OperatingState.RUNNING: ("delivers", 'RUN = "running"'),
    OperatingState.THROTTLED: (
        "delivers less of its own accord, such as in heat",
        '5 = "throttled"',
    ),
    OperatingState.SHUTTING_DOWN: ("cools down and stops", 'COOL = "shutting_down"'),
    OperatingState.FAULT: ("has a fault; the word is kept", '"E 07" = "fault"'),
    OperatingState.STANDBY: ("ready, the bank needs nothing", 'IDLE = "standby"'),
    OperatingState.UNKNOWN: (
        "anything else; runs are then found by the current",
        '"*" = "unknown"',
    ),
}
#: A number for each type.
_NUMBERS = {
    "u8": 40, "s8": -20, "u16": 1320, "s16": -20, "u32": 2169288, "s32": -20, "f32": 13.5,
    "f64": 13.5,
}  # fmt: skip
_CHECKED = b"123456789"
_OWN_CRC = (
    f"Any other CRC is described by its parameters: checksum = {EXAMPLE}; 'ebbwatt check' says "
    f"what it gives for the text 123456789."
)


def state_items() -> Iterator[tuple[str, str]]:
    """Yield each operating state with its meaning and a line of [source.states]."""
    for state, (meaning, line) in STATES.items():
        yield str(state), f"{meaning}. Example: {line}"


def unit_items() -> Iterator[tuple[str, str]]:
    """Yield each channel with its units, the first of which is its own, and a line of fields."""
    for channel, units in UNITS.items():
        yield channel, f"{', '.join(units)}. Example: {_unit_line(channel, list(units)[-1])}"


def _unit_line(channel: str, unit: str) -> str:
    return f'{channel} = {{ from = "X", unit = "{unit}" }}'


def checksum_items() -> Iterator[tuple[str, str]]:
    """Yield each checksum with that of the nine bytes 123456789, as catalogues give it."""
    for name in CHECKSUMS[1:]:
        yield name, f"of the text 123456789: {checksum_hex(name, _CHECKED)}"


def type_items() -> Iterator[tuple[str, str]]:
    """Yield each type of a frame with bytes, and the number that they are."""
    for name, code in TYPES.items():
        number = _NUMBERS[name]
        shown = struct.pack(f"<{code}", number).hex(" ").upper()
        order = "" if len(shown) == 2 else ' with byte_order = "little"'
        more = "; also of registers" if name in REGISTER_TYPES else ""
        line = f'x = {{ at = 2, type = "{name}" }}'
        yield name, f"{shown}{order} is {number}{more}. Example: {line}"


def order_items() -> Iterator[tuple[str, str]]:
    """Yield each order of the words of 32 bits, with the number 123456.0 in it."""
    number = struct.pack(">f", 123456.0)
    for name, places in ORDERS.items():
        wire = bytearray(4)
        for place, wanted in enumerate(places):
            wire[wanted] = number[place]
        shown = " ".join(f"{b:02X}" for b in wire)
        yield name, f"123456.0 as f32 stands on the wire as {shown}"


def lists() -> Iterator[tuple[str, str, Iterator[tuple[str, str]]]]:
    """Yield title, introduction and items of each list."""
    yield (
        "Operating states, for [source.states]",
        "The states of SunSpec model 701, each with what it means of a charger.",
        state_items(),
    )
    yield (
        "Units, for [source.fields]",
        "The first unit of a channel is its own, which holds where none is named.",
        unit_items(),
    )
    yield (
        "Checksums, for [source.decoder]",
        "By their names in the catalogue of parametrised CRC algorithms; and sums. " + _OWN_CRC,
        checksum_items(),
    )
    yield (
        "Types, for layouts of frames and for registers",
        "Frames have all of them, in the byte_order of [source.decoder].",
        type_items(),
    )
    yield (
        "Orders of the words of 32 bits, for registers",
        "A is the most significant byte; no standard says which comes first.",
        order_items(),
    )
