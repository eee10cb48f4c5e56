"""What the boat draws a day, from the charger's own data, on days when nothing else charged.

Current that goes straight to the load while the charger runs never passes the battery; only the
rest pays the charge efficiency. For a mean load L over on-time and off-time with delivered charge
Q, between two moments of equal battery charge: ``L = eta Q / (T_off + eta T_on)``. The model in
:mod:`analysis.load.balance` is this balance, stretch by stretch, for loads that differ by day and
hour. With a battery current channel the load is measured directly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90, Span
from analysis.history.runs import runs_since
from analysis.load.balance import Guessed, Rough, fit
from analysis.load.charge_kept import depth_by_voltage, find_kept, told
from analysis.load.doubts import (
    ALL_DAY_H,
    ENGINE_H,
    doubts,
    few_alone,
    more_on,
    unnamed_source,
    with_full_bank,
)
from analysis.load.measured import (
    HELP_H,
    KNOWN_H,
    boat_current,
    fed_by_others,
    given_ah_by_others,
    measured_ah,
    pattern_of,
)
from analysis.load.result import FEWEST_FOR_P95, LoadResult, by_month, split_levels
from analysis.load.sources.declared import along, held_days, since_change
from analysis.load.sources.other_sources import STEP_S, Grid, make_grid
from analysis.load.sources.sun import with_sources_along
from analysis.load.stretches import (
    by_cell,
    by_day,
    charge_by_cell,
    covered_h,
    find_open,
    find_pieces,
    find_spans,
    weights,
)
from analysis.load.usual_bank import SWING_V, efficiency_of, usual_bank_ah
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.runs import Runs
    from analysis.load.stretches import Spans
    from logger.config import Config

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Days that no stretch covers may differ from the others by this part of the days' own scatter (our
#: choice).
_UNSEEN = 0.8
#: What the guesses at ends of stretches may all be wrong by alike, parts of the swing (judgement).
_GUESS = 0.15
#: What the balance itself leaves open, relative: marks move with age, temperature and habit (our
#: choice).
_BALANCE = 0.025
#: Fewer days than this carry no mean (our choice, a week with its weekend).
FEWEST_DAYS = 7
#: Fewer stretches than this tell no day from the others (our choice).
FEWEST_SPANS = 3
#: What to do where the voltage does not tell the load.
_MEASURE_IT = "log the battery current, which measures the load"
#: Only so many days of the log are looked at: the boat of today is asked for (our choice).
LATEST_DAYS = 730
#: What a load that is filled in for hours with help may be wrong by, relative (judgement: the sun
#: feeds loads by day before more flows into the battery than the charger gives).
FILLED_SD = 0.3
#: Draws of each day's load (our choice).
_DRAWS = 200
#: Beyond a factor of five either way a figure says nothing more.
_MOST_SD = 1.0
_SEED = 20240607


def daily_load(runs: Runs, config: Config) -> LoadResult:
    """Return what the boat draws a day.

    Parameters
    ----------
    runs
        The runs of the log; its last two years are looked at.
    config
        Chemistry, charge ceiling, charge efficiency, rated output.
    """
    efficiency, _ = efficiency_of(config)
    if len(runs.log):
        runs = runs_since(runs, float(runs.log.start_s[-1]) - LATEST_DAYS * DAY_S)
        runs = since_change(runs, config.other_sources)
    voltage = runs.log.voltage_mean_v
    if len(runs.log) == 0 or not np.isfinite(voltage).any():
        return _nothing("the log holds no voltage yet", efficiency, {}, None)
    if not np.isfinite(runs.log.charge_c).any():
        # What is not measured in one interval counts as nothing there; nowhere, it is no load of 0.
        return _nothing("the log holds no current yet", efficiency, {}, None)
    grid = make_grid(
        runs, config.battery.chemistry, config.battery.charge_ceiling_v, config.boat.zone
    )
    drawn = boat_current(runs, grid)
    if drawn is not None:
        grid = replace(grid, aided=fed_by_others(drawn, grid))
    days = _calendar(grid, config)
    if drawn is None:
        found = _balance(runs, grid, days, config, efficiency)
    else:
        found = _measured_load(runs, grid, drawn, days, config, efficiency)
    found = with_full_bank(found, grid, config.battery)
    found = with_sources_along(
        found, grid, along(runs, config.other_sources), config.battery.chemistry
    )
    said = found.doubts
    whole = days.known_h >= KNOWN_H
    if drawn is None and not config.other_sources:
        said = (*said, *unnamed_source(int(days.helped.sum()), int(whole.sum())))
    engine = days.helped & (days.help_h < ENGINE_H) & whole
    more, heavier = more_on(found, engine, ~engine & ~days.alone, days.origin)
    help_ah = None
    if drawn is not None:
        help_ah = given_ah_by_others(drawn, grid, days.index, days.count)[days.helped]
    found = replace(
        found,
        doubts=(*said, *heavier),
        other_s=_begin_s(days.helped, days.origin),
        help_h=np.asarray(days.sure_h[days.helped], dtype=np.float64),
        help_ah=help_ah,
        gap_s=_begin_s(days.gap, days.origin),
        helped_ah=more,
        bank=config.battery,
    )
    # On days with help all day long the bank gives nothing, so they ask for no charger.
    all_day = int((days.helped & (days.held | (days.help_h >= ALL_DAY_H))).sum())
    return _without_rare_days_of_few(found, found.days_left_out["other_source"] - all_day)


@dataclass(frozen=True, slots=True)
class _Calendar:
    """The days of a log, and on which of them something else charged. Arrays of shape (count,)."""

    index: NDArray[np.intp]
    """Day of each cell of the grid, shape (cells,)."""
    origin: int
    """The first day, days since 1970."""
    count: int
    known_h: Floats
    """Hours of which the log tells the voltage."""
    help_h: Floats
    """Hours in which something else charged."""
    sure_h: Floats
    """The same without what may have come from the charger itself: a day in doubt is left out, but
    the bank is not given that charge."""
    held: Flags
    """Days on which a source that the configuration names held the battery."""
    helped: Flags
    """Those, and days with help for more than ``HELP_H``."""
    gap: Flags
    """Days without help of which too little is known."""
    volts: float | None
    """Mean voltage of the bank where nothing else charged, V."""

    @property
    def alone(self) -> Flags:
        """Whole days on which nothing else charged."""
        return ~self.helped & ~self.gap


def _calendar(grid: Grid, config: Config) -> _Calendar:
    day = np.floor(grid.local_s / DAY_S).astype(np.intp)
    origin, index = int(day[0]), day - day[0]
    count = int(index[-1]) + 1

    def hours(cells: Flags) -> Floats:
        found = np.bincount(index, weights=cells * (STEP_S / 3600.0), minlength=count)
        return np.asarray(found, dtype=np.float64)

    known_h, help_h = hours(grid.known), hours(grid.aided)
    sure = grid.aided if grid.filling is None else grid.aided & ~grid.filling
    held = held_days(origin, count, config.other_sources)
    helped = (help_h > HELP_H) | held
    quiet = grid.known & ~grid.aided
    return _Calendar(
        index, origin, count, known_h, help_h, hours(sure), held, helped,
        gap=~helped & (known_h < KNOWN_H),
        volts=float(np.mean(grid.volts[quiet])) * grid.blocks if quiet.any() else None,
    )  # fmt: skip


def _without_rare_days_of_few(found: LoadResult, helped: int) -> LoadResult:
    """Say so where the days are few among those with help, and tell no rare days by them.

    Where it is known what the charger gave on the others, they tell their part.
    """
    few = few_alone(found.days_used, helped)
    found = replace(found, doubts=(*found.doubts, *few))
    if not few or found.helped_ah is not None:
        return found
    return replace(found, ah_p90=None, ah_p95=None, few_alone=True)


def _begin_s(days: Flags, origin: int) -> Floats:
    """Return the midnight, as of UTC, that names each marked day."""
    return DAY_S * (origin + np.flatnonzero(days).astype(np.float64))


def _measured_load(
    runs: Runs, grid: Grid, drawn: Floats, days: _Calendar, config: Config, efficiency: float
) -> LoadResult:
    """Find the loads by the battery's current."""
    measured = measured_ah(drawn, grid, days.index, days.count)
    # The hours without help tell the load of a day with some.
    told = days.alone | (days.helped & ~days.held & np.isfinite(measured))
    filled = FILLED_SD * float(days.help_h[told].sum()) / (24.0 * max(int(told.sum()), 1))
    found = by_current(
        measured,
        told,
        days.origin,
        days.volts,
        {"other_source": int((days.helped & ~told).sum()), "gap": int(days.gap.sum())},
        efficiency,
        relative_sd=math.hypot(filled, config.sensor.gain_uncertainty),
        zero_ah=24.0 * config.sensor.zero_uncertainty_a,
    )
    found = _with_starts(found, runs, grid, config.battery.chemistry)
    supplied_ah = efficiency * charge_by_cell(runs, grid)
    return replace(
        found,
        pattern=pattern_of(drawn, grid, days.index, days.count),
        supplied_ah=by_day(supplied_ah, grid, days.origin, days.count),
    )


