"""Judges files that others hand in: are they Ebbwatt's, whole and harmless? Nothing in them is run.

A database is looked at in a private copy, read-only and immutable, with a schema that SQLite does
not trust (sqlite.org/security.html names both for files from outside). Every table, index and
trigger must be one that this program makes; a view, or a trigger of another text, is refused.
"""

from __future__ import annotations

import math
import os
import sqlite3
import stat
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from analysis.assessment.document import SCHEMA
from analysis.fleet.folder import MOST_JSON_BYTES, Key, read_json
from logger.errors import StoreError
from logger.refusals import one_line
from logger.store.blocks import TRIGGERS
from logger.store.files import APPLICATION_ID, OLDEST_READ, SCHEMA_VERSION, interruptible
from logger.store.reader import Reader

if TYPE_CHECKING:
    from pathlib import Path

#: A database of ten years at 1 Hz is far smaller; a larger file is most likely none.
MOST_BYTES = 2 * 10**9
_TABLES = frozenset(
    (
        "about",
        "blocks",
        "events",
        "fittings",
        "intervals",
        "raw",
        "sessions",
        "states",
        "_sqlite_migrations",
        "sqlite_sequence",
        "sqlite_stat1",
    )
)
_INDEXES = frozenset(("idx_raw_slot", "idx__sqlite_migrations_migration_set_name"))
_MAGIC = b"SQLite format 3\0"
#: Bytes copied at a time.
_PIECE = 1 << 20


class Refused(Exception):  # noqa: N818 - an outcome that is told, not an error of the program
    """A file is not taken; the text says why, in words that follow the file's name."""


@dataclass(frozen=True, slots=True)
class Known:
    """What a file that may be taken says of itself."""

    key: Key
    last_s: float
    """End of what it saw, Unix time."""
    database: bool


def private_copy(path: Path, target: Path, most_bytes: int = MOST_BYTES) -> None:
    """Copy a plain file, and only that, to ``target``, which must not exist.

    Raises
    ------
    Refused
        If it is a link, a device, a folder, too large, or cannot be read.
    """
    try:
        # Not through a link, and without waiting for whoever writes into a pipe.
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
        if path.is_symlink():
            raise Refused("is a link; hand in the file itself")
        source = os.open(path, flags)
    except FileNotFoundError:
        raise Refused("there is no such file") from None
    except OSError as error:
        raise Refused(f"cannot be read: {error.strerror or error}") from None
    try:
        about = os.fstat(source)
        if stat.S_ISDIR(about.st_mode):
            raise Refused(
                f"is a folder; name the files in it, such as {one_line(str(path / '*.db'))}"
            )
        if not stat.S_ISREG(about.st_mode):
            raise Refused("is no plain file (a device or a pipe)")
        _check_size(about.st_size, most_bytes)
        copied = 0
        handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        with os.fdopen(handle, "wb") as copy:
            while piece := os.read(source, _PIECE):
                copied += len(piece)
                _check_size(copied, most_bytes)  # it may grow meanwhile
                copy.write(piece)
    except OSError as error:
        raise Refused(f"cannot be copied: {error.strerror or error}") from None
    finally:
        os.close(source)


def _check_size(size: int, most: int) -> None:
    if size > most:
        raise Refused(f"is larger than the limit of {most / 1e6:.0f} MB; see --most-mb")


def examine_file(copy: Path) -> Known:
    """Say what a private copy is.

    Raises
    ------
    Refused
        If it may not be taken.
    """
    with copy.open("rb") as file:
        head = file.read(100)
    if head.startswith(_MAGIC):
        return _database(copy, head)
    if head.lstrip().startswith(b"{"):
        return _document(copy)
    raise Refused("is neither a database nor an assessment document of Ebbwatt")


