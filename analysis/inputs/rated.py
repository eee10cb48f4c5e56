"""Output above rated, and a current that is not the charger's: nothing follows from that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from analysis.figures import day
from analysis.history.history import STATE_CODE
from analysis.history.runs import FLOWING
from analysis.inputs.finding import Finding, Series, Severity, by_day, series
from analysis.inputs.rest import RESTS
from analysis.inputs.zero import mean_current
from logger.durations import DAY_S
from logger.reading import OperatingState

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.history.history import History

    Floats = NDArray[np.float64]
    Flags = NDArray[np.bool_]

#: No charger gives more than this part of its nameplate for an hour: a nameplate is honest to a
#: few per cent, a cold compartment adds two or three (common practice, no source).
MOST = 1.15
LASTS_S = 3600.0
#: A charger that holds its current gives a fifth more at the end of a charge than at 12 V (14.4 V).
HELD_CURRENT = 1.25
_AT_CHARGING = "set rated_w to its amperes times 13 (24 V: 26)"
#: Watts in the column of amperes show up as the battery's voltage times too much: banks of 12 to 48
#: V, low and charged.
_VOLTS = (11.0, 60.0)
#: A resting charger whose current is negative by more than this part of rated carries a load (our
#: choice).
NEGATIVE = 0.03
#: This part of the rest, or of the running, is enough to say so (our choice), ...
_SHARE = 0.2
MOSTLY = 0.8
#: ... and so many hours.
_LEAST_H = 5.0

_RUNS = tuple(STATE_CODE[s] for s in (OperatingState.RUNNING, OperatingState.THROTTLED))


def above_rated(log: History, rated_w: float) -> Finding | None:
    """Return a finding where the output stood above :data:`MOST` of rated for an hour."""
    if len(log) == 0:
        return None
    with np.errstate(invalid="ignore"):
        over = log.energy_j / log.duration_s > MOST * rated_w
    total_s = float(log.duration_s[over].sum())
    longest_s, place = _longest(log, over)
    if longest_s < LASTS_S:
        return None
    power = log.energy_j[over] / log.duration_s[over]
    level = float(np.median(power)) / rated_w
    since_s = float(log.start_s[place])
    began = since_s - float(log.start_s[0]) < 14.0 * DAY_S
    return Finding(
        "above_rated",
        Severity.STOP,
        since_s,
        f"The output stood at {100.0 * level:.0f} % of rated for {total_s / 3600.0:.0f} h, first "
        f"on {day(since_s)}. No charger gives that, so the figures are not of the charger that "
        "the configuration describes.",
        _causes(level, began=began),
        f"at most {100.0 * MOST:.0f} % of {rated_w:g} W for an hour",
        f"{level * rated_w:.0f} W, {100.0 * level:.0f} % of rated, for {longest_s / 3600.0:.0f} h "
        "on end",
        series("output", "W", log.start_s[over], power, rated_w),
    )


def _longest(log: History, over: Flags) -> tuple[float, int]:
    """Return the longest stretch without a gap, s, and where the first one of an hour begins."""
    edge = over[1:] & over[:-1] & (log.start_s[1:] - log.end_s[:-1] < 60.0)
    number = np.cumsum(np.concatenate(([True], ~edge)))[over]
    if len(number) == 0:
        return 0.0, 0
    seconds = np.bincount(number, weights=log.duration_s[over])
    first = int(np.argmax(seconds[number] >= LASTS_S))
    return float(seconds.max()), int(np.flatnonzero(over)[first])


def _causes(level: float, *, began: bool) -> str:
    """Return what to look at, the likely cause first."""
    unit = "a larger unit than [charger] rated_w says: set rated_w to its nameplate"
    if not began:
        unit = (
            "the charger was exchanged for a larger one: record it (ebbwatt exchange --at DAY), so "
            "that it has a log of its own"
        )
    net = "the current is measured at the battery and not at the charger: move the sensor"
    gain = "the sensor's gain (a wrong shunt ratio): hold a clamp meter against it"
    if _VOLTS[0] <= level <= _VOLTS[1]:
        return f"Look for, in this order: watts where amperes are expected; {gain}; {net}; {unit}."
    if level > 2.0:
        return f"Look for, in this order: {net}; {gain}; {unit}."
    if level <= HELD_CURRENT:
        net = f"{net}; a charger that holds its current, rated at 12 V: {_AT_CHARGING}"
    return f"Look for, in this order: {unit}; {gain}; {net}."


def not_the_chargers(log: History, rated_a: float) -> Finding | None:
    """Return a finding where the current at rest is a load: the sensor sits at the battery.

    A load far below zero was refused as impossible when it was read: of such a rest only the
    voltage is left.
    """
    current = mean_current(log)
    quiet, gone = _rests_and_refused(log, current)
    with np.errstate(invalid="ignore"):
        below = quiet & (current < -NEGATIVE * rated_a)
    below_h, gone_h, quiet_h = (
        float(log.duration_s[flag].sum()) / 3600.0 for flag in (below, gone, quiet)
    )
    if below_h + gone_h < max(_LEAST_H, _SHARE * quiet_h):
        return None
    spread = 0.0
    if below.any():
        spread = float(np.subtract(*np.quantile(current[below], (0.9, 0.1))))
    if gone_h < _LEAST_H and spread < NEGATIVE * rated_a:
        return None  # it stands still: a zero, not a load
    since_s = float(log.start_s[np.argmax(below | gone)])
    parts = [f"below {-NEGATIVE * rated_a:.2f} A in {below_h:.0f} h"] if below_h >= 1.0 else []
    parts += [f"refused as impossible in {gone_h:.0f} h"] if gone_h >= 1.0 else []
    seen = " and ".join(parts)
    return Finding(
        "net_current",
        Severity.STOP,
        since_s,
        "The current is not zero while the charger rests: the sensor sees the boat's loads, not "
        f"the charger alone. In {quiet_h:.0f} h of rest it was {seen}.",
        "Look for, in this order: the current is measured at the battery (measure it in the "
        "charger's own output cable; what is measured at the battery belongs into the channel "
        "battery_current_a); the sensor is fitted the wrong way round; the limits in [plausible].",
        "0 A at rest, steady",
        f"{seen}, of {quiet_h:.0f} h of rest",
        series("current at rest", "A", log.start_s[below], current[below], 0.0)
        if below_h > gone_h
        else by_day(
            "part of the rest with a current that is believed",
            "%",
            log,
            np.where(quiet & ~gone, log.duration_s, 0.0),
            np.where(quiet, log.duration_s, 0.0),
        ),
    )


def _rests_and_refused(log: History, current: Floats) -> tuple[Flags, Flags]:
    """Return where the charger rests, and where such a rest has a voltage but no current."""
    volts = log.voltage_mean_v
    quiet = np.isin(log.state, RESTS)
    gone = ~np.isfinite(current) & np.isfinite(volts)
    if not quiet.any():
        # No states: a rest is where the voltage is that of a battery that nobody charges.
        there = np.isfinite(current) & np.isfinite(volts)
        if not (gone.any() and there.any()) or np.median(volts[gone]) > np.median(volts[there]):
            gone[:] = False
        quiet = np.ones(len(log), dtype=bool)
    return quiet, gone & quiet


def not_believed(log: History, rated_a: float) -> Finding | None:
    """Return a finding where the current is not the charger's, or is missing."""
    # Where hardly any current of a run is believed its unit or its sign is wrong, whatever it
    # seems to be at rest.
    return current_missing(log, MOSTLY) or not_the_chargers(log, rated_a) or current_missing(log)


