"""Finds the stops of a charger that ran out of fuel.

Three signs show an empty container: the output fades out although the battery would take all of it;
the charger reports a fault; or it stays off while the voltage is below its usual start voltage. The
last sign is weak, because a charger that somebody switched off stays off, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from analysis.history.history import STATE_CODE
from analysis.physics import NOMINAL_V, blocks_in_series
from logger.reading import OperatingState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.history.runs import Runs

# Limits without another reason are a judgement (no source), held by tests/analysis/fuel and the
# fuel table of METHOD.md.
#: A run that ends this part below the usual highest voltage has not filled the battery.
_SHORT_OF_FULL = 0.02
#: Fewest runs that show a usual start voltage.
_FEWEST_RUNS = 8
#: A charger with fuel starts before the voltage is this far below its usual start voltage (V per
#: 12 V) for this long, s.
_WAITING_V, _WAITED_S = 0.08, 3600.0
#: Before a recorded change of an empty container the charger stood for at least the first time, and
#: after the change it ran within the second, s.
_STOOD_S, _RAN_S = 1200.0, 3600.0
#: Least length of a fault that shows an empty container, s: shorter ones pass by themselves.
_FAULT_S = 1200.0
#: The output fades out if it stays for ``_FADES_S`` below the part ``_FADING`` of the run's earlier
#: output, and ends below the part ``_FADED``.
_FADES_S, _FADING, _FADED = 600.0, 0.5, 0.35
#: Less than this part of the run's output is no output.
_NOTHING = 0.02
#: Below any float voltage, V per 12 V: IEC 62485-2 has 2.23 V per lead-acid cell, less 0.02;
#: lithium iron phosphate floats at 13.3 V or not at all (common practice, no source).
_NO_FLOAT_V = 13.2
#: Least part by which the voltage falls with a failing charger; at a ceiling or in float it stands.
_FALLS = 0.01
#: The fading is looked for in this time before a stop, s.
_FADE_WITHIN_S = 4.0 * 3600.0
_FAULT = STATE_CODE[OperatingState.FAULT]
#: States of a charger that was switched off, unless it usually rests in that state.
_OFF = (STATE_CODE[OperatingState.OFF], STATE_CODE[OperatingState.SLEEPING])


class Sign(IntEnum):
    """How the log shows that a container ran dry; a greater value is a stronger sign."""

    WAITED = 1
    FAULT = 2
    FADED = 3


@dataclass(frozen=True, slots=True)
class Traits:
    """Usual voltages and states of a charger; NaN where not known."""

    filled_v: float
    """A run that ends below this has not filled the battery, V."""
    waiting_v: float
    """A charger with fuel starts before the voltage falls to this, V."""
    off: tuple[int, ...]
    """States that mean that somebody switched it off."""


def dry_stops(runs: Runs) -> list[tuple[int, Sign]]:
    """Return the stops that look like an empty container: the next run's number, and the sign."""
    traits = traits_of(runs)
    found = []
    # Only where a run starts anew: between the days of a long run nothing stopped.
    for k in np.flatnonzero(runs.start_s[1:] == runs.begun_s[1:]).tolist():
        if ended_voltage(runs, k) < traits.filled_v:
            pause = slice(int(runs.last[k]) + 1, int(runs.first[k + 1]))
            sign = sign_of(runs, k, pause, traits)
            if sign is not None:
                found.append((k + 1, sign))
    return found


def ran_dry(runs: Runs, changes_s: Sequence[float]) -> list[bool]:
    """Tell for each recorded change whether the charger had run out of fuel before it.

    A stop with any sign, ended by a recorded change, was an empty container. Without a sign the
    charger must have stopped short of full, stood for a while, and run soon after the change. If
    it stood only briefly, somebody may have switched it off to change the container.

    Parameters
    ----------
    runs
        The runs of the log.
    changes_s
        Unix time of each change.
    """
    traits = traits_of(runs)
    return [_ran_dry(runs, change_s, traits) for change_s in changes_s]


