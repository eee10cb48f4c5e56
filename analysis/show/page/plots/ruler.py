"""The scales of the plots of output: running hours or dates, and fractions of rated."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.show.page.plots.svg import Scale
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.assessment.document import Assessment, Curve
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
        self._ahead_s, self._ahead_h = self._seasons(a)

    def _hours_per_second(self, a: Assessment) -> float:
        left, when = a.remaining_h.median, a.remaining_date.median
        if left and when and a.observed_to_s is not None and when > a.observed_to_s:
            return left / (when - a.observed_to_s)
        if a.observed_to_s is None or a.observed_from_s is None:
            return 0.0
        return a.running_hours / max(a.observed_to_s - a.observed_from_s, 1.0)

    def _seasons(self, a: Assessment) -> tuple[Floats, Floats]:
        """Return Unix times ahead and the running hours then, as the boat's own years go.

        They meet the date at which the first limit is expected, which allows for other years than
        usual ones.
        """
        ahead, now_h = a.hours_ahead, a.at_runtime_h
        if not self.dates or ahead is None or now_h is None or ahead.hours[-1] <= 0.0:
            return np.zeros(0), np.zeros(0)
        left, when = a.remaining_h.median, a.remaining_date.median
        factor = 1.0
        if left and when:
            expected_h = float(np.interp(when, ahead.time_s, ahead.hours))
            factor = left / expected_h if expected_h > 0.0 else 1.0
        return ahead.time_s, now_h + factor * ahead.hours

    def place(self, hours: Floats) -> Floats:
        """Return where points at these running hours stand."""
        if not self.dates:
            return hours
        past = np.interp(hours, self._hours, self._times)
        rate = self._rate or 1e-4
        before = np.clip(self._hours[0] - hours, 0, None)
        if len(self._ahead_h):
            later = np.interp(hours, self._ahead_h, self._ahead_s)
            return np.where(hours > self._ahead_h[0], later, past - before / rate)
        beyond = np.clip(hours - self._hours[-1], 0, None)
        placed: Floats = past + beyond / rate - before / rate
        return placed

    def course(self, curve: Curve) -> tuple[Floats, Curve]:
        """Return where the points of a curve stand, and the curve.

        Over dates the forecast has a point wherever the use changes over the year, so that winters
        are flat.
        """
        inside = (self._ahead_h > curve.forecast_from_h) & (self._ahead_h <= curve.runtime_h[-1])
        if not inside.any():
            return self.place(curve.runtime_h), curve
        seen = curve.runtime_h <= curve.forecast_from_h
        # Where a point of the curve lies between two of the year it is on the line between them.
        hours = np.concatenate((curve.runtime_h[seen], self._ahead_h[inside]))
        where = np.concatenate((self.place(curve.runtime_h[seen]), self._ahead_s[inside]))

        def at(values: Floats) -> Floats:
            return np.asarray(np.interp(hours, curve.runtime_h, values), dtype=np.float64)

        finer = replace(
            curve,
            runtime_h=hours,
            median=at(curve.median),
            low=at(curve.low),
            high=at(curve.high),
        )
        return where, finer


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