def current_missing(log: History, least: float = _SHARE) -> Finding | None:
    """Return a finding where more than a part of the running has no current that is believed."""
    current = mean_current(log)
    running = np.isin(log.state, _RUNS)
    if not running.any():
        running = np.ones(len(log), dtype=bool)  # no states: the whole log is looked at
    running &= np.isfinite(log.voltage_mean_v)
    gone = running & ~np.isfinite(current)
    running_h, gone_h = (float(log.duration_s[flag].sum()) / 3600.0 for flag in (running, gone))
    if gone_h < _LEAST_H or gone_h < least * running_h:
        return None
    since_s = float(log.start_s[np.argmax(gone)])
    return Finding(
        "current_missing",
        Severity.STOP,
        since_s,
        f"In {gone_h:.0f} of {running_h:.0f} hours there is a voltage but no current: none was "
        "sent, or every value was refused as impossible.",
        "Look for, in this order: the recording has no current_a; the sensor is fitted the wrong "
        "way round (negative values); the column is in milliampere or in watts (set its unit); the "
        "limits in [plausible] are too narrow. Then import the recording again.",
        "a current in every reading of a running charger",
        f"none in {100.0 * gone_h / running_h:.0f} % of {running_h:.0f} h",
        _told_by_day("a current", log, running, gone),
    )


def voltage_missing(log: History, running: Flags, rated_a: float) -> Finding | None:
    """Return a finding where the running has no voltage, whether there is a current or not."""
    current = mean_current(log)
    # Without a voltage there is no power; the current still tells that it runs.
    with np.errstate(invalid="ignore"):
        running = running | (~np.isfinite(log.voltage_mean_v) & (current > FLOWING * rated_a))
    gone = running & ~np.isfinite(log.voltage_mean_v)
    running_h, gone_h = (float(log.duration_s[flag].sum()) / 3600.0 for flag in (running, gone))
    if gone_h < _LEAST_H or gone_h < _SHARE * running_h:
        return None
    since_s = float(log.start_s[np.argmax(gone)])
    nearly_all = gone_h >= MOSTLY * running_h
    left = (
        "Nothing can be said of the output."
        if nearly_all
        else "These hours are left out of everything."
    )
    also = "" if np.isfinite(current[gone]).any() else ", and no current either"
    return Finding(
        "voltage_missing",
        Severity.STOP if nearly_all else Severity.DOUBT,
        since_s,
        f"In {gone_h:.0f} of {running_h:.0f} running hours no voltage was logged{also}: without "
        f"it there is no power. {left}",
        "Log the voltage at the charger's terminals (voltage_v). If the recording has one, look "
        "for, in this order: a column of another name; a unit that is not volt; the limits in "
        "[plausible]. Then import the recording again.",
        "a voltage in every reading of a running charger",
        f"none in {100.0 * gone_h / running_h:.0f} % of {running_h:.0f} h",
        _told_by_day("a voltage", log, running, gone),
    )


def _told_by_day(what: str, log: History, running: Flags, gone: Flags) -> Series:
    return by_day(
        f"running hours with {what}",
        "%",
        log,
        np.where(running & ~gone, log.duration_s, 0.0),
        np.where(running, log.duration_s, 0.0),
    )
