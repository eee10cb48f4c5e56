"""Opens database files, and checks that they exist, are ours, have our version, may be written."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import time
from contextlib import closing, contextmanager, suppress
from typing import TYPE_CHECKING

from logger.errors import (
    StoreDamagedError,
    StoreEmptyError,
    StoreError,
    StoreUnwritableError,
)
from logger.store.file_format.pages import looks_like_ours
from logger.system.child import child_command
from logger.system.output import FILE_MODE

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: "Ebbw" in ASCII, in the header of each of our databases (PRAGMA application_id).
APPLICATION_ID = 0x45626277
#: Number of the last migration in logger/store/schema.py.
SCHEMA_VERSION = 3
#: The oldest version that can be read without a migration, for instance from a write-protected
#: stick.
OLDEST_READ = 1
#: Length of the write-ahead log, in pages, at which it is copied into the file and starts again.
#: ``open_writer`` has the reason.
LOG_PAGES = 128
#: Longest wait of a command for another program's write, s: a commit takes well under a second
#: (judgement, no source).
BUSY_TIMEOUT_S = 10.0


def prepare(path: Path) -> None:
    """Create the database or bring its schema up to date.

    The migrations run in a child process, so that a long-lived caller never loads their libraries.

    Raises
    ------
    StoreError
        If the file is not ours, is newer than this program, is locked or cannot be written.
    """
    with translated(path):
        has_content = path.exists() and path.stat().st_size > 0
    if has_content and _version(path) == SCHEMA_VERSION:
        return
    if not path.parent.is_dir():
        raise StoreError(f"{path}: the folder {path.parent} does not exist; create it first")
    with translated(path):
        _make_private(path)
    done = subprocess.run(  # noqa: S603 - our own interpreter and module
        child_command("logger.store.schema", str(path)),
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines()
        raise StoreError(f"{path}: cannot be prepared: {lines[-1] if lines else 'no reason given'}")


def _make_private(path: Path) -> None:
    """Make the file of a new database, which its group may read, whatever the umask is.

    SQLite gives what it keeps beside a database the same mode.
    """
    with suppress(FileExistsError):
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)
        try:
            with suppress(OSError):  # a stick may know no modes
                os.fchmod(handle, FILE_MODE)
        finally:
            os.close(handle)


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
        # A backup has no write-ahead log until this sets it.
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        # A commit wears the card twice as much while the write-ahead log still grows, and it grows
        # anew after each start. A short one reaches its full length within the hour.
        connection.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """Open a database for reading only; works while the daemon writes, and on read-only media.

    Raises
    ------
    StoreError
        If it is missing, not ours, newer than this program, or locked.
    """
    if not is_there(path):
        raise StoreEmptyError(
            f"{path}: there is no such database yet; 'ebbwatt log' or 'ebbwatt import' makes it"
        )
    version = _version(path)
    if version < OLDEST_READ:
        raise StoreError(
            f"{path}: has schema version {version}, this program reads {SCHEMA_VERSION}; run "
            f"'ebbwatt log' or 'ebbwatt import' once to bring it up to date"
        )
    with translated(path):
        return _connect_read_only(path)


def is_there(path: Path) -> bool:
    """Tell whether there is a file of a database at ``path``.

    Raises
    ------
    StoreError
        If the folder may not be looked at, or the file may not be read.
    """
    try:
        there = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except PermissionError:
        there = None
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror or error}") from None
    if there is None or not os.access(path, os.R_OK):
        raise StoreError(f"{path}: {UNREADABLE_WORDS}")
    if not stat.S_ISREG(there.st_mode):
        raise StoreError(f"{path}: is not a file; name the file of the database")
    return True


def damaged_name(path: Path) -> Path:
    """Return a free name under which a damaged file can be set aside."""
    return free_name(path, "damaged")


def free_name(path: Path, word: str) -> Path:
    """Return a free name beside ``path`` that says what the file was and when it was set aside."""
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    aside = path.with_name(f"{path.name}.{word}-{stamp}")
    # Do not replace an earlier one: a clock that is never set shows the same time in each boot.
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.{word}-{stamp}-{number}")
    return aside


def synchronise(path: Path) -> None:
    """Put a file or a folder onto the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _connect_read_only(path: Path) -> sqlite3.Connection:
    """Connect read-only; without write access to the folder, open the file as immutable."""
    address = f"{path.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(address, uri=True, timeout=BUSY_TIMEOUT_S)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        # WAL needs a -shm file beside the database; on a write-protected stick there is none.
        connection.close()
        connection = sqlite3.connect(f"{address}&immutable=1", uri=True)
    except sqlite3.DatabaseError:
        connection.close()
        raise
    return connection


