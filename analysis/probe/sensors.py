"""Lists the sensors that Linux shows, with the lines that read one of them."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from logger.plausibility.bank import fits_a_house_bank
from logger.refusals import printable
from logger.sources.decoders.hwmon import STEPS
from logger.sources.link.sensors import attributes, sensors

if TYPE_CHECKING:
    from pathlib import Path

    from logger.sources.link.sensors import Sensor

#: Units of what is shown.
_UNITS = {"in": "V", "curr": "A", "power": "W", "temp": "degC"}


def listed(root: Path) -> tuple[list[str], list[str]]:
    """Return a line for each sensor and each of its inputs; and what to paste, which they show."""
    found = [(sensor, _inputs(sensor)) for sensor in sensors(root)]
    if not found:
        return [f"{root}: no sensors; is the driver loaded, and the chip on the bus?"], []
    lines = [f"sensors of Linux in {root}:"]
    best: list[str] = []
    for sensor, inputs in found:
        at = f" at {printable(sensor.device)}" if sensor.device else ""
        lines.append(f"  {printable(sensor.name)}{at}")
        for name, (label, value) in inputs.items():
            lines.append(
                f"    {name}{f' ({printable(label, 40)})' if label else ''}: {_words(name, value)}"
            )
        paste = _paste(sensor, inputs)
        if len(paste) > len(best):
            best = paste
    if not best:
        return [*lines, "none of them gives both a voltage and a current"], []
    return [*lines, "to read one, in ebbwatt.toml:", *(f"  {line}" for line in best)], best


def _inputs(sensor: Sensor) -> dict[str, tuple[str, str]]:
    try:
        return attributes(sensor)
    except OSError:
        return {}  # gone meanwhile


def _kind(name: str) -> str:
    return name.rstrip("0123456789")


def _number(name: str, value: str) -> float | None:
    try:
        return int(value) / STEPS[_kind(name)]
    except ValueError:
        return None


def _words(name: str, value: str) -> str:
    number = _number(name, value)
    return printable(value) or "empty" if number is None else f"{number:g} {_UNITS[_kind(name)]}"


def _paste(sensor: Sensor, inputs: dict[str, tuple[str, str]]) -> list[str]:
    """Return the lines that read a sensor with voltage and current, the likeliest inputs first."""
    by_kind: dict[str, list[str]] = {}
    for name in inputs:
        by_kind.setdefault(_kind(name), []).append(name)
    volts = by_kind.get("in", [])
    # The other input of a shunt is the drop across it: no bank has that.
    volts.sort(key=lambda name: not fits_a_house_bank(_number(name, inputs[name][1]) or 0.0))
    amps = by_kind.get("curr", [])
    if not amps and volts:
        amps = [f"{power}/{volts[0]}" for power in by_kind.get("power", [])]
    if not volts or not amps:
        return []
    lines = ["[source.hwmon]", f"name = {json.dumps(sensor.name)}"]
    if sensor.device:
        lines.append(f"device = {json.dumps(sensor.device)}")
    lines += ["[source.fields]", f'voltage_v = "{volts[0]}"', f'current_a = "{amps[0]}"']
    if warm := by_kind.get("temp"):
        lines.append(f'temperature_c = "{warm[0]}"')
    return lines
