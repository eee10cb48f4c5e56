"""Encoders of framings, for the tests alone: Ebbwatt only reads."""


def slip(data):
    """Pack a frame (RFC 1055): END 0xC0, ESC 0xDB; 0xC0 -> DB DC, 0xDB -> DB DD."""
    return b"\xc0" + data.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc") + b"\xc0"


def cobs(data):
    """Pack a frame of fewer than 254 bytes (Cheshire and Baker 1999).

    Each run up to a zero is led by its length and one.
    """
    return b"".join(bytes([len(run) + 1]) + run for run in data.split(b"\0")) + b"\0"