def _version(path: Path) -> int:
    """Return the schema version of a file that is ours."""
    try:
        with translated(path), closing(_connect_read_only(path)) as connection:
            ours = connection.execute("PRAGMA application_id").fetchone()[0]
            version: int = connection.execute("PRAGMA user_version").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    except StoreUnwritableError:
        raise
    except StoreError as error:
        # SQLite cannot read it: it is a damaged file of ours, or another file.
        if not looks_like_ours(path):
            raise StoreError(f"{path}: is not an Ebbwatt database; name another file") from error
        raise StoreDamagedError(f"{path}: {DAMAGED_WORDS}") from error
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


#: Message about a log that this user may not read.
UNREADABLE_WORDS = (
    "this user may not read it; join its group: 'sudo usermod -aG ebbwatt $USER', then log in anew"
)
#: Message about a damaged file.
DAMAGED_WORDS = (
    "is damaged; start 'ebbwatt log', or run 'ebbwatt check --mend': either sets it aside and "
    "keeps what can be read"
)
#: With less free space than this the disk counts as full, bytes: a commit needs some pages of file
#: and log.
_ROOM = 256 * 1024
_LOCKED = "is locked by another program; try again when it is done"
_NO_ROOM = "the disk is full; make room"


def _not_now(path: Path, code: int) -> StoreUnwritableError | None:
    """Return the error for a result code after which a later try may succeed, else None.

    Source of the codes: sqlite.org/rescode.html. Where SQLite gives no reason, the file system is
    asked for it.
    """
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreUnwritableError(f"{path}: {_LOCKED}", "store_locked")
    if code == sqlite3.SQLITE_FULL or (
        code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN) and _is_full(path)
    ):
        return StoreUnwritableError(f"{path}: {_NO_ROOM}", "store_full")
    if code == sqlite3.SQLITE_CANTOPEN:
        return StoreUnwritableError(f"{path}: cannot be opened: {_why_not(path)}")
    if code == sqlite3.SQLITE_READONLY:
        return StoreUnwritableError(f"{path}: is write-protected; make it writable")
    if code == sqlite3.SQLITE_IOERR:
        return StoreUnwritableError(
            f"{path}: cannot be written: the disk reports an error, or the file may not grow"
        )
    return None


def _is_full(path: Path) -> bool:
    try:
        disk = os.statvfs(path.parent)
    except OSError:
        return False
    return disk.f_bavail * disk.f_frsize < _ROOM


def _why_not(path: Path) -> str:
    """Say why a database cannot be opened, because SQLite does not."""
    if not path.parent.is_dir():
        return f"there is no folder {path.parent}"
    if not os.access(path.parent, os.X_OK):
        return f"the folder {path.parent} may not be entered by this user"
    if path.exists():
        if not os.access(path, os.R_OK):
            return "it may not be read by this user"
        if not os.access(path, os.W_OK):
            return "it may not be written by this user"
    if not os.access(path.parent, os.W_OK):
        return f"the folder {path.parent} may not be written by this user"
    return "the system does not say why"


def interruptible(connection: sqlite3.Connection) -> None:
    """Let a signal end a long statement of SQLite, which would otherwise run to its end first."""
    # Python handles signals when it calls a Python function, here every few milliseconds. If the
    # handler raises, SQLite ends the statement.
    connection.set_progress_handler(lambda: 0, 100_000)


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn errors of SQLite and of the file system into ours."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code == sqlite3.SQLITE_INTERRUPT:
            # A signal came while SQLite was at work, see interruptible().
            raise KeyboardInterrupt from error
        if (not_now := _not_now(path, code)) is not None:
            raise not_now from error
        if code == sqlite3.SQLITE_NOTADB:
            raise StoreError(f"{path}: is not an Ebbwatt database; name another file") from error
        if code == sqlite3.SQLITE_CORRUPT:
            raise StoreDamagedError(f"{path}: {DAMAGED_WORDS}") from error
        raise StoreError(f"{path}: {error}") from error
    except PermissionError as error:
        raise StoreError(
            f"{path}: this user may not use it; look at owner and mode with 'ls -ld'"
        ) from error
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror or error}") from error
