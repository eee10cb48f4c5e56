"""Finds reasons to doubt a load beyond its interval.

They are a source that charges along, a bank that is kept nearly full or goes on taking charge, many
days that seem to have another source, and days with the engine on which the boat draws more than
on others.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimate import Z90
from analysis.figures import figure_with_ends
from analysis.load.sources.other_sources import STEP_S
from analysis.load.usual_bank import USUAL_DAYS
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.estimate import Span
    from analysis.load.charge_kept import Kept
    from analysis.load.result import LoadResult
    from analysis.load.sources.other_sources import Grid
    from logger.config import BatteryConfig

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: What shows solar.
BY_LIFT = "At rest the voltage stands higher round noon than in the morning and the evening:"
#: From this standard deviation on, a doubt about the share of charge kept is stated (judgement).
KEPT_SD = 0.10
#: Help for less than so many hours is an engine; longer help is shore power (judgement). With help
#: for so many hours of a day the bank gives next to nothing (judgement).
ENGINE_H, ALL_DAY_H = 6.0, 18.0
#: What the charger gives on days with an engine is told from so many days on, where nine times in
#: ten it is more than the mean load of the others (judgement).
FEWEST_ENGINE_DAYS, NINE_IN_TEN = 5, 1.282
#: A charger that runs for so much of a day, with the battery above so many V in the mean of it,
#: charges a full bank. From this part of the days on it is worth a word (judgement: on boats of the
#: study and of the independent generator it is at most an eighth).
ALL_DAY, FULL_V, MANY_FULL = 0.95, 13.6, 0.25
#: What a full bank may turn into gas, A per Ah: free acid and sealed (EN/IEC 62485-2 takes these
#: for boost charge, from memory).
GAS_A_PER_AH = {"flooded": 0.02, "agm": 0.008, "gel": 0.008}
#: The load is at least this part of what is told (judgement).
LEAST_PART = 0.1
#: With no more than this part of the days without another source, they say little about the others,
#: and nothing about the rare days (judgement).
FEW_ALONE = 0.2
#: A bank may hold so much more or less at the end of some days than at their beginning, part of
#: a charge from a start to full (judgement).
BETWEEN = 0.5
#: So many days, and this part of all, that seem to have a source that nobody named are worth a word
#: (judgement).
MANY_DAYS, MANY_PART = 7, 0.25


def doubts(kept: Kept) -> tuple[str, ...]:
    """Return the doubts about the share of the charge that the bank keeps, as sentences."""
    if kept.load_sd <= KEPT_SD:
        return ()
    said = (
        f"Much of the charge goes into a bank that is nearly full; the log does not show how much "
        f"of that the bank keeps. Of the charge below the charge ceiling it keeps "
        f"{100 * kept.low:.0f} to {100 * kept.high:.0f} %. Log the battery current, or set "
        f"charge_efficiency."
    )
    return (said,)


def shared_load(boat_ah: Span, solar_ah: Span, *, named: bool) -> tuple[str, ...]:
    """Return what to say where something else gives a part of the load every day.

    Parameters
    ----------
    boat_ah
        What the boat uses a day, that part included; the low end alone where it is not known.
    solar_ah
        What the sun gives a day, by the log; empty where the log does not show it.
    named
        Whether the configuration names the source.
    """
    said = []
    if solar_ah.low is not None:
        who = "solar gives" if named else "solar probably charges as well,"
        said.append(f"{BY_LIFT} {who} some {figure_with_ends(solar_ah, 'Ah')} a day.")
    if not named:
        said.append("The load told is what that leaves for the charger.")
    if boat_ah.median is not None:
        said.append(f"The boat herself uses some {figure_with_ends(boat_ah, 'Ah')} a day.")
    elif boat_ah.low is not None:
        least = f"at least {boat_ah.low:.0f} Ah a day"
        said.append(f"What the boat herself uses the log does not show: {least}.")
    if not named:
        said.append(
            "Name the source in [[other_sources]]; an ammeter at the panels shows what they give."
        )
    return (" ".join(said),) if said else ()


def on_engine_days(
    supplied_ah: Floats, load_ah: Floats, engine: Flags, left_out: Flags, swing_ah: float, sd: float
) -> float | None:
    """Return the charge that the charger alone gives a boat on a day with an engine, Ah.

    A boat draws most on the days on which she sails, and on these the engine runs, so the days
    without help show her at rest. What the charger gave beyond their loads it gave for the days
    with an engine, some of it in the night after. The boat draws this, and what the engine gives.

    Parameters
    ----------
    supplied_ah
        What the charger gave on each day, less what the bank lost, shape (days,).
    load_ah
        Load of each day on which nothing else charged; NaN where it is not known.
    engine
        Days with an hour or two of help.
    left_out
        Days with long help, and days with gaps.
    swing_ah
        Charge from a start of the charger to a full bank.
    sd
        Relative standard deviation of the mean load.

    Returns
    -------
    None where there are few such days, or where it is not surely more than the mean load.
    """
    number = int(engine.sum())
    known = np.isfinite(load_ah) & ~engine & ~left_out
    if number < FEWEST_ENGINE_DAYS or not known.any():
        return None
    mean = float(load_ah[known].mean())
    others = mean * float((~engine & ~left_out).sum())
    given = float(supplied_ah[~left_out].sum()) - others
    ends = 1 + np.count_nonzero(np.diff(left_out.astype(np.int8)))
    error = float(np.hypot(sd * others, BETWEEN * swing_ah * np.sqrt(ends)))
    if given - NINE_IN_TEN * error < mean * number:
        return None
    return given / number


def more_on(
    found: LoadResult, engine: Flags, left_out: Flags, origin: int
) -> tuple[float | None, tuple[str, ...]]:
    """Return what :func:`on_engine_days` finds on a log's days with an engine, with a sentence.

    ``origin`` is the first day of ``engine`` and ``left_out``, days since 1970.
    """
    if len(found.daily_s) == 0:
        return None, ()
    load = np.full(len(engine), np.nan)
    load[np.round(found.daily_s / DAY_S).astype(np.intp) - origin] = found.daily_ah
    engine = engine & np.isnan(load)
    more = on_engine_days(
        found.supplied_ah, load, engine, left_out, found.start_ah or 0.0, found.relative_sd
    )
    if more is None:
        return None, ()
    said = (
        f"On {int(engine.sum())} days something else charged for an hour or two, and beside that "
        f"the charger alone gave about {more:.0f} Ah a day, more than the mean: on such days the "
        "boat draws more than the figures of the other days say."
    )
    return more, (said,)


def with_full_bank(found: LoadResult, grid: Grid, bank: BatteryConfig) -> LoadResult:
    """Allow for a full bank that goes on taking charge from a charger that never stops.

    What it turns into gas and heat looks like load in the balance of charge.
    """
    if found.method != "balance" or found.ah.low is None or found.ah.median is None:
        return found
    full, days = full_days(grid)
    if full == 0 or full < MANY_FULL * days:
        return found
    capacity_ah = bank.capacity_ah or USUAL_DAYS * found.ah.median
    gas_ah = 24.0 * GAS_A_PER_AH[bank.chemistry] * capacity_ah * full / days
    low = max(found.ah.low - gas_ah, LEAST_PART * found.ah.median)
    said = (
        f"On {full} of {days} days the charger ran all day with the battery above "
        f"{FULL_V * grid.blocks:.1f} V in the mean. A bank is full by then; what it goes on "
        f"taking, a worn one most, looks like load. The boat may use as little as {low:.0f} Ah a "
        "day. Test the battery, or log its current (battery_current_a)."
    )
    wider = 0.5 * np.log(found.ah.median / low) / Z90
    return replace(
        found,
        ah=replace(found.ah, low=low),
        relative_sd=float(np.hypot(found.relative_sd, wider)),
        doubts=(*found.doubts, said),
    )


def full_days(grid: Grid) -> tuple[int, int]:
    """Return on how many days the charger charged a full bank all day, and of how many.

    Days of which a quarter or more is not known are not counted; float is none.
    """
    day = np.floor(grid.local_s / DAY_S).astype(np.intp)
    day -= day[0]
    known = np.bincount(day, grid.known)
    alone = grid.running & ~grid.in_float & ~grid.aided
    part = np.bincount(day, alone) / np.maximum(known, 1.0)
    volts = np.bincount(day, np.where(grid.known, grid.volts, 0.0)) / np.maximum(known, 1.0)
    whole = known * STEP_S > 0.75 * DAY_S
    return int((whole & (part > ALL_DAY) & (volts > FULL_V)).sum()), int(whole.sum())


def few_alone(days: int, helped: int) -> tuple[str, ...]:
    """Return a sentence where the figures come from few of many days."""
    if days == 0 or days > FEW_ALONE * (days + helped):
        return ()
    said = (
        f"Nothing else charged on only {days} of {days + helped} days, those with help all day "
        "long left aside, and all figures are of these: on the others the boat may draw more or "
        "less."
    )
    return (said,)


def unnamed_source(days: int, of_days: int) -> tuple[str, ...]:
    """Return a sentence on days left out for a source that the configuration does not name.

    The voltage alone cannot tell a source from a large load that goes off beside a worn bank.
    """
    if days < max(MANY_DAYS, MANY_PART * of_days):
        return ()
    said = (
        f"On {days} of {of_days} days the voltage rose as if something else charged (shore power, "
        "engine, solar), so they are left out. If something did, name it in [[other_sources]]. If "
        "nothing did, large loads went off beside a worn or nearly full bank: log the battery "
        "current (battery_current_a), which shows who charges."
    )
    return (said,)