def by_current(
    measured: Floats,
    good: Flags,
    origin: int,
    volts: float | None,
    left_out: dict[str, int],
    efficiency: float,
    *,
    relative_sd: float = 0.0,
    zero_ah: float = 0.0,
) -> LoadResult:
    """Take the loads that the battery's current tells.

    All days may be wrong alike by a part, ``relative_sd``, as by the scale of the current; and by
    a charge, ``zero_ah``, as by its zero.
    """
    use = good & np.isfinite(measured)
    left_out["no_battery_current"] = int((good & ~use).sum())
    if use.sum() < FEWEST_DAYS:
        return _nothing(too_few(int(use.sum())), efficiency, left_out, volts)
    draws = measured[use][None, :]
    common = math.hypot(relative_sd, zero_ah / max(float(measured[use].mean()), 1e-9))
    return make_result(
        draws, measured[use], use, origin, volts, left_out, "battery_current", efficiency, common
    )


def _balance(
    runs: Runs, grid: Grid, days: _Calendar, config: Config, efficiency: float
) -> LoadResult:
    """Find the loads by the balance of charge between marks."""
    good, origin, volts = days.alone, days.origin, days.volts
    left_out = {"other_source": int(days.helped.sum()), "gap": int(days.gap.sum())}
    chemistry, capacity_ah = config.battery.chemistry, config.battery.capacity_ah
    if chemistry == "lfp":
        left_out["between_marks"] = int(good.sum())
        text = (
            "the voltage of an LFP bank tells neither its charge nor what charges it; "
            f"{_MEASURE_IT}"
        )
        return _nothing(text, efficiency, left_out, volts)
    spans = find_spans(runs, grid)
    if len(spans) < FEWEST_SPANS:
        left_out["between_marks"] = int(good.sum())
        text = too_few_spans(len(spans)) if runs.running.any() else "the charger did not run"
        return _nothing(text, efficiency, left_out, volts)
    charge = charge_by_cell(runs, grid)
    kept = find_kept(grid, charge, spans, capacity_ah, chemistry)
    if config.battery.charge_efficiency is not None:
        kept = told(grid, spans, config.battery.charge_efficiency)
    efficiency = kept.overall
    span_days, parts, _ = weights(spans, grid, kept.by_cell)
    pieces = find_pieces(runs, grid, spans)
    rough_days, rough_parts, _ = weights(pieces, grid, kept.by_cell)
    rest = find_open(runs, grid, spans, pieces)
    rest_days, rest_parts, _ = weights(rest, grid, kept.by_cell)
    kept_ah = np.concatenate(([0.0], np.cumsum(kept.by_cell * charge - kept.lost_ah)))
    hours = covered_h(grid, (spans, pieces, rest), origin, len(good))
    use = good & (hours >= 12.0)
    left_out["between_marks"] = int((good & ~use).sum())
    if use.sum() < FEWEST_DAYS:
        return _nothing(too_few(int(use.sum())), efficiency, left_out, volts)
    # Only days that a stretch touches enter the model.
    touched = np.flatnonzero(hours > 0.0)
    supplied = kept_ah[spans.last] - kept_ah[spans.first]
    rough = Rough(
        rough_days[:, touched],
        rough_parts,
        kept_ah[pieces.last] - kept_ah[pieces.first],
        pieces.rise_v,
        (capacity_ah or usual_bank_ah(supplied, span_days)) / SWING_V,
    )
    guessed = Guessed(
        rest_days[:, touched],
        rest_parts,
        kept_ah[rest.last] - kept_ah[rest.first],
        rest.swing,
        rest.sd,
    )
    found = fit(span_days[:, touched], parts, spans, supplied, rough, guessed)
    place = np.searchsorted(touched, np.flatnonzero(use))
    rng = np.random.default_rng(_SEED)
    mean = 24.0 * found.mean_a[place]
    noise = rng.standard_normal((len(touched), _DRAWS))
    draws = mean[:, None] + 24.0 * (found.factor[place] @ noise)
    unseen = left_out["between_marks"] / max(int(good.sum()), 1)
    scatter = float(mean.std() / max(mean.mean(), 1e-9))
    guess = _GUESS * len(rest.first) * max(found.swing_ah, 0.0)
    guess /= max(24.0 * float(found.mean_a.sum()), 1e-9)
    parts_of_it = (kept.load_sd, _UNSEEN * unseen * scatter, guess, _BALANCE)
    common = float(np.linalg.norm(parts_of_it))
    found_load = make_result(
        np.maximum(draws.T, 0.0), mean, use, origin, volts, left_out, "balance", efficiency, common
    )
    if found_load.relative_sd >= _MOST_SD or (found_load.ah.median or 0.0) <= 0.0:
        text = (
            "nearly all of the charge goes into a bank that is full, and the log does not tell "
            f"what becomes of it; {_MEASURE_IT}"
        )
        return _nothing(text, efficiency, left_out, volts)
    # Half a mean day's load on each eighth of the day at least: what is below is noise.
    pattern = np.maximum(1.0 + found.pattern_a / max(float(found.mean_a.mean()), 1e-9), 0.5)
    return replace(
        found_load,
        doubts=doubts(kept),
        pattern=pattern / pattern.sum(),
        supplied_ah=by_day(kept.by_cell * charge - kept.lost_ah, grid, origin, len(good)),
        start_ah=drawn_at_start(grid, spans, found.swing_ah),
        start_depth=None if _floats(grid) else depth_by_voltage(grid, spans, chemistry),
    )


