"""The configuration file ``ebbwatt.toml``: what it may hold, and how it is read.

Relative paths are relative to the file. An unknown key is an error that names the nearest known
one. The source's own settings depend on its kind and are checked by ``logger.sources``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.errors import ConfigError
from logger.local import known_zones, zone_of
from logger.settings import (
    REQUIRED,
    Document,
    Section,
    Setting,
    check_section,
    nearest,
    read_document,
)
from logger.settings import unknown_key as check_unknown_key

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, tzinfo

#: Where a configuration is looked for when none is named.
DEFAULT_PATHS = (Path("ebbwatt.toml"), Path("/etc/ebbwatt/ebbwatt.toml"))

CHEMISTRIES = ("flooded", "agm", "gel", "lfp")
#: A gap is so many times the usual spacing, ...
GAP_SPACINGS = 5.0
#: ... and never shorter than this, s: a source that speaks each second may stumble.
SHORTEST_GAP_S = 5.0
UNITS = ("metric", "us")
SOURCE_KINDS = ("serial", "ble", "replay", "simulated")

BOAT = Section(
    "boat",
    (
        Setting("name", "text", "", "the boat's name, for what is printed"),
        Setting(
            "timezone",
            "text",
            None,
            "IANA name of the zone in which the boat's days begin, such as Atlantic/Azores; that "
            "of this machine if left out",
        ),
        Setting(
            "units",
            "text",
            "metric",
            "metric: L, mm2, degC; us: US gallons, AWG, degF, in what is printed (settings, "
            "--json and export stay metric)",
            choices=UNITS,
        ),
    ),
    "the boat",
)
CHARGER = Section(
    "charger",
    (
        Setting("label", "text", "charger", "a name for this charger, shown everywhere"),
        Setting("rated_w", "number", REQUIRED, "rated output on the nameplate", "W", 1, 20000),
        Setting("fitted", "date", None, "day on which this charger was fitted"),
        Setting(
            "design_life_h",
            "number",
            7500.0,
            "running hours it was designed for (common practice 7000 to 8000, no source)",
            "h",
            100,
            200000,
        ),
        Setting(
            "plan_below",
            "number",
            0.75,
            "plan the replacement below this part of rated",
            "",
            0.05,
            1.0,
        ),
        Setting("replace_below", "number", 0.60, "replace below this part of rated", "", 0.05, 1.0),
    ),
    "the charger that is fitted now",
    optional=False,
)
BATTERY = Section(
    "battery",
    (
        Setting("capacity_ah", "number", None, "capacity of the bank, 20 h rate", "Ah", 1, 100000),
        Setting("chemistry", "text", "agm", "battery chemistry", choices=CHEMISTRIES),
        Setting(
            "charge_ceiling_v",
            "number",
            None,
            "voltage at which the battery begins to limit the current; found from the data if "
            "left out",
            "V",
            5,
            100,
        ),
        Setting(
            "charge_efficiency",
            "number",
            None,
            "share of the charge put in that comes out again (common practice, no source: "
            "lead-acid 0.85 to 0.98, falling near full; lfp 0.99); by chemistry if left out",
            "",
            0.5,
            1.0,
        ),
    ),
    "the battery that it charges",
)
FUEL = Section(
    "fuel",
    (
        Setting(
            "l_per_kwh",
            "number",
            0.9,
            "fuel per kilowatt-hour delivered (common practice, no source)",
            "L/kWh",
            0.05,
            20,
        ),
        Setting("container_l", "number", 10.0, "size of one fuel container", "L", 0.1, 2000),
    ),
    "the fuel; leave the section out for a charger without fuel",
)
WIRING = Section(
    "wiring",
    (
        Setting(
            "cross_section_mm2",
            "number",
            REQUIRED,
            "cross-section of the cable between charger and battery",
            "mm2",
            0.5,
            400,
        ),
        Setting("length_m", "number", REQUIRED, "its length, one way", "m", 0.05, 100),
        Setting("tinned", "flag", False, "whether its copper is tinned"),
        Setting(
            "battery_ohm",
            "number",
            None,
            "the bank's own resistance by its data sheet; taken off the measured loop if given",
            "ohm",
            0,
            1,
        ),
    ),
    "the cable to the battery, for 'ebbwatt fitting'",
)
UNIT = Section(
    "unit",
    (
        Setting("heel_deg", "number", None, "greatest lasting tilt or heel", "deg", 0, 90),
        Setting("clearance_cm", "number", None, "free space to leave round it", "cm", 0, 500),
        Setting("exhaust_hose_m", "number", None, "greatest length of its exhaust", "m", 0, 50),
        Setting("exhaust_bend_cm", "number", None, "least radius of a bend in it", "cm", 0, 500),
        Setting("intake_c", "number", None, "warmest air that it may take in", "degC", -20, 100),
        Setting("fuse_a", "number", None, "fuse in its positive lead", "A", 0.5, 1000),
    ),
    "what the unit's own manual says; leave out what it does not say",
)
STORE = Section(
    "store",
    (
        Setting("path", "text", "ebbwatt.db", "the database, relative to this file"),
        Setting(
            "commit_s",
            "number",
            60.0,
            "longest time between commits while the charger runs or anything changes",
            "s",
            1,
            3600,
        ),
        Setting(
            "commit_rest_s",
            "number",
            1200.0,
            "longest time between commits at rest, while nothing changes",
            "s",
            1,
            86400,
        ),
        Setting(
            "raw_hours",
            "whole",
            0,
            "hours of raw readings kept beside the intervals, the oldest dropped for the newest: 0 "
            "none, 1000000 for ever; a power cut costs the running hour of them, and what was not "
            "committed",
            "h",
            0,
            1_000_000,
        ),
    ),
    "where the log is kept",
)
LOG = Section(
    "log",
    (
        Setting(
            "interval_s",
            "number",
            None,
            "expected spacing of the readings; found from them if left out",
            "s",
            0,
            3600,
            above_low=True,
        ),
        Setting(
            "gap_s",
            "number",
            None,
            "a longer spacing is a gap, whatever is measured; five times the spacing that is "
            "found, at least 5 s, if left out",
            "s",
            0,
            86400,
            above_low=True,
        ),
        Setting(
            "longest_running_s", "number", 60.0, "longest interval while running", "s", 1, 3600
        ),
        Setting("longest_rest_s", "number", 600.0, "longest interval at rest", "s", 1, 86400),
        Setting(
            "voltage_band_v",
            "number",
            0.1,
            "an interval closes when the voltage leaves this band round its mean",
            "V",
            0,
            100,
            above_low=True,
        ),
        Setting(
            "current_band_a",
            "number",
            0.4,
            "an interval closes when the current leaves this band round its mean",
            "A",
            0,
            1000,
            above_low=True,
        ),
    ),
    "how readings are condensed",
)
PLAUSIBLE = Section(
    "plausible",
    (
        Setting("voltage_v", "list", None, "lowest and highest believable voltage", "V"),
        Setting("current_a", "list", None, "lowest and highest believable current", "A"),
        Setting("temperature_c", "list", None, "lowest and highest believable temperature", "degC"),
        Setting("battery_current_a", "list", None, "lowest and highest battery current", "A"),
    ),
    "values outside these limits are dropped and counted; defaults follow the rated output",
)
SECTIONS = (BOAT, CHARGER, BATTERY, FUEL, WIRING, UNIT, STORE, LOG, PLAUSIBLE)


@dataclass(frozen=True, slots=True)
class BoatConfig:
    """The boat; see :data:`BOAT`."""

    name: str = BOAT.default("name")
    timezone: str | None = None
    units: str = BOAT.default("units")

    @property
    def zone(self) -> tzinfo:
        """Return the zone in which the boat's days begin."""
        return zone_of(self.timezone)


