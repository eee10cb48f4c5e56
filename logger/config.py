"""The configuration file ``ebbwatt.toml``: what it may hold, and how it is read.

Relative paths are relative to the file. An unknown key is an error that names the nearest known
one. The source's own settings depend on its kind and are checked by ``logger.sources``.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.errors import ConfigError, UsageError
from logger.local import known_zones, zone_of
from logger.other_sources import OTHER_SOURCE, OtherSource, other_sources
from logger.plausibility.ranges import believable_ranges
from logger.recordings.limits import Limits
from logger.refusals import printable, shown
from logger.sections import (
    BATTERY,
    BOAT,
    CHARGER,
    CHECK_LIST,
    FUEL,
    LOG,
    SECTIONS,
    SENSOR,
    SERVICE,
    SERVICE_NAME,
    STORE,
    WIRING,
    awg_mm2,
)
from logger.settings import Document, Errors, check_section, nearest, read_document
from logger.settings import unknown_key as check_unknown_key
from logger.store.file_format.carried import carried, is_database, tables_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, tzinfo

#: Where a configuration is looked for when none is named.
DEFAULT_PATHS = (Path("ebbwatt.toml"), Path("/etc/ebbwatt/ebbwatt.toml"))

#: A database that is taken where there is no configuration beside it.
BARE_DATABASE = Path("ebbwatt.db")

log = logging.getLogger("ebbwatt")

#: Where the design life is one figure, it is uncertain by this part: 7500 h is usual, and the same
#: life is also given as 7000 to 8000 h (common practice, no source).
DESIGN_SPREAD = 1.0 / 15.0
#: A litre of methanol holds 4.377 kWh at 20 degC (lower heating value 638.35 kJ/mol, 32.042 g/mol,
#: 0.7909 kg/L: sources in analysis/physics.py): nothing delivers a kilowatt-hour from less.
LEAST_METHANOL_L_PER_KWH = 0.228
#: Readings have a gap between them from this many times their usual spacing on, ...
GAP_SPACINGS = 5.0
#: ... but not below this, s: a source that gives one reading a second may be late for some.
SHORTEST_GAP_S = 5.0


@dataclass(frozen=True, slots=True)
class BoatConfig:
    """The boat; see :data:`~logger.sections.BOAT`."""

    name: str = BOAT.default("name")
    owner: str = BOAT.default("owner")
    timezone: str | None = None
    units: str = BOAT.default("units")

    @property
    def zone(self) -> tzinfo:
        """Return the zone in which the boat's days begin."""
        return zone_of(self.timezone)


@dataclass(frozen=True, slots=True)
class ChargerConfig:
    """The charger that is fitted now; units and meaning: :data:`~logger.sections.CHARGER`."""

    label: str
    rated_w: float
    fitted: date | None = None
    design_life_h: float | tuple[float, float] | None = None
    plan_below: float = CHARGER.default("plan_below")
    replace_below: float = CHARGER.default("replace_below")
    type: str = CHARGER.default("type")
    serial: str = CHARGER.default("serial")

    @property
    def design_range_h(self) -> tuple[float, float] | None:
        """Between which running hours the design life ends, h; None where it is no limit."""
        life = self.design_life_h
        if life is None or isinstance(life, tuple):
            return life
        return (life * (1.0 - DESIGN_SPREAD), life * (1.0 + DESIGN_SPREAD))


@dataclass(frozen=True, slots=True)
class BatteryConfig:
    """The battery; see :data:`~logger.sections.BATTERY`."""

    capacity_ah: float | None = None
    chemistry: str = BATTERY.default("chemistry")
    charge_ceiling_v: float | None = None
    charge_efficiency: float | None = None
    nominal_v: float | None = None


@dataclass(frozen=True, slots=True)
class FuelConfig:
    """The fuel; see :data:`~logger.sections.FUEL`."""

    l_per_kwh: float = FUEL.default("l_per_kwh")
    container_l: float = FUEL.default("container_l")
    kind: str = FUEL.default("kind")


