"""Reads the list of candidate units (TOML) and the audit table (CSV)."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logger.errors import ConfigError
from logger.settings import REQUIRED, Section, Setting, check_section, read_document

if TYPE_CHECKING:
    from pathlib import Path

    from logger.config import Config

#: Most units in a list, most items in an audit: a file with more is the wrong file.
MOST = 200
_SETTINGS = (
    Setting("rated_w", "number", REQUIRED, "rated output on the nameplate", "W", 1, 20000),
    Setting("l_per_kwh", "number", REQUIRED, "fuel when new", "L/kWh", 0.05, 20),
    Setting("design_life_h", "number", REQUIRED, "design hours", "h", 100, 200000),
    Setting("price", "number", None, "price, any currency", "", 0, 1e9),
)
AUDIT_COLUMNS = ("item", "amps", "hours_rest", "hours_passage")


@dataclass(frozen=True, slots=True)
class Unit:
    """A charger that could be fitted, or the fitted one."""

    label: str
    rated_w: float
    l_per_kwh: float
    design_life_h: float
    """Infinite where there is no such limit."""
    price: float | None = None
    fitted: bool = False


#: Candidates where the user names no list; invented, the same as in fixtures/candidates.toml.
EXAMPLES = (
    Unit("50 W", 50.0, 0.95, 7500.0, 3000.0),
    Unit("75 W", 75.0, 0.92, 7500.0, 4000.0),
    Unit("110 W", 110.0, 0.90, 7500.0, 5200.0),
    Unit("160 W", 160.0, 0.88, 7500.0, 7000.0),
)


@dataclass(frozen=True, slots=True)
class Audit:
    """Daily use by a list of items, Ah a day."""

    rest_ah: float
    passage_ah: float
    items: int


def read_candidates(path: Path) -> tuple[Unit, ...]:
    """Read the candidate units; each table of the file is one.

    Raises
    ------
    ConfigError
        With file, line, unit and key of what is wrong or missing.
    """
    document = read_document(path, "Each unit needs a table such as [small] with rated_w.")
    if not document.data:
        raise ConfigError(f"{path}: no units; each needs a table such as [small] with rated_w")
    if len(document.data) > MOST:
        raise ConfigError(f"{path}: {len(document.data)} units; at most {MOST} are accepted")
    units = []
    for label, table in document.data.items():
        if not isinstance(table, dict):
            raise document.error("must be a table, written [name of the unit]", label)
        section = Section(label, _SETTINGS, "a candidate unit", optional=False)
        units.append(Unit(label, **check_section(document, section, table)))
    return tuple(units)


def with_fitted(candidates: tuple[Unit, ...], config: Config) -> tuple[Unit, ...]:
    """Return the candidates, the fitted unit as it is today, and a new unit like it.

    If the list has a unit with the fitted unit's name, that one is the new unit.
    """
    charger = config.charger
    life_h = charger.design_range_h
    fitted = Unit(
        charger.label,
        charger.rated_w,
        config.fuel.l_per_kwh if config.fuel else 0.0,
        math.inf if life_h is None else 0.5 * sum(life_h),
        fitted=True,
    )
    new = f"{charger.label}, new"
    listed = [replace(u, label=new) for u in candidates if u.label == charger.label]
    others = [u for u in candidates if u.label != charger.label]
    if not listed and not any(u.rated_w == charger.rated_w for u in others):
        listed = [replace(fitted, label=new, fitted=False)]
    return (*others, *listed, fitted)


def read_audit(path: Path) -> Audit:
    """Read an audit table: item, amps, hours a day at rest and on passage.

    Raises
    ------
    ConfigError
        With file, line and column of what is wrong.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.reader(file))
    except FileNotFoundError:
        raise ConfigError(f"{path}: there is no such file") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: cannot be read as CSV: {error}") from None
    header = [name.strip() for name in rows[0]] if rows else []
    missing = [name for name in AUDIT_COLUMNS if name not in header]
    if missing:
        raise ConfigError(
            f"{path}, line 1: missing columns: {', '.join(missing)}; "
            f"accepted: {','.join(AUDIT_COLUMNS)}"
        )
    place = {name: header.index(name) for name in AUDIT_COLUMNS}
    rest = passage = 0.0
    items = 0
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        amps = _number(path, number, row, place, "amps", 1000.0)
        rest += amps * _number(path, number, row, place, "hours_rest", 24.0)
        passage += amps * _number(path, number, row, place, "hours_passage", 24.0)
        items += 1
    if not 0 < items <= MOST:
        raise ConfigError(f"{path}: {items} items; accepted: 1 to {MOST}")
    return Audit(rest, passage, items)


def _number(
    path: Path, line: int, row: list[str], place: dict[str, int], name: str, high: float
) -> float:
    text = row[place[name]].strip() if place[name] < len(row) else ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= high:
        raise ConfigError(
            f"{path}, line {line}: {name} is {text!r}; accepted: a number from 0 to {high:g}"
        )
    return value