@dataclass(frozen=True, slots=True)
class ChargerConfig:
    """The charger that is fitted now; see :data:`CHARGER` for units and meaning."""

    label: str
    rated_w: float
    fitted: date | None = None
    design_life_h: float = CHARGER.default("design_life_h")
    plan_below: float = CHARGER.default("plan_below")
    replace_below: float = CHARGER.default("replace_below")


@dataclass(frozen=True, slots=True)
class BatteryConfig:
    """The battery; see :data:`BATTERY`."""

    capacity_ah: float | None = None
    chemistry: str = BATTERY.default("chemistry")
    charge_ceiling_v: float | None = None
    charge_efficiency: float | None = None


@dataclass(frozen=True, slots=True)
class FuelConfig:
    """The fuel; see :data:`FUEL`."""

    l_per_kwh: float = FUEL.default("l_per_kwh")
    container_l: float = FUEL.default("container_l")


@dataclass(frozen=True, slots=True)
class WiringConfig:
    """The cable to the battery; see :data:`WIRING`."""

    cross_section_mm2: float
    length_m: float
    tinned: bool = WIRING.default("tinned")
    battery_ohm: float | None = None


@dataclass(frozen=True, slots=True)
class UnitConfig:
    """What the unit's own manual says; see :data:`UNIT`. None: the manual does not say it."""

    heel_deg: float | None = None
    clearance_cm: float | None = None
    exhaust_hose_m: float | None = None
    exhaust_bend_cm: float | None = None
    intake_c: float | None = None
    fuse_a: float | None = None