def _with_starts(found: LoadResult, runs: Runs, grid: Grid, chemistry: str) -> LoadResult:
    """Add what was drawn from the bank when the charger starts, by the battery's current."""
    if _floats(grid):
        return replace(found, start_ah=0.0)
    spans = find_spans(runs, grid)
    depth = None if chemistry == "lfp" else depth_by_voltage(grid, spans, chemistry)
    down = spans.swing < 0.0
    if np.count_nonzero(down) < 3:
        return replace(found, start_depth=depth)
    drawn = -by_cell(runs, grid, runs.log.battery_charge_c)
    total = np.concatenate(([0.0], np.cumsum(drawn)))
    ah = float(np.median(total[spans.last[down]] - total[spans.first[down]]))
    return replace(found, start_ah=max(ah, 0.0), start_depth=depth)


def _floats(grid: Grid) -> bool:
    """Tell whether the charger never stops: it holds a full bank."""
    return bool(grid.in_float.sum() > 0.3 * grid.running.sum())


def drawn_at_start(grid: Grid, spans: Spans, swing_ah: float) -> float | None:
    """Return what is drawn from the bank when the charger starts, Ah."""
    if _floats(grid):
        return 0.0
    up, down = np.count_nonzero(spans.swing > 0.0), np.count_nonzero(spans.swing < 0.0)
    return max(swing_ah, 0.0) if min(up, down) >= 3 else None


