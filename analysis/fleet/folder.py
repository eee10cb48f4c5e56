"""The folder of a fleet: where each boat's files lie, and how they are found and written.

``boats/<two letters>/<store id>-<fitting>/`` holds of each boat ``log.db`` (its database),
``boat.toml`` (its configuration, where the database carries none), ``document.json`` (an assessment
document that was handed in), ``result.json`` (what this program made of them) and, where a page of
the fleet was asked for, ``report.html`` (that boat's own report).
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.errors import EbbwattError, UsageError
from logger.store.files import synchronise
from logger.system.output import FILE_MODE, make_private_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BOATS = "boats"
LOG, CONFIGURATION, DOCUMENT, RESULT = "log.db", "boat.toml", "document.json", "result.json"
REPORT = "report.html"
#: The random id of a database is 16 hexadecimal digits; it becomes part of a path.
_STORE_ID = re.compile(r"[0-9a-f]{16}")
_FOLDER = re.compile(r"[0-9a-f]{16}-[1-9][0-9]{0,8}")
#: A result holds a document and a sketch, some ten kilobytes.
MOST_JSON_BYTES = 5_000_000


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """What tells one boat's charger from all others: its database's id, and the fitting in it."""

    store_id: str
    fitting: int

    def __post_init__(self) -> None:
        if not _STORE_ID.fullmatch(self.store_id) or not 0 < self.fitting < 10**9:
            raise ValueError("no id of a store and a fitting")

    @property
    def name(self) -> str:
        """Return the key as one word, which is the name of its folder as well."""
        return f"{self.store_id}-{self.fitting}"

    @staticmethod
    def of(name: str) -> Key:
        """Return the key of a folder's name."""
        store_id, _, fitting = name.partition("-")
        return Key(store_id, int(fitting))


class Fleet:
    """The folder of a fleet.

    Parameters
    ----------
    path
        The folder; with ``make`` it is made if it is not there yet.

    Raises
    ------
    UsageError
        If it is no folder of a fleet.
    """

    def __init__(self, path: Path, *, make: bool = False) -> None:
        self.path = path
        try:
            if make and not path.exists():
                make_private_folder(path)
            if make and path.is_dir() and not any(path.iterdir()):
                make_private_folder(path / BOATS)
        except OSError as error:
            raise UsageError(f"{path}: cannot be made: {error.strerror or error}") from None
        if not (path / BOATS).is_dir():
            raise UsageError(
                f"{path}: is no folder of a fleet; 'ebbwatt fleet take DIR FILE...' makes one "
                f"where there is nothing yet"
            )

    def folder(self, key: Key) -> Path:
        """Return the folder of a boat, which need not exist."""
        return self.path / BOATS / key.store_id[:2] / key.name

    def boats(self) -> list[Path]:
        """Return the folders of all boats, ordered by their names."""
        found = [
            boat
            for letters in sorted((self.path / BOATS).iterdir())
            if letters.is_dir()
            for boat in letters.iterdir()
            if _FOLDER.fullmatch(boat.name)
        ]
        return sorted(found)

    @contextmanager
    def held(self) -> Iterator[None]:
        """Let only one command at a time change the folder.

        Raises
        ------
        EbbwattError
            If another one is at work.
        """
        handle = os.open(self.path / ".fleet.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise EbbwattError(
                    f"{self.path}: another 'ebbwatt fleet' is at work there; wait until it is done"
                ) from None
            yield
        finally:
            os.close(handle)


def digest(path: Path) -> str:
    """Return the digest of a file's contents (BLAKE2b, RFC 7693; 32 hexadecimal digits)."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=16)).hexdigest()


def read_json(path: Path, most_bytes: int = MOST_JSON_BYTES) -> dict[str, Any] | None:
    """Return what a JSON file holds; None where it is not there, too large, or no whole table."""
    try:
        with path.open("rb") as file:
            read = json.loads(file.read(most_bytes))
    except (OSError, ValueError, RecursionError):
        return None
    return read if isinstance(read, dict) else None


def write_json(path: Path, content: dict[str, Any]) -> None:
    """Write a JSON file whole or not at all."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        text = json.dumps(content, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
        part.write_text(text, encoding="ascii")
        part.chmod(FILE_MODE)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def parts_of(path: Path) -> list[Path]:
    """Return what :func:`write_json` had begun where it was killed."""
    return list(path.parent.glob(f".{path.name}.*.part"))


def settle(part: Path, path: Path) -> None:
    """Put a complete file onto the disk and give it its name."""
    part.chmod(FILE_MODE)
    synchronise(part)
    part.replace(path)
    synchronise(path.parent)