@dataclass(frozen=True, slots=True)
class WiringConfig:
    """The cable to the battery; see :data:`~logger.sections.WIRING`."""

    cross_section_mm2: float
    length_m: float
    tinned: bool = WIRING.default("tinned")
    battery_ohm: float | None = None
    cross_section_awg: str | None = None
    """The size as the file gives it; ``cross_section_mm2`` is its area."""


@dataclass(frozen=True, slots=True)
class UnitConfig:
    """What the unit's own manual says, None where it does not: :data:`~logger.sections.UNIT`."""

    heel_deg: float | None = None
    clearance_cm: float | None = None
    exhaust_hose_m: float | None = None
    exhaust_bend_cm: float | None = None
    intake_c: float | None = None
    fuse_a: float | None = None


@dataclass(frozen=True, slots=True)
class ServiceConfig:
    """One job of the service calendar; see :data:`~logger.sections.SERVICE`."""

    name: str
    hours: float | None = None
    months: float | None = None


@dataclass(frozen=True, slots=True)
class SensorConfig:
    """How sure current and voltage are; see :data:`~logger.sections.SENSOR`."""

    gain_uncertainty: float = SENSOR.default("gain_uncertainty")
    zero_uncertainty_a: float = SENSOR.default("zero_uncertainty_a")
    voltage_uncertainty_v: float = SENSOR.default("voltage_uncertainty_v")


@dataclass(frozen=True, slots=True)
class StoreConfig:
    """The database; see :data:`~logger.sections.STORE`. ``path`` is absolute."""

    path: Path
    commit_s: float = STORE.default("commit_s")
    commit_rest_s: float = STORE.default("commit_rest_s")
    raw_hours: int = STORE.default("raw_hours")


@dataclass(frozen=True, slots=True)
class LogConfig:
    """How readings are condensed; see :data:`~logger.sections.LOG`."""

    interval_s: float = 1.0
    """Spacing of the readings that is expected until it is measured, s."""
    gap_s: float = SHORTEST_GAP_S
    """Readings further apart have a gap between them, s; where ``adapts``, until it is measured."""
    longest_running_s: float = LOG.default("longest_running_s")
    longest_rest_s: float = LOG.default("longest_rest_s")
    voltage_band_v: float = LOG.default("voltage_band_v")
    current_band_a: float = LOG.default("current_band_a")
    interval_given: bool = False
    """Whether the file names ``interval_s``."""
    adapts: bool = False
    """Whether the measured spacing decides what a gap is: the file names no ``gap_s``."""
    patience_s: float = 0.0
    """A silence up to this long may come from how the logger asks and is no gap, s.

    It counts where ``adapts``.
    """


@dataclass(frozen=True, slots=True)
class Config:
    """A checked configuration.

    ``plausible`` maps a channel of a reading to its lowest and highest believable value.
    ``source`` is the [source] table as written, None if left out. ``logger.sources`` checks it;
    ``document`` tells it the lines of errors. Where the file has [[source]] twice, ``sources``
    holds both instead.
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
    sensor: SensorConfig = SensorConfig()
    unit: UnitConfig = UnitConfig()
    boat: BoatConfig = BoatConfig()
    services: tuple[ServiceConfig, ...] = ()
    limits: Limits = field(default_factory=Limits)
    judges_bank: bool = False
    """Whether the bank decides which voltages are believed: [plausible] does not name them."""
    sources: tuple[dict[str, Any], ...] = ()
    other_sources: tuple[OtherSource, ...] = ()


def gap_after(spacing_s: float) -> float:
    """Return how far apart two readings have a gap between them, s, at their usual spacing."""
    return max(SHORTEST_GAP_S, GAP_SPACINGS * spacing_s)


def find_config(named: Path | None, candidates: Sequence[Path] = DEFAULT_PATHS) -> Path:
    """Return the configuration file to use: the named one, or the first candidate that exists.

    Where there is none, the configuration that a database ``ebbwatt.db`` in this folder carries.

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
    if is_database(BARE_DATABASE):
        return BARE_DATABASE
    places = " nor ".join(str(path) for path in candidates)
    raise ConfigError(f"no configuration: there is no {places}. Name one with --config FILE.")