def make_result(
    draws: Floats,
    mean: Floats,
    use: Flags,
    origin: int,
    volts: float | None,
    left_out: dict[str, int],
    method: str,
    efficiency: float,
    common: float,
) -> LoadResult:
    """Put the result together; ``draws`` has shape (draws, days), ``common`` is relative."""
    count = int(use.sum())
    centre = float(mean.mean())
    own = draws.mean(axis=1).std() / max(centre, 1e-9) if len(draws) > 1 else 0.01
    # The days without help stand for the others too: few of many are a small sample.
    others = left_out.get("other_source", 0) / (left_out.get("other_source", 0) + count)
    sample = float(mean.std()) / max(centre, 1e-9) * math.sqrt(others / count)
    sd = min(math.hypot(own, common, sample), _MOST_SD)
    begin = _begin_s(use, origin)
    quantiles = np.percentile(draws, [50.0, 90.0, 95.0])
    enough = count >= FEWEST_FOR_P95
    return LoadResult(
        ah=Span(centre * math.exp(-Z90 * sd), centre, centre * math.exp(Z90 * sd)),
        ah_median=float(quantiles[0]),
        ah_p90=float(quantiles[1]) if enough else None,
        ah_p95=float(quantiles[2]) if enough else None,
        voltage_v=volts,
        days_used=count,
        days_left_out=left_out,
        method=method,
        withheld=None,
        months=by_month(begin, mean, volts),
        levels=split_levels(mean),
        daily_ah=mean,
        daily_s=begin,
        draw_ah=draws,
        efficiency=efficiency,
        relative_sd=sd,
    )


def _nothing(
    why: str, efficiency: float, left_out: dict[str, int], volts: float | None
) -> LoadResult:
    none = np.empty(0)
    return LoadResult(
        Span(), None, None, None, volts, 0, left_out, "none", why, (), (), none, none, none[None],
        efficiency,
    )  # fmt: skip


def too_few(days: int) -> str:
    """Say how many usable days are needed, and how many there are."""
    return (
        f"it takes {FEWEST_DAYS} whole days on which nothing but the charger charges, and the log "
        f"has {days or 'none'} so far"
    )


def too_few_spans(spans: int) -> str:
    """Say how many stretches are needed, and how many there are."""
    return (
        f"it takes {FEWEST_SPANS} stretches from one start of the charger (or full battery) to the "
        f"next in which nothing else charges, and the log has {spans or 'none'} so far"
    )
