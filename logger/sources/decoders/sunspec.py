"""Models of the SunSpec standard over Modbus: DC measurement (714) and the state in 701.

A device with SunSpec holds ``SunS`` at register 40000, 0 or 50000, and behind it one model after
the other: number, length, points, until the number 0xFFFF. ``ebbwatt probe`` walks through them and
writes where the models begin. Each answer here begins with the number of its model, so that a
device whose models have moved is refused instead of misread.

Source: sunspec/models repository, ``json/model_714.json`` and ``json/model_701.json``. Offsets
count registers from the model's number on::

    714:  0 number  1 length  2 alarms  4 ports  15 DCA_SF  16 DCV_SF  17 DCW_SF  19 Tmp_SF
          20 + 25 (port - 1): 0 type  2 IDStr  10 DCA  11 DCV  12 DCW  13 DCWhInj  21 Tmp  22 DCSta
    701:  0 number  1 length  2 ACType  3 St  4 InvSt
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.reading import OperatingState
from logger.settings import REQUIRED, Section, Setting
from logger.sources.decoders.modbus import READ_HOLDING, READ_INPUT, Block, ModbusDecoder
from logger.sources.decoding import Message, Refused

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.sources.decoding import Decoder, Place, Value

SUNSPEC = Section(
    "decoder",
    (
        Setting("kind", "text", "sunspec", "models of SunSpec; 'ebbwatt probe' writes this table"),
        Setting("unit", "whole", 1, "address of the device", "", 0, 255),
        Setting("function", "whole", READ_HOLDING, "3 or 4", "", READ_HOLDING, READ_INPUT),
        Setting(
            "model_714", "whole", REQUIRED, "register that holds 714, the number", "", 0, 65535
        ),
        Setting("dc_port", "whole", 1, "which DC port of 714 is the charger's output", "", 1, 4),
        Setting("model_701", "whole", None, "register that holds 701, where it is", "", 0, 65535),
    ),
    "DC measurement and state by SunSpec: DCV, DCA, DCW, Tmp of a port of 714, InvSt, St of 701",
)
#: Registers in front of the ports of 714, and of each port.
DC_HEAD, DC_PORT = 20, 25
#: Registers of 701 that are read.
STATE_PART = 5
#: ``InvSt`` of model 701, counted from 0 (drafts before 2021 counted from 1).
INVERTER_STATES = (
    OperatingState.OFF,
    OperatingState.SLEEPING,
    OperatingState.STARTING,
    OperatingState.RUNNING,
    OperatingState.THROTTLED,
    OperatingState.SHUTTING_DOWN,
    OperatingState.FAULT,
    OperatingState.STANDBY,
)
#: ``St`` of model 701.
STATES = (OperatingState.OFF, OperatingState.RUNNING)
#: What stands for "not implemented" (SunSpec Device Information Model: int16 and sunssf 0x8000,
#: uint16 and enum16 0xFFFF).
NO_INT, NO_UINT = 0x8000, 0xFFFF
#: A scale factor is a power of ten from -10 to 10.
MOST_SCALE = 10


@dataclass(frozen=True, slots=True)
class Point:
    """A measured value of a port: offset in it, offset of its scale factor, whether signed."""

    at: int
    scale_at: int
    signed: bool


#: Points of a port of model 714.
POINTS = {
    "DCA": Point(10, 15, signed=True),
    "DCV": Point(11, 16, signed=False),
    "DCW": Point(12, 17, signed=True),
    "Tmp": Point(21, 19, signed=True),
}


def signed(word: int) -> int:
    """Return a register as a signed number."""
    return word - 0x10000 if word & 0x8000 else word


def point(words: tuple[int, ...], port: int, what: Point) -> float | None:
    """Return a value of a port (from 1) of model 714, None where it is not implemented."""
    raw = words[DC_HEAD + DC_PORT * (port - 1) + what.at]
    if raw == (NO_INT if what.signed else NO_UINT):
        return None
    exponent = signed(words[what.scale_at])
    if abs(exponent) > MOST_SCALE:
        return None
    number = signed(raw) if what.signed else raw
    # Divided, not multiplied by 0.01: 13.52 is then written as 13.52.
    return number * 10.0**exponent if exponent >= 0 else number / 10.0**-exponent


def state_word(raw: int, states: tuple[OperatingState, ...]) -> str | None:
    """Return the word of an enumerated state, its number where the standard has none."""
    if raw == NO_UINT:
        return None
    return str(states[raw]) if raw < len(states) else str(raw)


class SunspecDecoder(ModbusDecoder):
    """Reads the models in which the values of a charger stand."""

    def __init__(
        self, unit: int, function: int, dc_at: int, port: int, state_at: int | None
    ) -> None:
        self.port = port
        blocks = [Block(function, dc_at, DC_HEAD + DC_PORT * port, ())]
        self._models = {dc_at: 714}
        if state_at is not None:
            blocks.append(Block(function, state_at, STATE_PART, ()))
            self._models[state_at] = 701
        super().__init__(unit, tuple(blocks))

    def names(self) -> frozenset[str] | None:
        """Return the names of the points."""
        return frozenset(POINTS) | ({"InvSt", "St"} if 701 in self._models.values() else set())

    def _message(self, block: Block, frame: bytes) -> Message | Refused:
        words = struct.unpack_from(f">{block.count}H", frame, 3)
        model = self._models[block.at]
        if words[0] != model:
            detail = f"register {block.at} holds {words[0]}, not {model}: probe the device again"
            return Refused(frame, "the model is not where it was", detail, answer=True)
        values: dict[str, Value]
        if model == 701:
            inverter, state = words[4], words[3]
            values = {
                "InvSt": state_word(inverter, INVERTER_STATES),
                "St": state_word(state, STATES),
            }
            return Message(frame, values)
        if words[4] < self.port:
            detail = f"{words[4]} ports, dc_port is {self.port}"
            return Refused(frame, "the model has no such port", detail, answer=True)
        values = {name: point(words, self.port, what) for name, what in POINTS.items()}
        return Message(frame, values)


def build_sunspec(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder from its table."""
    settings = place.checked(SUNSPEC, table)
    dc_at, state_at, port = settings["model_714"], settings["model_701"], settings["dc_port"]
    if dc_at + DC_HEAD + DC_PORT * port > 0x10000:
        raise place.error(f"got {dc_at}; the model would end behind register 65535", "model_714")
    if state_at is not None and (state_at == dc_at or state_at + STATE_PART > 0x10000):
        raise place.error(
            f"got {state_at}; accepted: the register in which 701 stands, not that of 714",
            "model_701",
        )
    return SunspecDecoder(settings["unit"], settings["function"], dc_at, port, state_at)
