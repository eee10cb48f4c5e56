"""Builds sources from the text of a configuration, as the daemon would."""

import asyncio
import contextlib
import re
import tomllib
from pathlib import Path

from logger.config import load_config
from logger.settings import Document
from logger.sources import open_source
from logger.sources.decoding import Place
from logger.sources.description import parse_description
from tests.support.rigs.devices.bluez import ADDRESS

CHARGER = "[charger]\nrated_w = 110.0\n"


def inside_source(text):
    """Return a description as tables inside [source]."""
    return re.sub(r"(?m)^\[", "[source.", text)


def described(text, spacing_s=1.0):
    """Return the description that the tables in ``text`` make."""
    data = tomllib.loads(text)
    return parse_description(data, Place(Document(Path("device.toml"), data)), spacing_s)


def source_from(path, text):
    """Write ``text`` behind a minimal [charger] section, and build its source."""
    file = path / "ebbwatt.toml"
    file.write_text(CHARGER + text)
    return open_source(load_config(file))


async def take(source, count, limit_s=200.0):
    """Return the first ``count`` readings of one session."""
    got = []
    async with asyncio.timeout(limit_s), contextlib.aclosing(source.readings()) as readings:
        async for reading in readings:
            got.append(reading)
            if len(got) == count:
                break
    return got


def radio_source(tmp_path, bluez, monkeypatch, description):
    """Build the source of the invented charger in reach of the rig's radio."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bluez.address)
    text = f'[source]\nkind = "ble"\naddress = "{ADDRESS}"\n' + description
    return source_from(tmp_path, text)