@dataclass(frozen=True, slots=True)
class StoreConfig:
    """The database; see :data:`STORE`. ``path`` is absolute."""

    path: Path
    commit_s: float = STORE.default("commit_s")
    commit_rest_s: float = STORE.default("commit_rest_s")
    raw_hours: int = STORE.default("raw_hours")


@dataclass(frozen=True, slots=True)
class LogConfig:
    """How readings are condensed; see :data:`LOG`."""

    interval_s: float = 1.0
    """What is expected until it is measured, s."""
    gap_s: float = SHORTEST_GAP_S
    """From which spacing on it is a gap, until it is measured where ``adapts``, s."""
    longest_running_s: float = LOG.default("longest_running_s")
    longest_rest_s: float = LOG.default("longest_rest_s")
    voltage_band_v: float = LOG.default("voltage_band_v")
    current_band_a: float = LOG.default("current_band_a")
    interval_given: bool = False
    """Whether the file names ``interval_s``."""
    adapts: bool = False
    """Whether gaps are judged by the spacing that is found: the file names no ``gap_s``."""


@dataclass(frozen=True, slots=True)
class Config:
    """A checked configuration.

    ``plausible`` maps a channel of a reading to its lowest and highest believable value.
    ``source`` is the [source] table as written (None if left out); the source factory checks it
    with ``document`` at hand for the place of an error.
    """

    path: Path
    charger: ChargerConfig
    battery: BatteryConfig
    fuel: FuelConfig | None
    store: StoreConfig
    log: LogConfig
    plausible: dict[str, tuple[float, float]]
    source: dict[str, Any] | None
    document: Document
    wiring: WiringConfig | None = None
    unit: UnitConfig = UnitConfig()
    boat: BoatConfig = BoatConfig()


def gap_after(spacing_s: float) -> float:
    """Return from which spacing on it is a gap, s, where readings come every ``spacing_s``."""
    return max(SHORTEST_GAP_S, GAP_SPACINGS * spacing_s)


def find_config(named: Path | None, candidates: Sequence[Path] = DEFAULT_PATHS) -> Path:
    """Return the configuration file to use: the named one, or the first candidate that exists.

    Raises
    ------
    ConfigError
        If none is named and no candidate exists.
    """
    if named is not None:
        return named
    for path in candidates:
        if path.is_file():
            return path
    places = " nor ".join(str(path) for path in candidates)
    raise ConfigError(f"no configuration: there is no {places}. Name one with --config FILE.")


