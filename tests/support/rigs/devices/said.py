"""What the devices of ``fixtures/devices`` that talk by themselves say in a second."""

import struct

from logger.sources.decoders.checksums import checksum
from tests.support.rigs.devices.framing import slip

#: Running seconds when a device begins to talk.
RAN_S = 2_169_000


def text_lines(second, volts, amps):
    minutes = (RAN_S + second) // 60
    return f"U={volts:.3f} I={amps:.3f} MODE=RUN RT={minutes} T=31.5\r\n".encode()


def sealed(name, body, order="little"):
    """Put a checksum of two bytes behind a frame."""
    return body + checksum(name, body).to_bytes(2, order)


def binary_frame(second, volts, amps):
    tenths = (RAN_S + second) // 360
    values = struct.pack("<HhI", round(volts * 1000), round(amps * 100), tenths)
    return sealed("CRC-16/MODBUS", b"\xaa\x55" + values)


def mixed_frames(second, volts, amps):
    def packed(kind, body):
        return sealed("CRC-16/IBM-3740", b"\xa5\x5a" + bytes([kind]) + body, "big")

    said = packed(1, struct.pack(">HhB", round(volts * 100), round(amps * 100), 2))
    if second % 10 == 3:
        said += packed(2, struct.pack(">Ib", RAN_S + second, 31))
    if second % 7 == 5:
        said = packed(0x30, b"I feel fine" + bytes([second % 256])) + said
    return said


def mixed_lengths(second, volts, amps):
    bodies = (
        struct.pack("<f", volts),
        struct.pack("<hB", round(amps * 1000), 1),
        struct.pack("<I5s", (RAN_S + second) // 60, b"extra"),
    )
    return b"".join(slip(sealed("Fletcher-16", body)) for body in bodies)


#: By the name of the description.
TALKERS = {
    "text-lines": text_lines, "binary-frame": binary_frame, "mixed-frames": mixed_frames,
    "mixed-lengths": mixed_lengths,
}  # fmt: skip