def _read(path: Path, *, quiet: bool) -> Document:
    """Return the tables of a configuration file, or of the configuration in a database."""
    if not is_database(path):
        return read_document(path)
    found = carried(path, _known_keys())
    if not quiet:
        log.warning("%s: using the configuration that it carries", printable(str(path), 200))
    return Document(path, found)


def _known_keys() -> dict[str, list[str]]:
    return {section.name: section.keys() for section in (*SECTIONS, OTHER_SOURCE)}


def carried_config(path: Path, text: str) -> Config:
    """Check a configuration that the database ``path`` carries as ``text``.

    Raises
    ------
    ConfigError
        If it cannot be read, or is none that this version takes.
    """
    return config_of(Document(path, tables_of(text, path, _known_keys())))


def load_config(path: Path, *, quiet: bool = False) -> Config:
    """Read and check a configuration file; of a database, the configuration that it carries.

    A database is told in the log, unless ``quiet``.

    Raises
    ------
    ConfigError
        With file, line, key and the accepted values.
    """
    return config_of(_read(path, quiet=quiet))


def config_of(document: Document) -> Config:
    """Check the tables of a configuration.

    Raises
    ------
    ConfigError
        With all that is wrong: file, line, key and the accepted values of each.
    """
    path, data, errors = document.path, document.data, Errors()
    known = [
        *(s.name for s in SECTIONS),
        "service",
        "source",
        "publish",
        "import",
        OTHER_SOURCE.name,
    ]
    with errors.noted():
        check_unknown_key(document, data, known)
    values: dict[str, dict[str, Any]] = {}
    for section in SECTIONS:
        with errors.noted():
            if section is not WIRING or section.name in data:
                table = check_section(document, section, data.get(section.name))
                values[section.name] = _fitting_together(document, section.name, table)
    with errors.noted():
        services = _services(document, data.get("service"))
    with errors.noted():
        others = other_sources(document)
    with errors.noted():
        source, sources = _sources(document)
    with errors.noted():
        if "charger" in values and "battery" in values and "plausible" in values:
            rated_w, nominal_v = values["charger"]["rated_w"], values["battery"]["nominal_v"]
            plausible = _plausible(document, values["plausible"], rated_w, nominal_v)
    errors.raise_found()
    store = values["store"]
    if is_database(path):
        store["path"] = path.name
    return Config(
        path=path,
        charger=ChargerConfig(**values["charger"]),
        battery=BatteryConfig(**values["battery"]),
        fuel=FuelConfig(**values["fuel"]) if "fuel" in data else None,
        store=StoreConfig(**(store | {"path": (path.parent / store["path"]).absolute()})),
        log=LogConfig(**values["log"]),
        plausible=plausible,
        source=source,
        sources=sources,
        document=document,
        sensor=SensorConfig(**values["sensor"]),
        wiring=WiringConfig(**values["wiring"]) if "wiring" in data else None,
        unit=UnitConfig(**values["unit"]),
        boat=BoatConfig(**values["boat"]),
        limits=Limits(**values["limits"]),
        services=services,
        other_sources=others,
        judges_bank=values["plausible"]["voltage_v"] is None,
    )


def _fitting_together(document: Document, name: str, table: dict[str, Any]) -> dict[str, Any]:
    """Check the settings of one section against each other, and fill in what follows from them."""
    check = {
        "charger": _charger,
        "fuel": _fuel,
        "log": _log_values,
        "wiring": _wiring,
        "boat": _boat,
    }.get(name)
    return table if check is None else check(document, table)


def _charger(document: Document, table: dict[str, Any]) -> dict[str, Any]:
    """Check the order of the two limits."""
    if table["replace_below"] > table["plan_below"]:
        raise document.error(
            f"is {table['replace_below']:g}, above plan_below ({table['plan_below']:g}); "
            f"accepted: at most plan_below",
            "charger",
            "replace_below",
        )
    return table


