"""The two plots of a frame: the battery's last day, and the output over the running hours."""

from __future__ import annotations

import itertools
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from rich.text import Text

from analysis.health.run_table import Limit
from analysis.show.dashboard.canvas import Canvas
from analysis.show.dashboard.marks import INKS, binned
from analysis.show.dashboard.pen import NAMES, entry
from logger.durations import DAY_S

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from analysis.show.dashboard.battery import Battery
    from analysis.show.dashboard.facts import Facts
    from analysis.show.dashboard.pen import Pen

#: Longest gap between two intervals that the plot bridges, s.
JOINED_S = 120.0
#: Hours between two marks of the day's axis.
TICK_H = 6


def voltage_plot(pen: Pen, facts: Facts, rows: int) -> list[Text]:
    """Return the battery voltage of the last day, and below it when the charger ran."""
    b, width = facts.battery, pen.room
    across = width * pen.marks.dots.across
    columns = _day(b, facts.now_s, across)
    known = columns[np.isfinite(columns)]
    if known.size < 2:
        return []
    low = float(np.floor(10 * known.min())) / 10
    high = max(float(np.ceil(10 * known.max())) / 10, low + 0.3)
    canvas = Canvas(width, rows, low, high, pen.marks.dots)
    canvas.curve(columns)
    names = [f"{high:.1f} V", *[""] * (rows - 2), f"{low:.1f} V"]
    return [
        *_field(names, canvas.lines(), " "),
        _ran(pen, facts),
        _clock_axis(pen, facts),
    ]


def _day(b: Battery, now_s: float, across: int) -> NDArray[np.float64]:
    """Return the voltage by column of dots; where intervals follow each other there is no gap."""
    columns = binned(b.times_s, b.volts, now_s - DAY_S, now_s, across)
    if len(b.times_s) < 2:
        return columns
    middles_s = now_s - DAY_S + (np.arange(across) + 0.5) * DAY_S / across
    after = np.clip(np.searchsorted(b.times_s, middles_s), 1, len(b.times_s) - 1)
    apart_s = b.times_s[after] - b.times_s[after - 1]
    covered_s = (b.lengths_s[after] + b.lengths_s[after - 1]) / 2
    inside = (middles_s >= b.times_s[0]) & (middles_s <= b.times_s[-1])
    joined = inside & (apart_s <= covered_s + JOINED_S)
    filled = np.interp(middles_s, b.times_s, b.volts)
    return np.where(np.isnan(columns) & joined, filled, columns)


def _ran(pen: Pen, facts: Facts) -> Text:
    """Return the row in which the charger's running is shaded."""
    begin_s, cell_s = facts.now_s - DAY_S, DAY_S / pen.room
    edges_s = begin_s + np.arange(pen.room + 1) * cell_s
    ran_s = np.zeros(pen.room)
    for start_s, end_s in facts.battery.ran_s:
        ran_s += np.clip(
            np.minimum(end_s, edges_s[1:]) - np.maximum(start_s, edges_s[:-1]), 0.0, None
        )
    cells = "".join(pen.marks.shade if part >= cell_s / 2 else " " for part in ran_s)
    if not cells.strip():
        cells = "the charger did not run"[: pen.room]
    return Text.assemble((f"{'ran':>{NAMES - 1}} ", INKS["quiet"]), (cells, INKS["calm"]))


def _clock_axis(pen: Pen, facts: Facts) -> Text:
    """Return the hours of the day below the plot, the present at its right end."""
    row = [" "] * pen.room
    row[-3:] = "now"
    begin = datetime.fromtimestamp(facts.now_s - DAY_S, facts.zone).astimezone(facts.zone)
    tick = begin.replace(minute=0, second=0, microsecond=0)
    while (tick - begin).total_seconds() < DAY_S:
        tick += timedelta(hours=1)
        if tick.hour % TICK_H:
            continue
        place = int((tick - begin).total_seconds() / DAY_S * pen.room)
        # The first digit of the mark stands under its hour.
        if place + 5 < pen.room - 4:
            row[place : place + 5] = tick.strftime("%H:%M")
    return Text(" " * NAMES + "".join(row), style=INKS["quiet"])


def output_plot(pen: Pen, facts: Facts, rows: int) -> list[Text]:
    """Return the output of the runs over the running hours, against the limits."""
    a = facts.assessment
    if a is None or a.run_table is None:
        return []
    table, width = a.run_table, pen.room
    shown = np.isfinite(table.fraction) & table.used & np.isfinite(table.runtime_h)
    if shown.sum() < 2:
        return []
    values, hours = table.fraction[shown], table.runtime_h[shown]
    bound = np.array([limit is Limit.BATTERY for limit in table.limit])[shown]
    # A run that ended without fuel is left out, because it would flatten all the others.
    usual = float(np.quantile(values[~bound], 0.1)) if (~bound).any() else 1.0
    low = max(0.0, float(np.floor(10 * (min(usual, a.replace_below) - 0.01)) / 10))
    high = max(1.0, float(np.ceil(10 * np.quantile(values, 0.98)) / 10))
    canvas = Canvas(width, rows, low, high, pen.marks.dots)
    # The hours of today, as they stand elsewhere, and not those of the last run that told a figure.
    last_h = max(float(hours.max()), a.at_runtime_h or 0.0, 1.0)
    places = np.clip(hours / last_h * canvas.width, 0, canvas.width - 1).astype(np.int64)
    canvas.scatter(places[~bound], values[~bound])
    field = [list(line) for line in canvas.lines()]
    # A bound is drawn only where no run gave a value.
    told = [any(row[k] != " " for row in field) for k in range(width)]
    rows_of = canvas.heights_of(values[bound]) // pen.marks.dots.down
    for row, column in zip(
        rows_of.tolist(), (places[bound] // pen.marks.dots.across).tolist(), strict=True
    ):
        if not told[column]:
            field[row][column] = pen.marks.bound
    names = [""] * rows
    names[-1] = f"{100 * low:.0f} %"
    names[0] = f"{100 * high:.0f} %"
    for limit in (a.plan_below, a.replace_below):
        if low <= limit <= high:
            row = canvas.row_of(limit)
            names[row] = f"{100 * limit:.0f} %"
            field[row] = [pen.marks.empty if cell == " " else cell for cell in field[row]]
    scale = f"0 h{f'{last_h:.0f} running hours':>{width - 3}}"
    key = (
        f"dotted: plan limit {100 * a.plan_below:.0f} %, "
        f"replacement limit {100 * a.replace_below:.0f} %"
    )
    if any(pen.marks.bound in row for row in field):
        key += f"; {pen.marks.bound} at least this"
    return [
        *_field(names, ["".join(row) for row in field], pen.marks.empty),
        *entry(pen, "", Text(scale, style=INKS["quiet"])),
        *entry(pen, "", Text(key, style=INKS["quiet"])),
    ]


def _field(names: Iterable[str], field: list[str], background: str) -> list[Text]:
    """Return the rows of a plot beside their names; the dots of a limit stay in the background."""
    rows = []
    for name, cells in zip(names, field, strict=True):
        row = Text(f"{name:>{NAMES - 1}} ", style=INKS["quiet"])
        for empty, piece in itertools.groupby(cells, lambda cell: cell in {" ", background}):
            row.append("".join(piece), INKS["quiet"] if empty else INKS["calm"])
        rows.append(row)
    return rows
