"""Cyclic redundancy checks by name in the public catalogue or by parameters, and plain sums.

A CRC has the parameters of the Rocksoft model: R. Williams (1993), "A painless guide to CRC error
detection algorithms". Those of the names are the ones in the "Catalogue of parametrised CRC
algorithms"; they are written from memory and proved by the catalogue's check values (the CRC of
the nine bytes ``123456789``).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache


@dataclass(frozen=True, slots=True)
class CrcModel:
    """Parameters of a CRC of at least 8 bits."""

    width: int
    poly: int
    init: int
    reflect_in: bool
    xor_out: int
    reflect_out: bool | None = None
    """As ``reflect_in`` where None."""

    @property
    def turned(self) -> bool:
        """Whether the register is reflected between the last byte and the result."""
        return self.reflect_out is not None and self.reflect_out != self.reflect_in


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
#: A checksum as the functions below take it: a name of :data:`CHECKSUMS`, or a CRC of one's own.
Checksum = str | CrcModel
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
def _begin(model: CrcModel) -> tuple[tuple[int, ...], int]:
    """Return the table of a model, and what stands in the register before the first byte."""
    first = _mirror(model.init, model.width) if model.reflect_in else model.init
    return _table(model), first


def _table(model: CrcModel) -> tuple[int, ...]:
    """Return the effect of each byte on the register (256 entries)."""
    top, mask = 1 << (model.width - 1), (1 << model.width) - 1
    poly = _mirror(model.poly, model.width)
    table = []
    for byte in range(256):
        if model.reflect_in:
            register = byte
            for _ in range(8):
                register = (register >> 1) ^ poly if register & 1 else register >> 1
        else:
            register = byte << (model.width - 8)
            for _ in range(8):
                register = (register << 1) ^ model.poly if register & top else register << 1
        table.append(register & mask)
    return tuple(table)


def crc(which: Checksum, data: bytes) -> int:
    """Return the CRC of ``data`` under a name of :data:`CRC_MODELS` or a model."""
    model = CRC_MODELS[which] if isinstance(which, str) else which
    table, register = _begin(model)
    if model.reflect_in:
        for byte in data:
            register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
    else:
        mask = (1 << model.width) - 1
        shift = model.width - 8
        for byte in data:
            register = ((register << 8) & mask) ^ table[((register >> shift) ^ byte) & 0xFF]
    if model.turned:
        register = _mirror(register, model.width)
    return register ^ model.xor_out


def _fletcher(data: bytes, size: int) -> int:
    """Return the sum over words of ``size`` bytes, low byte first, the last filled with zeros."""
    top = (1 << 8 * size) - 1
    first = second = 0
    for at in range(0, len(data), size):
        first = (first + int.from_bytes(data[at : at + size], "little")) % top
        second = (second + first) % top
    return second << 8 * size | first


def checksum_size(name: Checksum) -> int:
    """Return the number of bytes of a checksum; 0 for none."""
    if isinstance(name, CrcModel):
        return (name.width + 7) // 8
    if name == "none":
        return 0
    if name in DOUBLE_SUMS:
        return DOUBLE_SUMS[name]
    return 1 if name in SUMS else checksum_size(CRC_MODELS[name])


def checksum(name: Checksum, data: bytes) -> int:
    """Return a checksum by any name of :data:`CHECKSUMS` except none, or by a model."""
    if isinstance(name, CrcModel) or name in CRC_MODELS:
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


def checksum_hex(name: Checksum, data: bytes) -> str:
    """Return a checksum as upper-case hexadecimal digits, as lines of text carry it."""
    return f"{checksum(name, data):0{2 * checksum_size(name)}X}"
