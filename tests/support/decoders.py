"""Decoders as a description makes them, and what they make of bytes."""

from pathlib import Path

from logger.settings import Document
from logger.sources.decoding import Context, Message, Place
from logger.sources.description import build_decoder

PLACE = Place(Document(Path("device.toml"), {}))
TABLES = {
    "keyvalue": {"kind": "keyvalue"},
    "csv": {"kind": "csv", "columns": ["volts", "amps", "", "mode"]},
    "jsonlines": {"kind": "jsonlines"},
    "alternatives": {"kind": "pattern", "pattern": [r"V (?P<volts>\S+)", r"A (?P<amps>\S+)"]},
    "pattern": {
        "kind": "pattern",
        "pattern": r"V (?P<volts>\S+)\nA (?P<amps>\S+)",
        "lines": 2,
    },
    "xdr": {"kind": "xdr"},
    "checked": {"kind": "keyvalue", "checksum": "CRC-16/MODBUS"},
}


def decoder(name, **changes):
    return build_decoder(TABLES[name] | changes, PLACE)[1]


def decode(made, data, *, in_sync=True):
    """Feed everything at once and return values and reasons of refusal."""
    step = made.decode(data, Context(in_sync=in_sync))
    return told(step)


def build(table, **changes):
    return build_decoder(table | changes, PLACE)[1]


def told(step):
    """Return the values of each message, and the reason of each refusal."""
    return [dict(i.values) if isinstance(i, Message) else i.reason for i in step.items]
