"""The result of the fit check, as frozen data and as a document for programs."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from analysis.figures import iso
from analysis.installation.checklist import ITEMS, Tick

if TYPE_CHECKING:
    from analysis.estimate import Span
    from analysis.installation.loop_resistance import Loop, Steps
    from logger.config import UnitConfig, WiringConfig

#: Voltage drop of good practice, part of nominal (common practice: a drop deceives whatever
#: measures the battery at the charger; ABYC E-11 asks as much of feeders, not of charger leads).
GOOD_DROP = 0.03


@dataclass(frozen=True, slots=True)
class Figures:
    """Figures from some hundred running hours. Fractions are of rated output."""

    from_s: float
    to_s: float
    running_hours: float
    output: Span
    output_limit: str
    """What limits the accuracy of the output, for a person."""
    loop: Loop
    cable_ohm: Span
    rise_k: Span
    rise_runs: int
    change: Span
    gaps: int
    silent_share: float
    """Part of the time in which the log holds no reading."""
    refused_s: float
    """Time whose data was refused, s."""
    reasons: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FitCheck:
    """The fit check of one fitting."""

    label: str
    rated_w: float
    fitted: str | None
    nominal_v: float
    wiring: WiringConfig | None
    iec_ohm: float | None
    """Highest resistance that IEC 60228 allows the configured cable, there and back, 20 degC."""
    battery_air_m3_per_h: float | None
    """Air that the battery space needs while it is charged (IEC 62485-2); None for a bank that the
    rule does not cover, or of unknown size."""
    first: Figures | None
    latest: Figures | None
    loop_per_1000h: Loop
    rise_per_1000h: Span
    ticks: dict[str, Tick]
    reasons: dict[str, str]
    unit: UnitConfig
    """Figures of the unit's own manual."""
    against_manual: tuple[str, ...] = ()
    """Contradictions of log or nameplate to the manual, as sentences."""
    steps: Steps | None = None
    """Each step of the current, from which the loop's resistance is found."""
    running_h: float | None = None
    """Running hours of the unit at the end of the log, as its counter has them; None without a
    run."""

    @property
    def rated_a(self) -> float:
        """Return the current at rated output and nominal voltage, A."""
        return self.rated_w / self.nominal_v

    def drop(self, ohm: float) -> float:
        """Return the voltage lost at rated current over a resistance, part of nominal."""
        return ohm * self.rated_a / self.nominal_v

    def document(self) -> dict[str, object]:
        """Return the figures for programs; what is None has its reason under the same key."""
        return {
            "charger": {"label": self.label, "rated_w": self.rated_w, "fitted": self.fitted},
            "nominal_v": self.nominal_v,
            "rated_a": round(self.rated_a, 3),
            "wiring": None
            if self.wiring is None
            else {
                "cross_section_mm2": self.wiring.cross_section_mm2,
                "length_m": self.wiring.length_m,
                "tinned": self.wiring.tinned,
                "battery_ohm": self.wiring.battery_ohm,
                "iec_60228_ohm": _number(self.iec_ohm),
                "iec_60228_drop": None
                if self.iec_ohm is None
                else _number(self.drop(self.iec_ohm)),
            },
            "battery_air_m3_per_h": _number(self.battery_air_m3_per_h),
            "first": self._figures(self.first),
            "latest": self._figures(self.latest),
            "per_1000h": {
                "loop_ohm": _span(self.loop_per_1000h.ohm),
                "temperature_rise_k": _span(self.rise_per_1000h),
            },
            "manual": dataclasses.asdict(self.unit),
            "against_manual": list(self.against_manual),
            "checks": [self._check(item.key) for item in ITEMS],
            "reasons": self.reasons,
        }

    def _check(self, key: str) -> dict[str, object]:
        tick = self.ticks.get(key)
        return {
            "item": key,
            "ticked": None if tick is None else iso(tick.time_s),
            "by": None if tick is None else tick.who,
            "remark": None if tick is None else tick.remark,
        }

    def _figures(self, f: Figures | None) -> dict[str, object] | None:
        if f is None:
            return None
        return {
            "from": iso(f.from_s),
            "to": iso(f.to_s),
            "running_hours": round(f.running_hours, 2),
            "output": {**_span(f.output), "limit": f.output_limit},
            "loop_ohm": {**_span(f.loop.ohm), "steps": f.loop.steps},
            "loop_drop": _span(f.loop.ohm, self.drop(1.0)),
            "cable_ohm": _span(f.cable_ohm),
            "cable_drop": _span(f.cable_ohm, self.drop(1.0)),
            "temperature_rise_k": {**_span(f.rise_k), "runs": f.rise_runs},
            "output_change": _span(f.change),
            "battery_voltage_v": None,
            "gaps": f.gaps,
            "silent_share": round(f.silent_share, 5),
            "refused_s": round(f.refused_s, 1),
            "reasons": f.reasons,
        }


def _span(span: Span, scale: float = 1.0) -> dict[str, float | None]:
    return {
        "estimate": _number(span.median, scale),
        "low": _number(span.low, scale),
        "high": _number(span.high, scale),
    }


def _number(value: float | None, scale: float = 1.0) -> float | None:
    return None if value is None else round(value * scale, 6)
