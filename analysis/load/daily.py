"""What the boat draws a day, from the charger's own data, on days when nothing else charged.

Current that goes straight to the load while the charger runs never passes the battery; only the
rest pays the charge efficiency. For a mean load L over on-time and off-time with delivered charge
Q, between two moments of equal battery charge: ``L = eta Q / (T_off + eta T_on)``. The model in
:mod:`analysis.load.balance` is this balance, stretch by stretch, for loads that differ by day and
hour. With a battery current channel the load is measured directly.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90, Span
from analysis.history.runs import runs_since
from analysis.load.balance import Guessed, Rough, fit
from analysis.load.charge_kept import depth_by_voltage, find_kept, told
from analysis.load.declared import along, held_days, since_change
from analysis.load.doubts import (
    ALL_DAY_H,
    ENGINE_H,
    doubts,
    few_alone,
    more_on,
    unnamed_source,
    with_full_bank,
)
from analysis.load.other_sources import STEP_S, Grid, make_grid
from analysis.load.result import FEWEST_FOR_P95, LoadResult, by_month, split_levels
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
from analysis.load.sun import with_sources_along
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
#: Hours of help from others that make a day not self-reliant; hours known that a day needs (our
#: choice).
_HELP_H = 0.2
_KNOWN_H = 18.0
#: Hours without help that tell the load of a day, where the battery's current is logged (judgement:
#: the sun gives more than a boat draws for eleven hours at most. On shore power a light load is
#: seen as help in half of the hours only).
_ALONE_H = 13.0
#: What a load that is filled in for hours with help may be wrong by, relative (judgement: the sun
#: feeds loads by day before more flows into the battery than the charger gives).
FILLED_SD = 0.3
#: Rounds in which levels of days and the pattern of their hours settle.
_ROUNDS = 5
#: A boat that seems to draw less than this part of her usual current is fed by something else (our
#: choice).
_NOTHING = 0.02
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
    day = np.floor(grid.local_s / DAY_S).astype(np.intp)
    origin = int(day[0])
    index = day - origin
    count = int(index[-1]) + 1
    per_h = STEP_S / 3600.0
    known_h = np.bincount(index, weights=grid.known * per_h, minlength=count)
    help_h = np.bincount(index, weights=grid.aided * per_h, minlength=count)
    # A day in doubt is left out, but the bank is not given a charge that may have come from the
    # charger itself.
    sure = grid.aided if grid.filling is None else grid.aided & ~grid.filling
    sure_h = np.bincount(index, weights=sure * per_h, minlength=count)
    held = held_days(origin, count, config.other_sources)
    helped = (help_h > _HELP_H) | held
    gap = ~helped & (known_h < _KNOWN_H)
    left_out = {"other_source": int(helped.sum()), "gap": int(gap.sum())}
    good = ~helped & ~gap
    quiet = grid.known & ~grid.aided
    volts = float(np.mean(grid.volts[quiet])) * grid.blocks if quiet.any() else None
    if drawn is not None:
        measured = measured_ah(drawn, grid, index, count)
        # The hours without help tell the load of a day with some.
        told = good | (helped & ~held & np.isfinite(measured))
        left_out["other_source"] = int((helped & ~told).sum())
        filled = FILLED_SD * float(help_h[told].sum()) / (24.0 * max(int(told.sum()), 1))
        sensor = config.sensor
        found = by_current(
            measured, told, origin, volts, left_out, efficiency,
            relative_sd=math.hypot(filled, sensor.gain_uncertainty),
            zero_ah=24.0 * sensor.zero_uncertainty_a,
        )  # fmt: skip
        found = _with_starts(found, runs, grid, config.battery.chemistry)
        found = replace(found, pattern=pattern_of(drawn, grid, index, count))
        supplied_ah = efficiency * charge_by_cell(runs, grid)
        found = replace(found, supplied_ah=by_day(supplied_ah, grid, origin, count))
    else:
        found = _balance(
            runs,
            grid,
            good,
            origin,
            volts,
            left_out,
            efficiency,
            config.battery.chemistry,
            told_share=config.battery.charge_efficiency,
            capacity_ah=config.battery.capacity_ah,
        )
    found = with_full_bank(found, grid, config.battery)
    found = with_sources_along(
        found, grid, along(runs, config.other_sources), config.battery.chemistry
    )
    said = found.doubts
    if drawn is None and not config.other_sources:
        said = (*said, *unnamed_source(int(helped.sum()), int((known_h >= _KNOWN_H).sum())))
    engine = helped & (help_h < ENGINE_H) & (known_h >= _KNOWN_H)
    more, heavier = more_on(found, engine, ~engine & ~good, origin)
    found = replace(
        found,
        doubts=(*said, *heavier),
        other_s=_begin_s(helped, origin),
        help_h=np.asarray(sure_h[helped], dtype=np.float64),
        help_ah=None if drawn is None else given_ah_by_others(drawn, grid, index, count)[helped],
        gap_s=_begin_s(gap, origin),
        helped_ah=more,
        bank=config.battery,
    )
    # On days with help all day long the bank gives nothing, so they ask for no charger.
    all_day = int((helped & (held | (help_h >= ALL_DAY_H))).sum())
    return _without_rare_days_of_few(found, left_out["other_source"] - all_day)


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
    runs: Runs,
    grid: Grid,
    good: Flags,
    origin: int,
    volts: float | None,
    left_out: dict[str, int],
    efficiency: float,
    chemistry: str,
    *,
    told_share: float | None,
    capacity_ah: float | None,
) -> LoadResult:
    """Find the loads by the balance of charge between marks."""
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
    if told_share is not None:
        kept = told(grid, spans, told_share)
    efficiency = kept.overall
    days, parts, _ = weights(spans, grid, kept.by_cell)
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
        (capacity_ah or usual_bank_ah(supplied, days)) / SWING_V,
    )
    guessed = Guessed(
        rest_days[:, touched],
        rest_parts,
        kept_ah[rest.last] - kept_ah[rest.first],
        rest.swing,
        rest.sd,
    )
    found = fit(days[:, touched], parts, spans, supplied, rough, guessed)
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


def boat_current(runs: Runs, grid: Grid) -> Floats | None:
    """Return charger's current less battery current in each cell, A; None without that channel.

    NaN where the battery's current was not told.
    """
    told = np.isfinite(runs.log.battery_charge_c)
    if runs.log.duration_s[told].sum() < 0.5 * runs.log.duration_s.sum():
        return None
    seen_s = 3600.0 * by_cell(runs, grid, np.where(told, runs.log.duration_s, 0.0))
    charge = charge_by_cell(runs, grid) - by_cell(runs, grid, runs.log.battery_charge_c)
    return np.where(seen_s > 0.9 * STEP_S, charge * 3600.0 / STEP_S, np.nan)


def fed_by_others(drawn: Floats, grid: Grid) -> Flags:
    """Mark where something else feeds the boat: for a quarter of an hour she seems to draw nothing.

    Then more flows into the battery than the charger gives. Where the battery's current is not
    told the voltage decides.
    """
    told = np.isfinite(drawn)
    least = _NOTHING * float(np.median(np.abs(drawn[told]))) if told.any() else 0.0
    total = np.concatenate(([0.0], np.cumsum(np.where(told, drawn, 0.0))))
    seen = np.concatenate(([0], np.cumsum(told)))
    at = np.arange(len(drawn))
    low, high = np.maximum(at - 1, 0), np.minimum(at + 2, len(drawn))
    mean = (total[high] - total[low]) / np.maximum(seen[high] - seen[low], 1)
    return np.where(told, mean < least, grid.aided)


def given_ah_by_others(drawn: Floats, grid: Grid, index: NDArray[np.intp], count: int) -> Floats:
    """Return what flowed into the bank beyond what the charger gave, Ah of each day."""
    surplus = np.where(np.isfinite(drawn) & grid.aided, np.maximum(-drawn, 0.0), 0.0)
    given = np.bincount(index, weights=surplus * (STEP_S / 3600.0), minlength=count)
    return np.asarray(given, dtype=np.float64)


def measured_ah(drawn: Floats, grid: Grid, index: NDArray[np.intp], count: int) -> Floats:
    """Return the load of each day from the battery's current, Ah; NaN where too little is told.

    Hours without a reading are filled from the mean of the same hour on other days. So are hours
    with help, by what the day's other hours draw beside theirs on other days.
    """
    kept, load, hour = _by_hour(drawn, grid)
    usual = np.bincount(hour[kept], weights=load[kept], minlength=24) / np.maximum(
        np.bincount(hour[kept], minlength=24), 1
    )
    filled = np.where(kept, load, usual[hour])
    per_h = STEP_S / 3600.0
    some = np.bincount(index, weights=grid.aided * per_h, minlength=count) > _HELP_H
    beside = by_other_hours(load, kept, hour, index, count)
    filled = np.where(some[index] & ~kept, beside, filled)
    seen = np.bincount(index, weights=kept * (STEP_S / 3600.0), minlength=count)
    total = np.bincount(index, weights=filled, minlength=count)
    # The first and the last day of the log may be short of cells.
    cells = np.bincount(index, minlength=count)
    whole = cells * (STEP_S / 3600.0) > 23.0
    return np.where((seen >= np.where(some, _ALONE_H, _KNOWN_H)) & whole, total, np.nan)


def _by_hour(drawn: Floats, grid: Grid) -> tuple[Flags, Floats, NDArray[np.intp]]:
    """Return which cells tell the load, what is drawn in these, Ah, and the hour of each cell."""
    kept = np.isfinite(drawn) & grid.known & ~grid.aided
    hour = (grid.local_s % DAY_S / 3600.0).astype(np.intp)
    return kept, np.where(kept, drawn, 0.0) * (STEP_S / 3600.0), hour


def pattern_of(drawn: Floats, grid: Grid, index: NDArray[np.intp], count: int) -> Floats | None:
    """Return the part of the load in each eighth of the day; heavy days weigh by what they draw."""
    kept, load, hour = _by_hour(drawn, grid)
    load = np.where(kept, load, by_other_hours(load, kept, hour, index, count))
    parts = np.maximum(np.bincount(hour // 3, weights=load, minlength=8), 0.0)
    return parts / parts.sum() if parts.sum() > 0.0 else None


def by_other_hours(
    load: Floats, kept: Flags, hour: NDArray[np.intp], index: NDArray[np.intp], count: int
) -> Floats:
    """Return what each cell draws by the level of its day and the pattern of the hours, Ah.

    The days that tell an hour may be the heavier ones, so levels and pattern are found in turn.
    """
    pattern, level = np.ones(24), np.ones(count)
    for _ in range(_ROUNDS):
        told = np.bincount(index[kept], weights=pattern[hour[kept]], minlength=count)
        given = np.bincount(index[kept], weights=load[kept], minlength=count)
        level = given / np.where(told > 0.0, told, np.inf)
        told = np.bincount(hour[kept], weights=level[index[kept]], minlength=24)
        given = np.bincount(hour[kept], weights=load[kept], minlength=24)
        pattern = np.where(told > 0.0, given / np.where(told > 0.0, told, np.inf), 1.0)
    return np.asarray(pattern[hour] * level[index], dtype=np.float64)
