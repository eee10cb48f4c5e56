"""Finds reasons to doubt a load beyond its interval.

They are solar, a bank that is kept nearly full, many days that seem to have another source, and
days with the engine on which the boat draws more than on others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.load.held_voltage import HOUR, HOUR_2
from analysis.load.other_sources import LEAD, start_rise
from analysis.statistics.windows import since, window
from logger.durations import DAY_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.load.charge_kept import Kept
    from analysis.load.other_sources import Grid
    from analysis.load.result import LoadResult

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Rise of a bank at rest in three hours that shows another source: this much, V, and this part of
#: the rise at a start of the charger. Loads switched off lift it less (judgement).
LIFT_V, LIFT_PART = 0.08, 0.25
#: Solar is assumed if such rises come on this many days, on this part of the days with hours of
#: rest, and at one time of day (length of the mean of the hours as directions: 1 where all are the
#: same; judgement).
SUN_DAYS, SUN_PART, SUN_ALIKE = 10, 0.2, 0.6
#: Relative standard deviation of the mean load from an unseen source by day (judgement).
SUN_SD = 0.2
#: From this standard deviation on, a doubt about the share of charge kept is stated (judgement).
KEPT_SD = 0.10
#: Help for less than so many hours is an engine; longer help is shore power (judgement).
ENGINE_H = 6.0
#: What the charger gives on days with an engine is told from so many days on, where nine times in
#: ten it is more than the mean load of the others (judgement).
FEWEST_ENGINE_DAYS, NINE_IN_TEN = 5, 1.282
#: With no more than this part of the days without another source, they say little about the others
#: (judgement).
FEW_ALONE = 0.2
#: A bank may hold so much more or less at the end of some days than at their beginning, part of
#: a charge from a start to full (judgement).
BETWEEN = 0.5
#: So many days, and this part of all, that seem to have a source that nobody named are worth a word
#: (judgement).
MANY_DAYS, MANY_PART = 7, 0.25


def sun(grid: Grid) -> bool:
    """Tell whether something lifts the bank at rest on many days at one time of day."""
    at_rest = grid.known & ~grid.running
    rested = at_rest & (since(grid.running, np.arange(len(grid.volts))) > HOUR_2)
    shown = np.where(rested, grid.volts, np.nan)
    low = window(shown, 0, 3 * HOUR, np.fmin)
    least = max(LIFT_V, LIFT_PART * start_rise(grid.volts, grid.running))
    lifted = rested & (grid.volts - low > least) & (grid.volts < LEAD.held_v + 1.5)
    day = np.floor(grid.local_s / DAY_S).astype(np.intp)
    rest_days = np.flatnonzero(np.bincount(day - day[0], weights=rested) >= 6 * HOUR)
    days, first = np.unique(day[lifted], return_index=True)
    if len(days) < max(SUN_DAYS, SUN_PART * len(rest_days)):
        return False
    angle = 2.0 * np.pi * (grid.local_s[lifted][first] % DAY_S) / DAY_S
    return bool(abs(np.exp(1j * angle).mean()) > SUN_ALIKE)


def doubts(kept: Kept, *, sunny: bool) -> tuple[str, ...]:
    """Return the doubts about the load, as sentences."""
    said = []
    if kept.load_sd > KEPT_SD:
        said.append(
            f"Much of the charge goes into a bank that is nearly full; the log does not show how "
            f"much of that the bank keeps. Of the charge below the charge ceiling it keeps "
            f"{100 * kept.low:.0f} to {100 * kept.high:.0f} %. Log the battery current, or set "
            f"charge_efficiency."
        )
    if sunny:
        said.append(
            "By day the voltage rises at rest, so solar probably charges as well; how much is not "
            "known. The figure is roughly the load that the charger meets. Log the battery "
            "current."
        )
    return tuple(said)


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


def few_alone(days: int, helped: int) -> tuple[str, ...]:
    """Return a sentence where the figures come from few of many days."""
    if days == 0 or days > FEW_ALONE * (days + helped):
        return ()
    said = (
        f"Nothing else charged on only {days} of {days + helped} days, and all figures are of "
        "these: on the others the boat may draw more or less."
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
