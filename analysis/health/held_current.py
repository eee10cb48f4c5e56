"""Tells a charger that holds its current from one that holds its power.

Most chargers give what they can, so their current falls as the voltage rises. Some hold a current,
and their power rises with the voltage, by an eighth from the start of a charge to its end. Taken as
what they can give, that rise makes every earlier hour look held down. So the output of such a
charger is stated at one voltage.

Loads that switch on and off move the voltage within minutes, while neither wear nor sag moves the
charger. From one interval to the next the current then answers a rise of 1 % with a fall of 1 %
where the power is held, and not at all where the current is. A voltmeter that scatters, or shows
tenths only, moves without the voltage, and no current answers that. So the current must also hold
over the whole of a run, in which the voltage rises by more than any meter scatters.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.statistics.selection import quantile_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: Steps of the voltage that are looked at, parts of it: more than a meter scatters, less than a
#: bank moves when a charge begins or ends (judgement).
_STEP = (0.003, 0.04)
#: Steps of the current beyond the first part are the charger's own, a pause or a fault. So are
#: distances beyond the second from the middle current of a run (judgement).
_OWN_STEP, _OWN_LEVEL = 0.06, 0.1
#: Hours after the start from which on it is warm for sure (judgement).
_WARM_H = 1.0
#: Least number of such steps, and greatest standard error of the answer (our choice).
_FEWEST, _SURE = 100, 0.1
#: Largest answer of a current that is held, up or down: half way from a held current, 0, to a held
#: power, -1.
_HALF_WAY = 0.5


def held_current_v(
    run: NDArray[np.intp], since_start_h: Floats, voltage_v: Floats, power_w: Floats, free: Flags
) -> float | None:
    """Return the voltage at which to state the output of a charger that holds its current, V.

    Parameters
    ----------
    run, since_start_h, voltage_v, power_w
        Intervals inside runs, in order, shape (m,).
    free
        Intervals in which the charger set the current, shape (m,).

    Returns
    -------
    The median voltage of these intervals; None where the power is held, or the log does not tell.
    """
    use = free & (since_start_h > _WARM_H) & (power_w > 0.0)
    pair = use[1:] & use[:-1] & (run[1:] == run[:-1])
    if np.count_nonzero(pair) < _FEWEST:
        return None
    # Only where both intervals are used are the logarithms taken: the others may hold zeros.
    after, before = np.flatnonzero(pair) + 1, np.flatnonzero(pair)
    rise = np.log(voltage_v[after] / voltage_v[before])
    answer = np.log(power_w[after] / power_w[before]) - rise
    size = np.abs(rise)
    taken = (size > _STEP[0]) & (size < _STEP[1]) & (np.abs(answer) < _OWN_STEP)
    if np.count_nonzero(taken) < _FEWEST:
        return None
    rise, answer = rise[taken], answer[taken]
    square = float(rise @ rise)
    slope = float(rise @ answer) / square
    error = float(np.std(answer - slope * rise)) / np.sqrt(square)
    if abs(slope) > _HALF_WAY or error > _SURE:
        return None
    if not abs(_answer_in_runs(run[use], voltage_v[use], power_w[use])) < _HALF_WAY:
        return None
    return float(np.median(voltage_v[use]))


def _answer_in_runs(run: NDArray[np.intp], voltage_v: Floats, power_w: Floats) -> float:
    """Return what the current answers to 1 % of voltage over whole runs, %; NaN if none is seen."""
    volts = _about_the_middle(run, np.log(voltage_v))
    amps = _about_the_middle(run, np.log(power_w / voltage_v))
    usual = np.abs(amps) < _OWN_LEVEL
    volts, amps = volts[usual], amps[usual]
    square = float(volts @ volts)
    return float(volts @ amps) / square if square > 0.0 else float("nan")


def _about_the_middle(run: NDArray[np.intp], values: Floats) -> Floats:
    """Return the values less the median of their run."""
    parts = np.split(values, np.flatnonzero(np.diff(run)) + 1)
    return np.concatenate([part - quantile_of(part, 0.5) for part in parts])
