"""Opens database files: is it there, is it ours, is it of our version, may we write it."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

from logger.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: "Ebbw" in ASCII; stands in the header of every database of ours (PRAGMA application_id).
APPLICATION_ID = 0x45626277
SCHEMA_VERSION = 1
#: How long a command waits for another program's write to end.
BUSY_TIMEOUT_S = 10.0


def prepare(path: Path) -> None:
    """Create the database or bring its schema up to date.

    Runs the migrations in a child process, so that a long-lived caller never loads what they need.

    Raises
    ------
    StoreError
        If the file is not ours, is newer than this program, is locked or cannot be written.
    """
    if path.exists() and path.stat().st_size > 0 and _version(path) == SCHEMA_VERSION:
        return
    if not path.parent.is_dir():
        raise StoreError(f"{path}: the folder {path.parent} does not exist; create it first")
    done = subprocess.run(  # noqa: S603 - our own interpreter and module
        [sys.executable, "-m", "logger.store.schema", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines()
        raise StoreError(f"{path}: cannot be prepared: {lines[-1] if lines else 'no reason given'}")


def open_writer(path: Path) -> sqlite3.Connection:
    """Open a prepared database for writing: WAL, every commit synchronised.

    Raises
    ------
    StoreError
        As for :func:`prepare`.
    """
    prepare(path)
    with translated(path):
        connection = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None)
        connection.execute("PRAGMA synchronous = FULL")
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """Open a database for reading only; works while the daemon writes, and on read-only media.

    Raises
    ------
    StoreError
        If it is missing, not ours, newer than this program, or locked.
    """
    if not path.exists():
        raise StoreError(
            f"{path}: there is no such database yet; 'ebbwatt log' or 'ebbwatt import' makes it"
        )
    version = _version(path)
    if version < SCHEMA_VERSION:
        raise StoreError(
            f"{path}: has schema version {version}, this program reads {SCHEMA_VERSION}; run "
            f"'ebbwatt log' or 'ebbwatt import' once to bring it up to date"
        )
    return _connect_read_only(path)


def _connect_read_only(path: Path) -> sqlite3.Connection:
    """Connect read-only; without write access to the folder, read the file as it stands."""
    address = f"{path.absolute().as_uri()}?mode=ro"
    try:
        connection = sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S)
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        # WAL needs a -shm file beside the database; on a write-protected stick there is none.
        connection = sqlite3.connect(f"{address}&immutable=1", uri=True)
    return connection


def _version(path: Path) -> int:
    """Return the schema version of a file that is ours."""
    with translated(path):
        connection = _connect_read_only(path)
        try:
            ours = connection.execute("PRAGMA application_id").fetchone()[0]
            version: int = connection.execute("PRAGMA user_version").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        finally:
            connection.close()
    if ours != APPLICATION_ID:
        if tables == 0 and ours == 0:
            return 0
        raise StoreError(f"{path}: is a database of another program; name another file")
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path}: was written by a newer Ebbwatt (schema {version}, this program knows "
            f"{SCHEMA_VERSION}); update this program. Nothing was changed."
        )
    return version


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours, at the border."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        text = str(error)
        if "locked" in text or "busy" in text:
            raise StoreError(
                f"{path}: is locked by another program; try again when it is done"
            ) from error
        if "not a database" in text:
            raise StoreError(f"{path}: is not an Ebbwatt database; name another file") from error
        raise StoreError(f"{path}: {text}") from error
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror or error}") from error
