"""What is said of the daily load, and under which keys it is published."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Span
from analysis.figures import day

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from logger.config import BatteryConfig

    Floats = NDArray[np.float64]

#: Fewer days than this carry no 95th percentile: of 20, one is beyond it.
FEWEST_FOR_P95 = 20


@dataclass(frozen=True, slots=True)
class Month:
    """Mean load of one calendar month."""

    month: str
    """As 2024-06."""
    days: int
    ah: float
    wh: float


@dataclass(frozen=True, slots=True)
class LoadResult:
    """Daily load. A span's ends are its 90 % interval; what is not known is None."""

    ah: Span
    """Mean Ah a day."""
    ah_median: float | None
    ah_p90: float | None
    ah_p95: float | None
    voltage_v: float | None
    """Mean voltage at which the load was drawn: turns Ah into Wh."""
    days_used: int
    days_left_out: dict[str, int]
    method: str
    """``battery_current``, ``balance`` or ``none``."""
    withheld: str | None
    """Why there is no figure."""
    months: tuple[Month, ...]
    levels: tuple[tuple[str, int, float], ...]
    """Kinds of day by level, where the days fall into two groups: name, days, mean Ah."""
    daily_ah: Floats
    """Load of each day used, shape (days_used,)."""
    daily_s: Floats
    """Each of those days of the boat's calendar, as the Unix time of its midnight in UTC."""
    draw_ah: Floats
    """Draws of the days' loads with the right spread, for questions about chance, shape (draws,
    days_used)."""
    efficiency: float
    """Share of the charge below the charge ceiling that the bank gives back: as configured, else by
    the log. Published as ``charge_efficiency``."""
    other_s: Floats = field(default_factory=lambda: np.empty(0))
    """The same of each day that was left out for another source."""
    gap_s: Floats = field(default_factory=lambda: np.empty(0))
    """The same of days left out for gaps."""
    doubts: tuple[str, ...] = ()
    """What has to be said beside the figures; sentences."""
    pattern: Floats | None = None
    """Part of a day's load in each eighth of the day; None where the log does not tell it."""
    start_ah: float | None = None
    """Charge drawn from the bank when the charger starts, Ah; None where it is not known."""
    start_depth: float | None = None
    """The same by the voltage at the starts, part of what the bank holds; None without it."""
    help_h: Floats = field(default_factory=lambda: np.empty(0))
    """Hours for which something else surely charged on each day of ``other_s``."""
    help_ah: Floats | None = None
    """What else charged the bank on each of these days, Ah; NaN on days of which the battery's
    current does not tell it, None without that channel."""
    supplied_ah: Floats = field(default_factory=lambda: np.empty(0))
    """What the charger gave to loads and bank on each day of the log, less what the bank lost."""
    helped_ah: float | None = None
    """What the charger alone gives the boat on a day with an hour or two of help, Ah, where that is
    clearly more than her mean load on the other days; else None."""
    few_alone: bool = False
    """Whether the days used are so few among days with another source that they do not tell what
    rare days need."""
    bank: BatteryConfig | None = None
    shared: bool = False
    """Whether something else gives a part every day. Then all figures are what the boat draws from
    the charger, and she uses more."""
    solar_ah: Span = field(default_factory=Span)
    """What the sun gives a day, by the log; empty where the log does not show it."""
    relative_sd: float = 0.0
    """What all days may be wrong by alike, as a standard deviation of the logarithm."""

    @property
    def boat_ah(self) -> Span:
        """What the boat uses a day, whoever gives it; the low end alone where that is not known."""
        if not self.shared:
            return self.ah
        ends = (self.ah.low, self.ah.median, self.ah.high)
        more = (0.0, self.solar_ah.median, self.solar_ah.high)
        return Span(*(None if a is None or b is None else a + b
                      for a, b in zip(ends, more, strict=True)))  # fmt: skip

    def wh(self, ah: float | None) -> float | None:
        """Return Wh for Ah of this boat."""
        return None if ah is None or self.voltage_v is None else ah * self.voltage_v

    def rare_withheld(self) -> str | None:
        """Return why the load of rare days is not known; None where it is."""
        if self.ah_p95 is not None:
            return None
        if self.few_alone:
            return (
                f"nothing else charged on only {self.days_used} days, and those are too few among "
                "the others to tell what 9 days in 10 and 19 in 20 need"
            )
        return (
            f"it takes {FEWEST_FOR_P95} days to say what 9 days in 10 and 19 in 20 need, and the "
            f"log has {self.days_used} so far"
        )

    def document(self) -> dict[str, object]:
        """Return the figures under their published keys."""

        def block(scale: float | None) -> dict[str, float | None]:
            values = {
                "mean": self.ah.median,
                "low": self.ah.low,
                "high": self.ah.high,
                "median": self.ah_median,
                "p90": self.ah_p90,
                "p95": self.ah_p95,
            }
            return {
                key: None if v is None or scale is None else round(v * scale, 3)
                for key, v in values.items()
            }

        return {
            "ah_per_day": block(1.0),
            "wh_per_day": block(self.voltage_v),
            "shared": self.shared,
            "solar_ah_per_day": _ends(self.solar_ah),
            "boat_ah_per_day": _ends(self.boat_ah),
            "days_used": self.days_used,
            "days_left_out": self.days_left_out,
            "method": self.method,
            "withheld": self.withheld or self.rare_withheld(),
            "charge_efficiency": round(self.efficiency, 3),
            "doubts": list(self.doubts),
            "months": [
                {"month": m.month, "days": m.days, "ah": round(m.ah, 2), "wh": round(m.wh, 1)}
                for m in self.months
            ],
            "kinds_of_day": [
                {"kind": name, "days": n, "ah": round(ah, 2)} for name, n, ah in self.levels
            ],
        }


def _ends(span: Span) -> dict[str, float | None]:
    values = {"low": span.low, "mean": span.median, "high": span.high}
    return {key: None if value is None else round(value, 3) for key, value in values.items()}


def by_month(begin_s: Floats, ah: Floats, volts: float | None) -> tuple[Month, ...]:
    """Return the mean load of each month that has usable days."""
    labels = np.array([day(s, UTC)[:7] for s in begin_s])
    found = []
    for label in np.unique(labels):
        inside = ah[labels == label]
        mean = float(inside.mean())
        found.append(Month(str(label), len(inside), mean, mean * (volts or float("nan"))))
    return tuple(found)


def split_levels(ah: Floats) -> tuple[tuple[str, int, float], ...]:
    """Split the days into a low and a high level (least squares), where they are clearly apart."""
    if len(ah) < FEWEST_FOR_P95:
        return ()
    ordered = np.sort(ah)
    n = len(ordered)
    total = np.cumsum(ordered)
    k = np.arange(3, n - 2)
    low = total[k - 1] / k
    high = (total[-1] - total[k - 1]) / (n - k)
    between = k * (n - k) / n**2 * (high - low) ** 2
    best = int(np.argmax(between))
    inside = float(ordered.var() - between[best])
    # A uniform spread splits 3.5 standard deviations apart, a bell 2.7: beyond 4 are two humps.
    if high[best] - low[best] < 4.0 * np.sqrt(max(inside, 1e-12)):
        return ()
    return (
        ("at rest", int(k[best]), float(low[best])),
        ("under way", int(n - k[best]), float(high[best])),
    )