def _ran_dry(runs: Runs, change_s: float, traits: Traits) -> bool:
    log = runs.log
    done = np.flatnonzero(runs.end_s <= change_s)
    if np.any((runs.start_s < change_s) & (runs.end_s > change_s)) or len(done) == 0:
        return False
    k = int(done[-1])
    if not ended_voltage(runs, k) < traits.filled_v:
        return False
    pause = slice(int(runs.last[k]) + 1, int(np.searchsorted(log.start_s, change_s)))
    state = log.state[pause]
    if sign_of(runs, k, pause, traits) is not None or np.any(state == _FAULT):
        return True
    stood = change_s - runs.end_s[k] > _STOOD_S and not np.any(np.isin(state, traits.off))
    later = runs.start_s[runs.start_s >= change_s]
    return bool(stood and len(later) and later[0] - change_s < _RAN_S)


def traits_of(runs: Runs) -> Traits:
    """Return the usual voltages and states of this charger; NaN where its runs do not show them."""
    volts = runs.log.voltage_mean_v
    charging = volts[runs.running & np.isfinite(volts)]
    full = float(np.percentile(charging, 98.0)) if len(charging) else np.nan
    begins = runs.start_seen & (runs.start_s == runs.begun_s)  # long runs are cut into days
    before = np.clip(runs.first - 1, 0, None)[begins]
    starting = volts[before][np.isfinite(volts[before])]
    usual = float(np.median(starting)) if len(starting) >= _FEWEST_RUNS else np.nan
    # If a charger usually starts from a state, that state does not mean "switched off".
    rests = runs.log.state[before]
    off = tuple(code for code in _OFF if np.count_nonzero(rests == code) <= 0.5 * len(rests))
    return Traits(full * (1.0 - _SHORT_OF_FULL), usual * (1.0 - _WAITING_V / NOMINAL_V), off)


def sign_of(runs: Runs, k: int, pause: slice, traits: Traits) -> Sign | None:
    """Return the strongest sign that run ``k`` ran out of fuel; ``pause`` is the time after it."""
    log = runs.log
    length, state = log.duration_s[pause], log.state[pause]
    if faded_out(runs, k, traits.filled_v):
        return Sign.FADED
    if float(length[state == _FAULT].sum()) >= _FAULT_S:
        return Sign.FAULT
    waits = (log.voltage_mean_v[pause] < traits.waiting_v) & ~np.isin(state, traits.off)
    return Sign.WAITED if float(length[waits].sum()) >= _WAITED_S else None


def ended_voltage(runs: Runs, k: int) -> float:
    """Return the highest voltage of the last minutes in which run ``k`` gave power, V."""
    inside = slice(int(runs.first[k]), int(runs.last[k]) + 1)
    power = np.nan_to_num(runs.power_w[inside])
    giving = np.flatnonzero(power > _NOTHING * float(power.max(initial=0.0)))
    if len(giving) == 0:
        return np.nan
    return float(runs.log.voltage_max_v[inside][giving[-2:]].max())


def faded_out(runs: Runs, k: int, filled_v: float) -> bool:
    """Tell whether the output faded out before the stop that ends run ``k``.

    If the run had filled the battery before, little current may mean float. Then the voltage must
    also fall below any float voltage.
    """
    begin = int(np.searchsorted(runs.begun_s, runs.begun_s[k]))
    inside = slice(int(runs.first[begin]), int(runs.last[k]) + 1)
    power, volts = np.nan_to_num(runs.power_w[inside]), runs.log.voltage_mean_v[inside]
    length, end = runs.log.duration_s[inside], runs.log.end_s[inside]
    most = float(np.percentile(power, 90.0))
    near = end > end[-1] - _FADE_WITHIN_S
    full = np.flatnonzero(power > _FADING * most)
    if most <= 0.0 or len(full) == 0:
        return False
    tail = near & (np.arange(len(power)) > full[-1])
    fading = np.flatnonzero(tail & (power > _NOTHING * most))[:-1]  # the last holds the stop itself
    if len(fading) == 0 or length[fading].sum() < _FADES_S:
        return False
    ended_v = float(volts[fading[-1]])
    if np.any(volts >= filled_v) and not ended_v < _NO_FLOAT_V * blocks_in_series(filled_v):
        return False
    fell_v = float(np.max(volts[near & ~tail], initial=-np.inf)) - ended_v
    return bool(power[fading[-1]] < _FADED * most and fell_v > _FALLS * filled_v)
