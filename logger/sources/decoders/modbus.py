"""Registers over Modbus RTU: asks with functions 3 and 4 only, and reads the answers.

Frames are told by length and checksum, not by silence: USB converters and drivers keep no times.
Numbers of 32 bits have no standard order of registers, so the description names it: ABCD, CDAB,
BADC or DCBA, the order in which the bytes of the number stand on the wire. Registers are counted
from 0 as on the wire; documents often count from 1, or from 30001 and 40001.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.settings import REQUIRED, Section, Setting, nearest, unknown_key
from logger.sources.decoders.checksums import crc
from logger.sources.decoding import Message, Refused, Request, Step

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from logger.sources.decoding import Context, Decoder, Place, Value

MODBUS = Section(
    "decoder",
    (
        Setting("kind", "text", "modbus", "registers over Modbus RTU"),
        Setting("unit", "whole", 1, "address; on a serial line 1 to 247", "", 0, 255),
        Setting(
            "registers",
            "table",
            REQUIRED,
            "for each name: { at = 0, function = 4, type = 'u16', order = 'ABCD' }",
        ),
        Setting(
            "largest_gap",
            "whole",
            8,
            "registers are read in one question where no more than this many without a name lie "
            "between them; 0 for a device that refuses those (exception: illegal address)",
            "",
            0,
            124,
        ),
        Setting("most_registers", "whole", 125, "registers in one question", "", 1, 125),
    ),
    "holding and input registers",
)
READ_HOLDING, READ_INPUT = 3, 4
#: Nothing else is ever sent.
FUNCTIONS = (READ_HOLDING, READ_INPUT)
#: Why a question for a single value is refused.
NO_SUCH_REGISTER = "the device does not have a register"
#: Registers and struct code of each type.
TYPES = {
    "u16": (1, "H"),
    "s16": (1, "h"),
    "u32": (2, "I"),
    "s32": (2, "i"),
    "f32": (2, "f"),
}
#: For each order, where the most significant byte first number finds its bytes.
ORDERS = {
    "ABCD": (0, 1, 2, 3),
    "CDAB": (2, 3, 0, 1),
    "BADC": (1, 0, 3, 2),
    "DCBA": (3, 2, 1, 0),
}
ILLEGAL_ADDRESS = 2
#: Modbus exception codes.
EXCEPTIONS = {
    1: "illegal function",
    ILLEGAL_ADDRESS: "illegal address",
    3: "illegal value",
    4: "device failure",
    5: "acknowledge",
    6: "device busy",
    7: "negative acknowledge",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target does not answer",
}


@dataclass(frozen=True, slots=True)
class Register:
    """One value in the registers."""

    name: str
    function: int
    at: int
    count: int
    code: str
    order: tuple[int, ...]

    def value(self, data: bytes) -> Value:
        """Return the value in the bytes of its registers."""
        if self.count == 2:
            data = bytes(data[k] for k in self.order)
        (value,) = struct.unpack(f">{self.code}", data)
        if isinstance(value, float) and not math.isfinite(value):
            return None
        number: int | float = value
        return number


@dataclass(frozen=True, slots=True)
class Block:
    """Registers that one request reads."""

    function: int
    at: int
    count: int
    registers: tuple[Register, ...]

    def __str__(self) -> str:
        """Name it for a person."""
        last = self.at + self.count - 1
        where = f"register {self.at}" if self.count == 1 else f"registers {self.at} to {last}"
        return f"function {self.function}, {where}"


class ModbusDecoder:
    """Reads answers to its own requests; anything else is refused."""

    packets = False
    longest = 512

    def __init__(self, unit: int, blocks: tuple[Block, ...]) -> None:
        self.unit = unit
        self._blocks: dict[bytes, Block] = {}
        self.requests = tuple(self._question(block) for block in blocks)

    def _question(self, block: Block) -> Request:
        parts = tuple(self._question(part) for part in narrower(block))
        payload = request(self.unit, block)
        self._blocks[payload] = block
        return Request(payload, str(block), tuple(r.name for r in block.registers), parts)

    def names(self) -> frozenset[str] | None:
        """Return the names of the registers."""
        return frozenset(r.name for block in self._blocks.values() for r in block.registers)

    def answer_form(self, request: Request) -> Hashable | None:
        """Return function and number of registers; an answer does not say where they begin."""
        block = self._blocks[request.payload]
        return block.function, block.count

    def decode(self, data: bytes, context: Context) -> Step:
        """Look for the answer to what was asked, behind whatever noise stands before it."""
        block = None if context.asked is None else self._blocks.get(context.asked.payload)
        if block is None:
            refused = (Refused(data, "bytes that nobody asked for"),) if data else ()
            return Step(len(data), refused)
        length = 5 + 2 * block.count
        header = bytes((self.unit, block.function, 2 * block.count))
        others: tuple[Refused, ...] = ()
        used = 0
        for at in range(len(data)):
            rest = data[at:]
            if at < used or rest[0] != self.unit:
                continue
            if other := _other_answer(rest, block):
                others += (Refused(rest[:other], "answer to another question"),)
                used = at + other
                continue
            if len(rest) >= 5 and rest[1] == block.function | 0x80 and _sealed(rest[:5]):
                return Step(len(data), (*others, _exception(rest[:5], context.asked)))
            if rest.startswith(header) and len(rest) >= length and _sealed(rest[:length]):
                return Step(len(data), (*others, self._message(block, rest[:length])))
        if len(data) >= used + length and data.startswith(header, used):
            # As long as it should be, but not whole: waiting longer brings nothing better.
            frame = data[used:]
            detail = f"got {frame[length - 2 : length].hex()}"
            spoiled = Refused(frame, "wrong CRC", detail, answer=True)
            return Step(len(data), (*others, spoiled))
        return Step(used, others)

    def _message(self, block: Block, frame: bytes) -> Message | Refused:
        values: dict[str, Value] = {}
        for register in block.registers:
            first = 3 + 2 * (register.at - block.at)
            values[register.name] = register.value(frame[first : first + 2 * register.count])
        return Message(frame, values)


def _exception(frame: bytes, asked: Request | None) -> Refused:
    """Say what a device refused that answered with an exception."""
    what = "" if asked is None else f", to {asked.name}"
    if frame[2] != ILLEGAL_ADDRESS or asked is None or asked.parts:
        code = EXCEPTIONS.get(frame[2], f"code {frame[2]}")
        missing = frame[2] == ILLEGAL_ADDRESS
        reason = "the device answered with an exception"
        return Refused(frame, reason, code + what, answer=True, not_there=missing)
    detail = f"{' and '.join(asked.columns or ())}: {asked.name}"
    return Refused(frame, NO_SUCH_REGISTER, detail, answer=True, not_there=True)


def _other_answer(data: bytes, block: Block) -> int:
    """Return the length of a whole answer that is not the one to ``block``, 0 if there is none."""
    if len(data) < 5 or data[1] not in FUNCTIONS:
        return 0
    length = 5 + data[2]
    other = data[1] != block.function or data[2] != 2 * block.count
    return length if other and len(data) >= length and _sealed(data[:length]) else 0


def _sealed(frame: bytes) -> bool:
    """Tell whether a frame ends with its own checksum, low byte first."""
    return crc("CRC-16/MODBUS", frame[:-2]) == int.from_bytes(frame[-2:], "little")


def request(unit: int, block: Block) -> bytes:
    """Return the bytes that ask for a block.

    Raises
    ------
    ValueError
        For any function that could change something.
    """
    if block.function not in FUNCTIONS:
        raise ValueError(f"function {block.function} does not only read")
    body = struct.pack(">BBHH", unit, block.function, block.at, block.count)
    return body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")


def gather(registers: list[Register], largest_gap: int, most: int) -> tuple[Block, ...]:
    """Put neighbouring registers into common requests of at most ``most`` registers."""
    blocks: list[Block] = []
    for register in sorted(registers, key=lambda r: (r.function, r.at)):
        if blocks:
            last = blocks[-1]
            end = max(last.at + last.count, register.at + register.count)
            if (
                last.function == register.function
                and register.at - (last.at + last.count) <= largest_gap
                and end - last.at <= most
            ):
                together = (*last.registers, register)
                blocks[-1] = Block(last.function, last.at, end - last.at, together)
                continue
        blocks.append(Block(register.function, register.at, register.count, (register,)))
    return tuple(blocks)


def narrower(block: Block) -> tuple[Block, ...]:
    """Split a block that a device refuses: first at registers that nobody named, then in halves.

    Returns nothing where it holds one register, or several names for the same one.
    """
    apart = gather(list(block.registers), 0, block.count)
    if len(apart) > 1:
        return apart
    places = sorted({(r.at, r.count) for r in block.registers})
    if len(places) < 2:
        return ()
    middle = places[len(places) // 2]
    halves = (
        [r for r in block.registers if (r.at, r.count) < middle],
        [r for r in block.registers if (r.at, r.count) >= middle],
    )
    return tuple(part for half in halves for part in gather(half, 0, block.count))


def build_modbus(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the Modbus decoder from its table."""
    settings = place.checked(MODBUS, table)
    registers = [_register(name, entry, place) for name, entry in settings["registers"].items()]
    if not registers:
        raise place.error("needs at least one name", "registers")
    widest = max(registers, key=lambda r: r.count)
    if settings["most_registers"] < widest.count:
        raise place.error(
            f"got {settings['most_registers']}; {widest.name} needs {widest.count}",
            "most_registers",
        )
    blocks = gather(registers, settings["largest_gap"], settings["most_registers"])
    return ModbusDecoder(settings["unit"], blocks)


