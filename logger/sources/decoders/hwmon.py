"""Attributes of a Linux sensor as :mod:`logger.sources.link.sensors` writes them, one line a look.

::

    in1=13520 curr1=4200 temp1=

An attribute without a value could not be read. Units by the kernel's ABI
(Documentation/ABI/testing/sysfs-class-hwmon): ``in*_input`` millivolt, ``curr*_input``
milliampere, ``power*_input`` microwatt, ``temp*_input`` millidegree Celsius.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from logger.settings import Section, Setting
from logger.sources.decoders.lines import LINE_SETTINGS, LineDecoder, LineError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.sources.decoding import Context, Decoder, Place, Value

HWMON = Section(
    "decoder",
    (
        Setting(
            "kind", "text", "hwmon", "attributes of a sensor; may be left out in kind = 'hwmon'"
        ),
    ),
    "attributes of a Linux hwmon sensor: in1, curr1, temp1, or power1/in1 for a current",
)
#: Steps of each kind of attribute in its unit: V, A, W, degC.
STEPS = {"in": 1000, "curr": 1000, "power": 1_000_000, "temp": 1000}
#: The name of an attribute, without ``_input``.
ATTRIBUTE = re.compile(r"(in|curr|power|temp)(\d{1,3})")
#: A current from power and voltage: ``power1/in1``.
QUOTIENT = re.compile(r"(power\d{1,3})/(in\d{1,3})")
#: Power is divided by no smaller voltage, V: below, both are mostly offset.
LEAST_V = 0.5
_WHOLE = re.compile(r"[+-]?\d{1,18}")


class HwmonDecoder(LineDecoder):
    """Turns the whole numbers of the kernel into volts, amperes, watts and degrees."""

    def values(self, text: str, context: Context) -> dict[str, Value]:
        """Return the attributes of a line, and each power over each voltage."""
        del context
        found: dict[str, Value] = {}
        for pair in text.split():
            name, _, number = pair.partition("=")
            kind = ATTRIBUTE.fullmatch(name)
            if kind is None:
                raise LineError("not an attribute", name)
            if not number:
                found[name] = None
            elif _WHOLE.fullmatch(number):
                found[name] = int(number) / STEPS[kind[1]]
            else:
                raise LineError("not a whole number", pair)
        for power, watts in list(found.items()):
            if power.startswith("power"):
                found |= {f"{power}/{v}": _over(watts, found[v]) for v in found if v[:2] == "in"}
        return found


def _over(watts: Value, volts: Value) -> float | None:
    if not isinstance(watts, float) or not isinstance(volts, float) or volts < LEAST_V:
        return None
    return watts / volts


def build_hwmon(table: Mapping[str, Any], place: Place) -> Decoder:
    """Build the decoder from its table."""
    place.checked(HWMON, table)
    return HwmonDecoder({setting.key: setting.default for setting in LINE_SETTINGS})
