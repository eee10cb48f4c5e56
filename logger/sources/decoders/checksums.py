"""Cyclic redundancy checks by their names in the public catalogue, and plain sums.

The parameters are those of the "Catalogue of parametrised CRC algorithms"; they are written from
memory and proved by the catalogue's check values (the CRC of the nine bytes ``123456789``).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache


@dataclass(frozen=True, slots=True)
class CrcModel:
    """Parameters of a CRC in the catalogue's terms; input and output are reflected together."""

    width: int
    poly: int
    init: int
    reflected: bool
    xorout: int


CRC_MODELS: dict[str, CrcModel] = {
    "CRC-8/SMBUS": CrcModel(8, 0x07, 0x00, False, 0x00),
    "CRC-8/MAXIM-DOW": CrcModel(8, 0x31, 0x00, True, 0x00),
    "CRC-16/ARC": CrcModel(16, 0x8005, 0x0000, True, 0x0000),
    "CRC-16/DNP": CrcModel(16, 0x3D65, 0x0000, True, 0xFFFF),
    "CRC-16/IBM-3740": CrcModel(16, 0x1021, 0xFFFF, False, 0x0000),
    "CRC-16/IBM-SDLC": CrcModel(16, 0x1021, 0xFFFF, True, 0xFFFF),
    "CRC-16/KERMIT": CrcModel(16, 0x1021, 0x0000, True, 0x0000),
    "CRC-16/MODBUS": CrcModel(16, 0x8005, 0xFFFF, True, 0x0000),
    "CRC-16/SPI-FUJITSU": CrcModel(16, 0x1021, 0x1D0F, False, 0x0000),
    "CRC-16/USB": CrcModel(16, 0x8005, 0xFFFF, True, 0xFFFF),
    "CRC-16/XMODEM": CrcModel(16, 0x1021, 0x0000, False, 0x0000),
    "CRC-32/ISCSI": CrcModel(32, 0x1EDC6F41, 0xFFFFFFFF, True, 0xFFFFFFFF),
    "CRC-32/ISO-HDLC": CrcModel(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF),
}
#: Sums that are no CRC: of all bytes, all bytes by exclusive or, and the byte that makes the sum 0.
SUMS = ("sum8", "xor8", "zero-sum8")
#: Sums of two parts, with their bytes. Fletcher (1982), IEEE Trans. Communications 30:247-252,
#: modulo 255 and 65535, from memory; Adler-32 by RFC 1950.
DOUBLE_SUMS = {"Fletcher-16": 2, "Fletcher-32": 4, "Adler-32": 4}
#: Every accepted name.
CHECKSUMS = ("none", *SUMS, *DOUBLE_SUMS, *CRC_MODELS)


def _mirror(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


@lru_cache(maxsize=len(CRC_MODELS))
def _begin(name: str) -> tuple[CrcModel, tuple[int, ...], int]:
    """Return a model, its table, and what stands in the register before the first byte."""
    model = CRC_MODELS[name]
    return model, _table(model), _mirror(model.init, model.width) if model.reflected else model.init


def _table(model: CrcModel) -> tuple[int, ...]:
    """Return the effect of each byte on the register (256 entries)."""
    top, mask = 1 << (model.width - 1), (1 << model.width) - 1
    poly = _mirror(model.poly, model.width)
    table = []
    for byte in range(256):
        if model.reflected:
            register = byte
            for _ in range(8):
                register = (register >> 1) ^ poly if register & 1 else register >> 1
        else:
            register = byte << (model.width - 8)
            for _ in range(8):
                register = (register << 1) ^ model.poly if register & top else register << 1
        table.append(register & mask)
    return tuple(table)


def crc(name: str, data: bytes) -> int:
    """Return the CRC of ``data`` under a name of :data:`CRC_MODELS`."""
    model, table, register = _begin(name)
    if model.reflected:
        for byte in data:
            register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
    else:
        mask = (1 << model.width) - 1
        shift = model.width - 8
        for byte in data:
            register = ((register << 8) & mask) ^ table[((register >> shift) ^ byte) & 0xFF]
    return register ^ model.xorout


def _fletcher(data: bytes, size: int) -> int:
    """Return the sum over words of ``size`` bytes, low byte first, the last filled with zeros."""
    top = (1 << 8 * size) - 1
    first = second = 0
    for at in range(0, len(data), size):
        first = (first + int.from_bytes(data[at : at + size], "little")) % top
        second = (second + first) % top
    return second << 8 * size | first


def checksum_size(name: str) -> int:
    """Return the number of bytes of a checksum; 0 for none."""
    if name == "none":
        return 0
    if name in DOUBLE_SUMS:
        return DOUBLE_SUMS[name]
    return 1 if name in SUMS else CRC_MODELS[name].width // 8


def checksum(name: str, data: bytes) -> int:
    """Return a checksum by any name of :data:`CHECKSUMS` except none."""
    if name in CRC_MODELS:
        return crc(name, data)
    if name == "sum8":
        return sum(data) & 0xFF
    if name == "zero-sum8":
        return -sum(data) & 0xFF
    if name == "xor8":
        value = 0
        for byte in data:
            value ^= byte
        return value
    if name == "Adler-32":
        return zlib.adler32(data)
    return _fletcher(data, DOUBLE_SUMS[name] // 2)


def checksum_hex(name: str, data: bytes) -> str:
    """Return a checksum as upper-case hexadecimal digits, as lines of text carry it."""
    return f"{checksum(name, data):0{2 * checksum_size(name)}X}"
