"""The checked configuration travels in the database: one file is enough to assess a boat.

The logger writes it at each start and an import with it: what the charger, its limits, the battery
and the fuel are. What belongs to a board or may be secret (source, store, publishing) stays behind.
It stands there twice: as the newest one, and as that of its fitting. So an earlier charger keeps
its serial number, type and design life when the configuration goes on to the next one.
"""

from __future__ import annotations

import contextlib
import json
from datetime import date
from typing import TYPE_CHECKING, Any

from logger.errors import ConfigError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping
    from pathlib import Path

#: The key in the table ``about`` under which it stands.
KEY = "configuration"
#: The beginning of the key under which the newest configuration of one fitting stands.
_OF_FITTING = f"{KEY} of fitting "
#: The key under which stands how many numbers of intervals are free on purpose.
ABSENT = "absent"
#: Sections that travel.
TRAVEL = (
    "boat",
    "charger",
    "battery",
    "fuel",
    "wiring",
    "unit",
    "sensor",
    "service",
    "other_sources",
)
_SQLITE = b"SQLite format 3\0"
#: A configuration is a few hundred bytes; a file that claims more is not one.
LONGEST_CARRIED = 1_000_000


def carry(data: Mapping[str, Any]) -> str:
    """Return the tables of a checked configuration as they are kept in the database, as JSON."""
    kept = {name: data[name] for name in TRAVEL if name in data}
    return json.dumps(kept, default=_plain, sort_keys=True)


def key_of(fitting: int) -> str:
    """Return the key under which the configuration of a fitting stands."""
    return f"{_OF_FITTING}{fitting}"


def is_configuration(key: object) -> bool:
    """Tell whether a configuration stands under a key of the table ``about``."""
    return key == KEY or (isinstance(key, str) and key.startswith(_OF_FITTING))


def note_absent(connection: sqlite3.Connection) -> None:
    """Note that numbers of intervals are free because rows were taken out, not lost."""
    connection.execute(
        "INSERT INTO about (key, value) SELECT ?, coalesce(max(id), 0) - count(*) FROM intervals "
        "WHERE true ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        (ABSENT,),
    )


def _plain(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{value!r} does not travel")


def is_database(path: Path) -> bool:
    """Tell whether a file is a database rather than a configuration."""
    try:
        if not path.is_file():
            return False  # a pipe may never begin
        with path.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except OSError:
        return False


def carried(path: Path, known: Mapping[str, list[str]]) -> dict[str, Any]:
    """Return the tables of the configuration that a database carries.

    Parameters
    ----------
    path
        The database; it is only read.
    known
        Keys of each section; what a later version may have added is left out.

    Raises
    ------
    ConfigError
        If it carries none, or none that can be read.
    """
    text = _stored(path)
    if text is None and not _is_log(path):
        raise ConfigError(f"{path}: is a database of another program; name another file")
    if text is None:
        raise ConfigError(
            f"{path}: carries no configuration (an earlier version wrote it). Name one with "
            f"--config FILE whose [store] path is this database."
        )
    return tables_of(text, path, known)


def tables_of(text: str, path: Path, known: Mapping[str, list[str]]) -> dict[str, Any]:
    """Return the tables of a configuration that was carried as ``text`` in the database ``path``.

    Raises
    ------
    ConfigError
        If it cannot be read.
    """
    try:
        tables = json.loads(text)
        found = {
            name: _known(tables[name], known[name])
            for name in TRAVEL
            if name in tables and name in known
        }
        if isinstance(tables.get("service"), dict):
            # Its keys are the names of jobs, which the owner chooses.
            found["service"] = tables["service"]
        for source in found.get("other_sources", []):
            source |= {k: date.fromisoformat(source[k]) for k in ("from", "to") if k in source}
        fitted = found.get("charger", {}).get("fitted")
        if fitted is not None:
            found["charger"]["fitted"] = date.fromisoformat(fitted)
    except (ValueError, TypeError, AttributeError, RecursionError):
        raise ConfigError(f"{path}: the configuration that it carries cannot be read") from None
    return found


def _known(tables: Any, keys: list[str]) -> Any:  # noqa: ANN401 - as JSON has it
    """Return a table, or a list of tables, without keys that are not known here."""
    if isinstance(tables, list):
        return [_known(table, keys) for table in tables]
    return {key: value for key, value in tables.items() if key in keys}


def _stored(path: Path) -> str | None:
    row = _first_row(
        path,
        "SELECT value FROM about WHERE key = ? AND length(value) <= ?",
        (KEY, LONGEST_CARRIED),
    )
    return None if row is None or not isinstance(row[0], str) else row[0]


def _is_log(path: Path) -> bool:
    """Tell whether a database may be a log: only what can be read whole is known to be none."""
    row = _first_row(path, "SELECT count(*) FROM sqlite_master WHERE name = 'intervals'", ())
    return row is None or row[0] != 0


def _first_row(path: Path, query: str, values: tuple[object, ...]) -> tuple[Any, ...] | None:
    """Return the first row of a query; None where there is none, or the file cannot be read."""
    import sqlite3

    # A copy on a write-protected medium may have no room for the files beside it.
    for mode in ("mode=ro", "immutable=1"):
        with contextlib.suppress(sqlite3.Error):
            connection = sqlite3.connect(f"{path.absolute().as_uri()}?{mode}", uri=True, timeout=5)
            with contextlib.closing(connection):
                row: tuple[Any, ...] | None = connection.execute(query, values).fetchone()
                return row
    return None
