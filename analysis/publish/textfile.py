"""Values as a text file for a textfile collector: the Prometheus text format, version 0.0.4.

Names follow its naming practices: base units, ``_total`` for counters, one name one unit. There
are no time stamps at the values: the collector refuses them. A stale reading is shown by
``ebbwatt_up`` 0 and the time of the reading; its values are left out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.publish.facts import VERDICTS, moment, number
from logger.reading import OperatingState
from logger.system.output import Kind

if TYPE_CHECKING:
    from analysis.publish.facts import Facts

#: Litres in a cubic metre; the text format asks for base units.
_L_PER_M3 = 1000.0
VALUES = Kind("text file of values", lambda head, _: head.startswith(b"# HELP ebbwatt_"))


class _Text:
    """Collects families of samples."""

    def __init__(self, label: str) -> None:
        self.lines: list[str] = []
        self.label = f'charger="{_escaped(label)}"'

    def add(self, name: str, kind: str, help_text: str, *samples: tuple[str, float | None]) -> None:
        """Add a family; samples are further labels and a value, None for none."""
        known = [(labels, value) for labels, value in samples if value is not None]
        if not known:
            return
        self.lines += [f"# HELP {name} {help_text}", f"# TYPE {name} {kind}"]
        for labels, value in known:
            both = f"{self.label},{labels}" if labels else self.label
            self.lines.append(f"{name}{{{both}}} {value:.12g}")


def text(facts: Facts) -> str:
    """Return the content of the file."""
    out = _Text(facts.label)
    out.add(
        "ebbwatt_up",
        "gauge",
        "Whether the logger runs and its source gives readings (1) or not (0).",
        ("", int(facts.live)),
    )
    _logger(out, facts)
    _reading(out, facts)
    _assessment(out, facts)
    return "\n".join(out.lines) + "\n"


def _logger(out: _Text, facts: Facts) -> None:
    snapshot = facts.snapshot
    if snapshot is None:
        return
    out.add(
        "ebbwatt_reading_timestamp_seconds",
        "gauge",
        "Unix time of the newest reading.",
        ("", facts.reading_s),
    )
    out.add(
        "ebbwatt_readings_total",
        "counter",
        "Readings taken since the logger started.",
        ("", snapshot.readings),
    )
    out.add(
        "ebbwatt_refused_readings_total",
        "counter",
        "Readings refused since the logger started, by reason.",
        *((f'reason="{_escaped(k)}"', n) for k, n in sorted(snapshot.refused.items())),
    )
    out.add(
        "ebbwatt_waiting_intervals",
        "gauge",
        "Intervals that wait in memory for the disk.",
        ("", snapshot.waiting_intervals),
    )


def _reading(out: _Text, facts: Facts) -> None:
    r = facts.reading
    if r is None:
        return
    joules = None if facts.snapshot is None else facts.snapshot.energy_j
    seconds = None if r.runtime_h is None else r.runtime_h * 3600.0
    fuel_m3 = None if r.fuel_l is None else r.fuel_l / _L_PER_M3
    for name, kind, help_text, value in (
        ("charger_voltage_volts", "gauge", "Voltage at the charger's output.", r.voltage_v),
        ("charger_current_amperes", "gauge", "Current out of the charger.", r.current_a),
        (
            "charger_energy_joules_total",
            "counter",
            "Energy given since the logger started.",
            joules,
        ),
        ("charger_running_seconds_total", "counter", "The charger's hour counter.", seconds),
        ("compartment_temperature_celsius", "gauge", "Air of the compartment.", r.temperature_c),
        ("battery_current_amperes", "gauge", "Current into the battery.", r.battery_current_a),
        ("fuel_cubic_meters", "gauge", "Fuel left by the charger's own gauge.", fuel_m3),
    ):
        out.add(f"ebbwatt_{name}", kind, help_text, ("", value))
    out.add(
        "ebbwatt_charger_state",
        "gauge",
        "Operating state by its name in SunSpec model 701: one is 1, the others 0.",
        *((f'state="{state}"', int(r.state == state)) for state in OperatingState),
    )


def _assessment(out: _Text, facts: Facts) -> None:
    d = facts.document
    if d is None:
        return
    rated_w = number(d, "charger", "rated_w")
    out.add("ebbwatt_rated_power_watts", "gauge", "Rated output.", ("", rated_w))
    for tail, key in (("", "fraction"), ("_low", "low"), ("_high", "high")):
        end = ", end of the 90 % interval" if tail else ""
        out.add(
            f"ebbwatt_available_output{tail}_ratio",
            "gauge",
            f"Available output over rated output{end}.",
            ("", number(d, "output", key)),
        )
    for tail, key in (("", "median"), ("_low", "low"), ("_high", "high")):
        end = ", end of the 90 % interval" if tail else ""
        hours = number(d, "remaining", "hours", key)
        out.add(
            f"ebbwatt_remaining_running{tail}_seconds",
            "gauge",
            f"Running time left until the first limit{end}.",
            ("", None if hours is None else hours * 3600.0),
        )
    out.add(
        "ebbwatt_verdict",
        "gauge",
        "Verdict of the last assessment: one is 1, the others 0.",
        *((f'verdict="{word}"', int(d["verdict"] == word)) for word in VERDICTS),
    )
    out.add(
        "ebbwatt_assessed_until_timestamp_seconds",
        "gauge",
        "Unix time up to which the log was assessed.",
        ("", moment(d, "observed", "to")),
    )


def _escaped(value: str) -> str:
    return value.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
