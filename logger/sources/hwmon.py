"""Readings of a sensor that Linux shows in /sys/class/hwmon, such as a shunt monitor on I2C.

It says what flows, not what the charger means by it: states and hours come from elsewhere or not
at all. Nothing is ever written: files are opened for reading alone.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from logger.errors import SourceError
from logger.settings import REQUIRED, Section, Setting
from logger.sources.base import checked_settings
from logger.sources.decoders.hwmon import ATTRIBUTE, QUOTIENT
from logger.sources.described import EAGER_S, DescribedSource, refuse_links
from logger.sources.description import DESCRIPTION_SETTINGS, configured_description
from logger.sources.fields import UNITS
from logger.sources.link.conversation import opened
from logger.sources.link.sensors import SensorLink

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping
    from pathlib import Path

    from logger.config import Config
    from logger.reading import Reading
    from logger.sources.description import Description
    from logger.sources.fields import Field

#: Folder in which the kernel shows its sensors.
ROOT = "/sys/class/hwmon"
#: Kinds of attribute from which each channel can be read.
SOURCES = {
    "voltage_v": ("in",),
    "current_a": ("curr", "power"),
    "battery_current_a": ("curr", "power"),
    "temperature_c": ("temp",),
}
#: An example of each.
_EXAMPLES = {"in": "in1", "curr": "curr1", "power": "power1/in1", "temp": "temp1"}

TABLE = Section(
    "hwmon",
    (
        Setting(
            "name", "text", REQUIRED, "what the file 'name' of the sensor says, such as shuntmon"
        ),
        Setting(
            "device",
            "text",
            "",
            "which one, where several have that name: 1-0040 is address 0x40 on I2C bus 1",
        ),
        Setting(
            "every_s",
            "number",
            None,
            "time from one reading to the next; log.interval_s if left out",
            "s",
            0.02,
            3600,
        ),
    ),
    "which sensor of Linux is read; 'ebbwatt probe' lists those that are there",
)
SETTINGS = Section(
    "source",
    (
        Setting("root", "text", ROOT, "where the kernel shows its sensors"),
        Setting("hwmon", "table", None, "which sensor is read"),
        *DESCRIPTION_SETTINGS,
    ),
    "a sensor that Linux shows by itself, such as a shunt monitor on I2C",
)


class HwmonSource(DescribedSource):
    """A sensor of the kernel."""

    def __init__(
        self, root: Path, sensor: Mapping[str, Any], every_s: float, description: Description
    ) -> None:
        at = f" at {sensor['device']}" if sensor["device"] else ""
        super().__init__(f"{sensor['name']}{at}", description, eager_s=EAGER_S)
        self.root = root
        self.sensor = sensor
        self.every_s = every_s
        self._link: SensorLink | None = None
        self.attributes = tuple(
            dict.fromkeys(name for f in description.fields for name in f.source.split("/"))
        )

    async def readings(self) -> AsyncIterator[Reading]:
        """Find the sensor and give readings; see :class:`logger.sources.base.Source`."""
        if self._link is not None and self._link.thread.is_alive():
            # A bus that does not come back: another thread on it would hang too.
            raise SourceError("the last session still hangs in the driver")
        link = self._link = SensorLink(
            self.root,
            self.sensor["name"],
            self.sensor["device"],
            self.attributes,
            self.every_s,
            self.refusals,
        )
        # Its first line is complete, unlike that of a serial line.
        self.pipeline.reset(in_sync=True, opened_s=time.clock_gettime(time.CLOCK_BOOTTIME))
        async with opened(link, self.refusals):
            async for reading in self._converse(link).readings():
                yield reading


def build(config: Config) -> HwmonSource:
    """Build the source from the [source] section.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    settings = checked_settings(config, SETTINGS)
    if settings["description"] is None and settings["decoder"] is None:
        settings["decoder"] = {"kind": "hwmon"}
    description = configured_description(config, settings)
    sensor = check_table(description)
    root = config.path.parent / settings["root"]
    return HwmonSource(root, sensor, sensor["every_s"] or config.log.interval_s, description)


def check_table(description: Description) -> dict[str, Any]:
    """Check the [hwmon] table of a description, and that its fields are what a sensor has."""
    place = description.place
    table: Any = description.tables.get("hwmon")
    sensor = place.under("hwmon").checked(TABLE, table)
    if description.decoder_kind != "hwmon":
        raise place.error(
            f"got {description.decoder_kind!r}; accepted: 'hwmon', or leave [decoder] out",
            "decoder",
            "kind",
        )
    refuse_links(description, "for a sensor of Linux", "hwmon", polled=False)
    for f in description.fields:
        _check_field(description, f)
    return sensor


def _check_field(description: Description, f: Field) -> None:
    place = description.place
    kinds = SOURCES.get(f.channel)
    if kinds is None:
        raise place.error(
            f"no sensor of Linux tells it; accepted here: {', '.join(SOURCES)}", "fields", f.channel
        )
    match = QUOTIENT.fullmatch(f.source) or ATTRIBUTE.fullmatch(f.source)
    kind = "" if match is None else f.source.rstrip("0123456789")
    if match is not None and match.re is QUOTIENT:
        kind = "power"
    elif kind == "power":
        kind = ""  # a power attribute gives watts, not amperes
    if kind not in kinds:
        examples = " or ".join(f"{_EXAMPLES[kind]!r}" for kind in kinds)
        raise place.error(
            f"got {f.source!r}; accepted: an attribute without _input, such as {examples}",
            "fields",
            f.channel,
        )
    if f.unit != next(iter(UNITS[f.channel])):
        raise place.error(
            "must be left out: the kernel gives every attribute in a unit of its own (mV, mA, uW, "
            "thousandths of a degC), which is converted",
            "fields",
            f.channel,
            "unit",
        )
