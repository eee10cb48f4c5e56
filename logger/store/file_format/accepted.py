"""Refuses a database whose small tables hold what Ebbwatt never writes.

SQLite keeps any value in any column, and a database may come from anybody. What reads it may rely
on what stands here; intervals are too many to be looked at first, and are judged when they are
read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from logger.errors import StoreError

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

_WHOLE = "(typeof({0}) = 'integer' AND {0} BETWEEN -1000000000000000 AND 1000000000000000)"
_NUMBER = "(typeof({0}) IN ('integer', 'real') AND {0} BETWEEN -1e12 AND 1e12)"
_TEXT = "(typeof({0}) = 'text' AND length({0}) <= 100000)"
_POWER = "(typeof({0}) IN ('integer', 'real') AND {0} > 0 AND {0} <= 1e9)"
_DAY = "(typeof({0}) = 'text' AND date({0}) IS {0} AND {0} >= '0001')"


def _or_absent(condition: str) -> str:
    return f"({{0}} IS NULL OR {condition})"


#: What each column may hold, as a condition in SQL; what is not named here is not read.
_ACCEPTED = {
    "fittings": {
        "label": _TEXT, "rated_w": _POWER, "fitted": _or_absent(_DAY),
        "started_ms": _or_absent(_WHOLE),
    },
    "sessions": {
        "fitting": _or_absent(_WHOLE), "boot_id": _or_absent(_TEXT), "source": _or_absent(_TEXT),
        "version": _or_absent(_TEXT), "started_ms": _or_absent(_WHOLE),
        "ended_ms": _or_absent(_WHOLE), "offset_ms": _or_absent(_WHOLE),
        "offset_quality": _or_absent(_WHOLE), "digest": _or_absent(_TEXT),
        "origin": _or_absent(_TEXT),
    },
    "events": {
        "session": _or_absent(_WHOLE), "at_ms": _WHOLE, "kind": _TEXT,
        "amount": _or_absent(_NUMBER), "text": _or_absent(_TEXT),
        "struck_ms": _or_absent(_WHOLE),
    },
    "about": {"key": _TEXT, "value": _TEXT},
}  # fmt: skip


def refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    """Look through the small tables.

    Raises
    ------
    StoreError
        If a value is not of the kind that Ebbwatt writes; names table, row and column.
    """
    for table, columns in _ACCEPTED.items():
        wrong = " ".join(
            f"WHEN NOT {accepted.format(column)} THEN '{column}'"
            for column, accepted in columns.items()
        )
        statement = f"SELECT rowid, CASE {wrong} END AS bad FROM {table} WHERE bad NOTNULL LIMIT 1"  # noqa: S608 - our own names
        found = connection.execute(statement).fetchone()
        if found is not None:
            raise StoreError(
                f"{path}: table {table}, row {found[0]}: {found[1]} holds what Ebbwatt never "
                f"writes; another program has changed the file: go back to a backup"
            )