def load_config(path: Path) -> Config:
    """Read and check a configuration file.

    Raises
    ------
    ConfigError
        With file, line, key and the accepted values.
    """
    document = read_document(path)
    data = document.data
    check_unknown_key(document, data, [*(s.name for s in SECTIONS), "source", "publish"])
    values = {
        section.name: check_section(document, section, data.get(section.name))
        for section in SECTIONS
        if section is not WIRING or section.name in data
    }
    charger = ChargerConfig(**values["charger"])
    if charger.replace_below > charger.plan_below:
        raise document.error(
            f"is {charger.replace_below:g}, above plan_below ({charger.plan_below:g}); "
            f"the limit for planning must be the higher one",
            "charger",
            "replace_below",
        )
    log = _log_values(document, values["log"])
    store = values["store"]
    source = data.get("source")
    if source is not None and not isinstance(source, dict):
        raise document.error("must be a section, written [source]", "source")
    return Config(
        path=path,
        charger=charger,
        battery=BatteryConfig(**values["battery"]),
        fuel=FuelConfig(**values["fuel"]) if "fuel" in data else None,
        store=StoreConfig(**(store | {"path": (path.parent / store["path"]).absolute()})),
        log=LogConfig(**log),
        plausible=_plausible(document, values["plausible"], charger.rated_w),
        source=source,
        document=document,
        wiring=WiringConfig(**values["wiring"]) if "wiring" in data else None,
        unit=UnitConfig(**values["unit"]),
        boat=_boat(document, values["boat"]),
    )


def _log_values(document: Document, log: dict[str, Any]) -> dict[str, Any]:
    """Fill in what the file leaves to be found from the readings."""
    given = log["interval_s"] is not None
    interval_s = log["interval_s"] if given else LogConfig().interval_s
    adapts = log["gap_s"] is None
    gap_s = gap_after(interval_s) if adapts else log["gap_s"]
    if given and gap_s < interval_s:
        raise document.error("must not be shorter than interval_s", "log", "gap_s")
    found = {"interval_s": interval_s, "gap_s": gap_s, "interval_given": given, "adapts": adapts}
    return log | found


def _boat(document: Document, table: dict[str, Any]) -> BoatConfig:
    """Check that the time zone is one that this machine knows."""
    name = table["timezone"]
    if name is not None:
        try:
            zone_of(name)
        except KeyError:
            zones = known_zones()
            what = (
                f"got {name!r}{nearest(name, zones)}; accepted: an IANA name such as Europe/Paris"
                if zones
                else "this machine has no database of time zones: install the package tzdata"
            )
            raise document.error(what, "boat", "timezone") from None
    return BoatConfig(**table)


def _plausible(
    document: Document, table: dict[str, Any], rated_w: float
) -> dict[str, tuple[float, float]]:
    """Fill in the believable range of each channel.

    A lead-acid or LFP bank of 12 V is never seen above 16 V, one of 48 V never above 64 V; a
    fuel-cell charger gives at most a little more than rated at the lowest battery voltage (10 V).
    """
    limits = {
        "voltage_v": (0.0, 64.0),
        "current_a": (-1.0, 2.0 * rated_w / 10.0),
        "runtime_h": (0.0, 1.0e6),
        "temperature_c": (-40.0, 85.0),
        "battery_current_a": (-1000.0, 1000.0),
        "fuel_l": (0.0, 10000.0),
    }
    for key, value in table.items():
        if value is None:
            continue
        ordered = len(value) == 2 and all(
            isinstance(v, int | float) and not isinstance(v, bool) for v in value
        )
        if not ordered or not value[0] < value[1]:
            raise document.error(
                f"got {value!r}; accepted: [lowest, highest], two numbers in rising order",
                "plausible",
                key,
            )
        limits[key] = (float(value[0]), float(value[1]))
    return limits
