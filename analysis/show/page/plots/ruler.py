"""The scales of the plots of output: running hours or dates, and fractions of rated."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.show.page.plots.svg import Scale
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment.document import Assessment
    from analysis.show.page.plots.axes import Size

    Floats = NDArray[np.float64]


class Ruler:
    """Turns running hours into positions on the horizontal axis: hours as they are, or dates."""

    def __init__(self, a: Assessment, *, dates: bool) -> None:
        table, self.dates = a.run_table, dates
        self._hours = np.zeros(0)
        if table is not None and len(table):
            known = np.isfinite(table.runtime_h)
            order = np.argsort(table.runtime_h[known], kind="stable")
            self._hours = table.runtime_h[known][order]
            self._times = np.maximum.accumulate(table.start_s[known][order])
        self._rate = self._hours_per_second(a)

    def _hours_per_second(self, a: Assessment) -> float:
        left, when = a.remaining_h.median, a.remaining_date.median
        if left and when and a.observed_to_s is not None and when > a.observed_to_s:
            return left / (when - a.observed_to_s)
        if a.observed_to_s is None or a.observed_from_s is None:
            return 0.0
        return a.running_hours / max(a.observed_to_s - a.observed_from_s, 1.0)

    def place(self, hours: Floats) -> Floats:
        """Return where points at these running hours stand."""
        if not self.dates:
            return hours
        past = np.interp(hours, self._hours, self._times)
        beyond = np.clip(hours - self._hours[-1], 0, None)
        before = np.clip(self._hours[0] - hours, 0, None)
        rate = self._rate or 1e-4
        placed: Floats = past + beyond / rate - before / rate
        return placed


def across(a: Assessment, ruler: Ruler, where: Floats, size: Size) -> Scale:
    """Return the horizontal scale: what was seen, and as much of the forecast as has room."""
    low, high = float(np.nanmin(where)), float(np.nanmax(where))
    if not ruler.dates:
        low = 0.0 if low < 0.4 * high else low
    ends_at = [high]
    if a.at_runtime_h is not None:
        reach = a.remaining_h.high or a.remaining_h.median or a.remaining_h.low or 0.0
        now = a.at_runtime_h
        # A forecast further ahead than what has been seen would squeeze what has been seen.
        ends_at.append(float(ruler.place(np.array([now + min(1.08 * reach, 1.2 * now)]))[0]))
    high = max(ends_at)
    room = 0.02 * (high - low) or (DAY_S if ruler.dates else 1.0)
    return Scale(low - (room if ruler.dates else 0), high + room, size.left, size.width - 8)


def _lowest(a: Assessment, fractions: Floats) -> float:
    """Return the fraction of rated at which the vertical axis begins."""
    seen = fractions[np.isfinite(fractions)]
    lowest = min([a.replace_below, *np.quantile(seen, [0.01]).tolist()]) if seen.size else 0.0
    return float(max(0.0, 0.1 * np.floor(10 * (lowest - 0.06))))


def up(a: Assessment, fractions: Floats, size: Size) -> Scale:
    """Return the vertical scale of output, fraction of rated."""
    seen = fractions[np.isfinite(fractions)]
    highest = max([1.0, *np.quantile(seen, [0.995]).tolist()]) if seen.size else 1.0
    return Scale(
        _lowest(a, fractions), highest + 0.06, size.height - 3.4 * size.font, 2.2 * size.font
    )


def below_the_plot(a: Assessment) -> list[int]:
    """Return the rows of the run table that were left out and lie below what the plot shows."""
    table = a.run_table
    if table is None or not len(table):
        return []
    shown = np.isfinite(table.runtime_h) & np.isfinite(table.fraction)
    used = shown & table.used
    low = _lowest(a, table.fraction[used if used.any() else shown])
    return [int(k) for k in np.flatnonzero(shown & ~table.used & (table.fraction < low))]
