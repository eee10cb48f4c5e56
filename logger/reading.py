"""A reading: the values of a source at one instant; and the operating states."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class OperatingState(StrEnum):
    """Operating states of SunSpec model 701 (``InvSt``), stored by name, never by number.

    Source: sunspec/models repository, ``json/model_701.json``; ``UNKNOWN`` is ours, for a source
    that does not tell its state.
    """

    OFF = "off"
    SLEEPING = "sleeping"
    STARTING = "starting"
    RUNNING = "running"
    THROTTLED = "throttled"
    SHUTTING_DOWN = "shutting_down"
    FAULT = "fault"
    STANDBY = "standby"
    UNKNOWN = "unknown"


#: States in which current flows or is about to: a run goes from the first to the last of these.
RUN_STATES = frozenset(
    {
        OperatingState.STARTING,
        OperatingState.RUNNING,
        OperatingState.THROTTLED,
        OperatingState.SHUTTING_DOWN,
    }
)


@dataclass(frozen=True, slots=True)
class Reading:
    """The values of a source at one instant. A value that the source did not give is ``None``.

    Parameters
    ----------
    time_s
        Seconds on the clock of the session: Unix time for recordings and imports,
        ``CLOCK_BOOTTIME`` for live sources (the store keeps the offset to UTC beside it).
    voltage_v
        Voltage at the charger's output terminals, V.
    current_a
        Current out of the charger, A (negative: into it).
    state
        Operating state; ``UNKNOWN`` where the source does not tell it.
    runtime_h
        The charger's own hour counter, h.
    temperature_c
        Air temperature of the compartment, degC.
    battery_current_a
        Current into the battery, A (negative: discharging).
    fuel_l
        Fuel left by the source's own gauge, L.
    utc_s
        Time by the device's own clock, Unix seconds; used only to find the true time.
    word
        The state as the source wrote it, if it says more than ``state`` does (a word that is not
        mapped, a fault with its code): untrusted text of at most :data:`LONGEST_WORD` characters,
        else empty.
    """

    time_s: float
    voltage_v: float | None = None
    current_a: float | None = None
    state: OperatingState = OperatingState.UNKNOWN
    runtime_h: float | None = None
    temperature_c: float | None = None
    battery_current_a: float | None = None
    fuel_l: float | None = None
    utc_s: float | None = None
    word: str = ""


#: Characters kept of a state word: longer ones are noise (judgement, no source).
LONGEST_WORD = 40
#: Most distinct state words that are kept for the person who maps them; it bounds the memory.
MOST_WORDS = 32
#: A clock with an earlier time was never set (2020-01-01, Unix seconds: before this program).
CLOCK_UNSET_BEFORE_S = 1577836800.0
#: The measured channels of a reading, in storage order, with their units.
CHANNELS: dict[str, str] = {
    "voltage_v": "V",
    "current_a": "A",
    "runtime_h": "h",
    "temperature_c": "degC",
    "battery_current_a": "A",
    "fuel_l": "L",
}