def _database(copy: Path, head: bytes) -> Known:
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise Refused("is a database of another program")
    if head[18:20] == b"\x02\x02":
        # The copy has no write-ahead log beside it; marked so (sqlite.org/fileformat2.html, 1.3),
        # it opens anywhere without further files.
        with copy.open("r+b") as file:
            file.seek(18)
            file.write(b"\x01\x01")
    try:
        with closing(_untrusted(copy)) as connection:
            _check_version(connection)
            _check_schema(connection)
            _check_whole(connection)
        with Reader(copy) as reader:
            fitting = reader.fitting()
            last_s = reader.newest_s(fitting.id)
            name = reader.name()
    except sqlite3.Error as error:
        raise Refused(f"is damaged: {one_line(str(error))}") from None
    except StoreError as error:
        text = str(error).removeprefix(f"{copy}: ")
        raise Refused(one_line(text)) from None
    except (LookupError, TypeError, ValueError, OverflowError):
        raise Refused("is damaged: it holds values of a wrong kind") from None
    if last_s is None:
        raise Refused("holds no log yet, or its times are impossible")
    try:
        return Known(Key(name, fitting.id), _plausible(last_s), database=True)
    except ValueError:
        raise Refused("has no id of its own, or its times are impossible") from None


def _untrusted(copy: Path) -> sqlite3.Connection:
    """Open a copy read-only and immutable; nothing that its schema names is run."""
    connection = sqlite3.connect(f"{copy.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    connection.execute("PRAGMA trusted_schema = OFF")
    connection.execute("PRAGMA cell_size_check = ON")
    connection.execute("PRAGMA mmap_size = 0")
    interruptible(connection)
    return connection


def _check_version(connection: sqlite3.Connection) -> None:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise Refused(f"was written by a newer Ebbwatt (schema {version}); update this program")
    if version < OLDEST_READ:
        raise Refused("was never prepared by Ebbwatt")


def _check_schema(connection: sqlite3.Connection) -> None:
    for kind, name, text in connection.execute("SELECT type, name, sql FROM sqlite_master"):
        ours = {
            "table": name in _TABLES and str(text).lstrip().upper().startswith("CREATE TABLE"),
            "index": name in _INDEXES or (text is None and name.startswith("sqlite_autoindex_")),
            "trigger": TRIGGERS.get(name) == text,
        }.get(kind, False)
        if not ours:
            article = "an" if kind == "index" else "a"
            raise Refused(
                f"holds {article} {one_line(str(kind), 20)} that is not Ebbwatt's: "
                f"{one_line(str(name), 60)}"
            )
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'"):
        # A column that is computed runs an expression when it is read.
        hidden = connection.execute("SELECT sum(hidden) FROM pragma_table_xinfo(?)", (name,))
        if hidden.fetchone()[0]:
            raise Refused(f"holds a computed column that is not Ebbwatt's, in the table {name}")


def _check_whole(connection: sqlite3.Connection) -> None:
    (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        raise Refused(f"is damaged: {one_line(' '.join(str(found).split()))}")


def _document(copy: Path) -> Known:
    if copy.stat().st_size > MOST_JSON_BYTES:
        raise Refused("is too large for an assessment document")
    read = read_json(copy)
    if read is None:
        raise Refused("is no database and no assessment document, or is damaged")
    if read.get("schema") != SCHEMA:
        raise Refused(
            f"is no assessment document of this version: 'schema' is "
            f"{one_line(repr(read.get('schema')), 60)}; accepted: {SCHEMA!r}"
        )
    store = read.get("store")
    if not isinstance(store, dict):
        raise Refused("names no store (an earlier version made it); hand in the database, or make "
                      "the document anew")  # fmt: skip
    try:
        key = Key(str(store["id"]), _whole(store["fitting"]))
        last_s = datetime.fromisoformat(str(read["observed"]["to"])).timestamp()
        return Known(key, _plausible(last_s), database=False)
    except (LookupError, TypeError, ValueError, OverflowError):
        raise Refused("is damaged: its store or its times are impossible") from None


def _whole(value: Any) -> int:  # noqa: ANN401 - it comes from outside
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError("not a whole number")
    return value


def _plausible(last_s: float) -> float:
    """Return a time that a log may end at: from 1990 to 2200."""
    if not math.isfinite(last_s) or not 6.3e8 < last_s < 7.3e9:
        raise ValueError("no such time")
    return last_s