def _fuel(document: Document, table: dict[str, Any]) -> dict[str, Any]:
    """Refuse a use of fuel that is less than the energy in the fuel allows."""
    if table["kind"] == "methanol" and table["l_per_kwh"] < LEAST_METHANOL_L_PER_KWH:
        raise document.error(
            f"is {table['l_per_kwh']:g}: a litre of methanol holds no more than 4.38 kWh, so a "
            f"kilowatt-hour takes at least {LEAST_METHANOL_L_PER_KWH} L. Is the value in litres, "
            f'not in kilograms or gallons? For another fuel write kind = "other"',
            "fuel",
            "l_per_kwh",
        )
    return table


def _services(document: Document, table: object) -> tuple[ServiceConfig, ...]:
    """Check the [service.NAME] tables: each needs hours, months, or both."""
    if table is None:
        return ()
    if not isinstance(table, dict):
        raise document.error("takes sections such as [service.filter]", "service")
    errors, found = Errors(), []
    for name, given in table.items():
        with errors.noted():
            if not SERVICE_NAME.fullmatch(name):
                raise document.error(
                    f"got {name!r}; accepted: a name of letters, digits, - and _, at most 40",
                    "service",
                    name,
                )
            if name in CHECK_LIST:
                raise document.error(
                    f"{name} is an item of the fitter's check list; choose another name",
                    "service",
                    name,
                )
            values = check_section(document, SERVICE, given, "service", name)
            if values["hours"] is None and values["months"] is None:
                raise document.error("needs hours, months, or both", "service", name)
            found.append(ServiceConfig(name, **values))
    errors.raise_found()
    return tuple(found)


def _sources(document: Document) -> tuple[dict[str, Any] | None, tuple[dict[str, Any], ...]]:
    """Return the one [source], or both of [[source]] twice."""
    given = document.data.get("source")
    if given is None or isinstance(given, dict):
        return given, ()
    if not isinstance(given, list) or not all(isinstance(table, dict) for table in given):
        raise document.error("must be a section, written [source]", "source")
    if len(given) == 1:
        return given[0], ()
    if len(given) > 2:
        raise document.error(
            f"is written {len(given)} times; accepted: [source] once, or [[source]] twice",
            "source[3]",
        )
    return None, tuple(given)


def _wiring(document: Document, table: dict[str, Any]) -> dict[str, Any]:
    """Take the cross-section in square millimetres or as an AWG size, one of the two."""
    awg = table["cross_section_awg"]
    if (awg is None) == (table["cross_section_mm2"] is None):
        raise document.error(
            "needs either cross_section_mm2 (such as 16) or cross_section_awg (such as "
            '"4" or "2/0")',
            "wiring",
        )
    if awg is not None:
        try:
            table["cross_section_mm2"] = awg_mm2(awg)
        except UsageError as error:
            raise document.error(str(error), "wiring", "cross_section_awg") from None
    return table


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


def _boat(document: Document, table: dict[str, Any]) -> dict[str, Any]:
    """Check that the time zone is one that this machine knows."""
    name = table["timezone"]
    if name is not None:
        try:
            zone_of(name)
        except KeyError:
            zones = known_zones()
            what = (
                f"got {shown(name)}{nearest(name, zones)}; accepted: an IANA name such as "
                f"Europe/Paris"
                if zones
                else "this machine knows no time zones: install the package tzdata"
            )
            raise document.error(what, "boat", "timezone") from None
    return table


def _plausible(
    document: Document, table: dict[str, Any], rated_w: float, nominal_v: float | None
) -> dict[str, tuple[float, float]]:
    """Fill in the believable range of each channel."""
    limits = believable_ranges(rated_w, nominal_v)
    for key, value in table.items():
        if value is None:
            continue
        ordered = len(value) == 2 and all(
            isinstance(v, int | float) and not isinstance(v, bool) for v in value
        )
        if not ordered or not value[0] < value[1]:
            raise document.error(
                f"got {shown(value)}; accepted: [lowest, highest], two numbers in rising order",
                "plausible",
                key,
            )
        limits[key] = (float(value[0]), float(value[1]))
    return limits
