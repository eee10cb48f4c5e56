"""Describes an invented boat: its charger, its battery, its habits and its sensors.

Everything is plain data with physical units. So one description serves the demonstration, the live
simulated source and the study, and a study can state exactly what it simulated. The defaults are
the invented seabird-survey ketch *Dabchick* with its 110 W charger on 12 V. All values are invented
within the range of common practice (no source).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

#: Forms in which permanent loss may grow with running hours.
FORMS = ("linear", "exponential", "accelerating", "power")


@dataclass(frozen=True, slots=True)
class StepChange:
    """A sudden change of available output at a number of running hours, in fractions of rated."""

    at_h: float
    change: float


@dataclass(frozen=True, slots=True)
class Renewal:
    """The stack is renewed at a number of running hours and starts from ``fraction`` of rated."""

    at_h: float
    fraction: float
    loss_per_1000h: float
    recorded: bool = True


@dataclass(frozen=True, slots=True)
class ChargerModel:
    """The charger. Fractions are of rated output; hours are running hours unless said otherwise."""

    rated_w: float = 110.0
    new_fraction: float = 1.02
    """Available output when new, before the early transient."""
    form: str = "linear"
    loss_per_1000h: float = 0.085
    """Mean permanent loss per 1000 h up to ``reference_h``."""
    reference_h: float = 4000.0
    """Hours at which all forms have lost the same; they differ in shape only."""
    curvature: float = 0.6
    """Accelerating: share of the loss that grows with the square; power: the exponent."""
    transient: float = 0.015
    """Early loss that settles within ``transient_h``."""
    transient_h: float = 120.0
    wander_per_sqrt_1000h: float = 0.008
    """Standard deviation of the Wiener part after 1000 h."""
    steps: tuple[StepChange, ...] = ()
    renewals: tuple[Renewal, ...] = ()
    hours_before: float = 0.0
    """Running hours of the charger before the log begins."""
    horizon_h: float = 12000.0
    """Running hours for which the course is laid out."""

    sag: float = 0.02
    """Recoverable loss that a long run approaches; a rest brings it back."""
    sag_h: float = 6.0
    """Time constant of the sag, clock hours of running."""
    recovery_h: float = 2.0
    """Time constant of the recovery, clock hours of rest."""
    run_scatter: float = 0.004
    """Standard deviation between runs: after each start the cells are in a slightly other state."""
    start_min: float = 4.0
    """Minutes in the state ``starting``, without output."""
    warm_min: float = 17.0
    """Minutes after the start at which the output has reached its available value."""
    stop_min: float = 3.0
    """Minutes in the state ``shutting_down``."""
    heat_per_k: float = 0.018
    """Loss of output per kelvin of compartment above ``heat_knee_c``."""
    heat_knee_c: float = 34.0
    slope_per_k: float = 0.0004
    """Small loss of output per kelvin over the whole range, relative to 25 degC."""
    tells_throttled: bool = True
    """Whether the charger shows the state ``throttled`` while heat takes more than 3 %."""

    start_v: float = 12.3
    """Starts when the voltage has been below this for ``start_wait_min``."""
    start_wait_min: float = 5.0
    ceiling_v: float = 14.2
    """Charge ceiling at 25 degC."""
    ceiling_per_k: float = 0.0
    """Temperature compensation of the ceiling, V/K for the whole battery (negative or zero)."""
    tail_a: float = 2.0
    """Stops when the current at the ceiling has fallen below this."""
    absorb_h: float = 3.0
    """Stops after this time at the ceiling in any case."""
    loop_ohm: float = 0.022
    """Resistance of leads and fuse between the charger's terminals and the battery."""

    l_per_kwh: float = 0.9
    """Fuel per kilowatt-hour when new (common practice, no source); rises as output falls."""
    container_l: float = 10.0
    """Size of a container; 0 for a charger that never runs out."""


@dataclass(frozen=True, slots=True)
class BatteryModel:
    """The bank. Resistances scale with cells over capacity: see :mod:`logger.sources.boat.run`."""

    capacity_ah: float = 200.0
    chemistry: str = "agm"
    cells: int = 6
    resistance: float = 1.0
    """Multiplier of all resistances: 1 for a sound bank, 2 to 4 for an old sulphated one."""
    first_charge: float = 0.8
    """State of charge when the log begins, 0 to 1."""


@dataclass(frozen=True, slots=True)
class Habits:
    """How the boat is used. Currents are means over 24 h at battery voltage."""

    under_way_a: float = 3.2
    at_rest_a: float = 2.0
    away_a: float = 0.35
    """Left alone on a mooring: bilge watch, alarm."""
    day_sigma: float = 0.15
    """Spread of a day's load about the mean of its kind (log-normal)."""
    cycling_a: float = 4.0
    """Current of the cold box while its compressor runs; 0 for none. Part of the means above."""
    season: tuple[int, int] = (92, 290)
    """First and last day of the year of the season."""
    under_way_share: float = 0.34
    away_share: float = 0.24
    shore_share: float = 0.12
    """Shares of the season's days; the rest is spent at rest on board."""
    engine_share: float = 0.25
    """Share of days under way with engine hours."""
    engine_a: float = 45.0
    """Greatest current of the alternator."""
    laid_up: str = "silent"
    """In winter the logger is ``silent`` (off), or the charger is ``sleeping`` and logged."""
    ambient_c: float = 13.0
    """Yearly mean of the compartment without the charger's own heat."""
    ambient_swing_c: float = 7.0
    """Half the difference between summer and winter."""
    rise_c: float = 9.0
    """Rise of the compartment in a long run at rated output."""
    rise_min: float = 45.0
    """Time constant of the rise."""
    refuel_h: float = 6.0
    """Mean time until somebody changes an empty container."""
    rescue_below: float = 0.2
    """State of charge of the bank below which the owner starts the engine for two hours."""
    early_change: float = 0.0
    """Probability of changing a container that is not yet empty, per day below a tenth."""


@dataclass(frozen=True, slots=True)
class Sensors:
    """Errors and omissions of the readings. Zero switches an effect off."""

    spacing_s: float = 60.0
    rest_spacing_s: float = 300.0
    voltage_step_v: float = 0.01
    current_step_a: float = 0.01
    voltage_noise_v: float = 0.008
    current_noise_a: float = 0.02
    temperature: bool = True
    temperature_missing: float = 0.0
    """Share of readings without temperature, where there is one at all."""
    states: str = "told"
    """``told``, ``missing`` (always unknown) or ``stuck`` (always running)."""
    counter: bool = True
    counter_step_h: float = 0.1
    counter_resets_h: tuple[float, ...] = ()
    """Running hours at which the counter starts again from zero."""
    shunt: bool = False
    """Whether the current into the battery is measured."""
    gauge: bool = False
    """Whether the charger reports the fuel left."""
    dropout: float = 0.0
    """Share of readings that never arrive."""
    gaps_per_100d: float = 0.0
    """Longer silences of the logger per hundred days."""
    gap_h: float = 12.0
    """Mean length of such a silence."""


@dataclass(frozen=True, slots=True)
class BoatModel:
    """One invented boat; the seed determines everything random."""

    seed: int = 1
    start: datetime = datetime(2021, 4, 18, 6, 0, tzinfo=UTC)
    charger: ChargerModel = field(default_factory=ChargerModel)
    battery: BatteryModel = field(default_factory=BatteryModel)
    habits: Habits = field(default_factory=Habits)
    sensors: Sensors = field(default_factory=Sensors)