def _register(name: str, entry: object, place: Place) -> Register:
    where = ("registers", name)
    if not isinstance(entry, dict):
        raise place.error("takes a table such as { at = 0, type = 'u16' }", *where)
    keys = ("at", "function", "type", "order")
    unknown_key(place.document, entry, keys, *place.prefix, *where)
    at, function = entry.get("at"), entry.get("function", READ_INPUT)
    kind, order = entry.get("type", "u16"), entry.get("order", "ABCD")
    if not isinstance(at, int) or isinstance(at, bool) or not 0 <= at <= 0xFFFF:
        raise place.error(f"got {at!r}; accepted: a number from 0 to 65535", *where, "at")
    if not isinstance(function, int) or function not in FUNCTIONS:
        raise place.error(
            f"got {function!r}; accepted: 3 (holding) or 4 (input); nothing is ever written",
            *where,
            "function",
        )
    for key, value, known in (("type", kind, TYPES), ("order", order, ORDERS)):
        if not isinstance(value, str) or value not in known:
            hint = nearest(str(value), list(known))
            raise place.error(f"got {value!r}{hint}; accepted: {', '.join(known)}", *where, key)
    count, code = TYPES[kind]
    if at + count > 0x10000:
        last = 0x10000 - count
        raise place.error(f"got {at}; accepted for {kind}: up to {last}", *where, "at")
    return Register(name, function, at, count, code, ORDERS[order])
