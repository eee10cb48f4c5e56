"""Fetches boats from object storage through fsspec: private copies, judged as files handed in are.

Nothing is ever written to the storage. Which storages there are, and where their credentials come
from, is fsspec's own matter: s3fs, gcsfs and others read their usual files and variables.
"""

from __future__ import annotations

import hashlib
import json
import re
import tempfile
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from analysis.fleet import folder
from analysis.fleet.intake import Outcome, Taken, take
from analysis.text import harmless
from logger import __version__
from logger.errors import EbbwattError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from analysis.fleet.folder import Fleet

_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*(?:::[^/]*)?://", re.ASCII)
#: What a storage may tell of an object that changes when its content does.
_TELLING = (
    *("ETag", "etag", "md5Hash", "content_md5", "generation", "VersionId"),
    *("LastModified", "last_modified", "updated", "mtime", "created"),
)
_BESIDE = ("boat.toml", "ebbwatt.toml")
_PIECE = 1 << 20
_LONGEST_WORDS = 200
#: What was fetched into a folder of copies, and what became of it.
RECORD = ".objects.json"


class _UnfetchedError(Exception):
    """An object that cannot be had now, which says nothing about its content."""


def is_address(text: str) -> bool:
    """Tell whether this names object storage, such as ``memory://boats``, and no folder."""
    return _ADDRESS.match(text) is not None


class Storage:
    """The objects under one address.

    Parameters
    ----------
    address
        As fsspec takes it.

    Raises
    ------
    EbbwattError
        If fsspec or the package of this storage is not installed, or the storage does not answer.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        try:
            from fsspec.core import url_to_fs
        except ImportError:
            raise EbbwattError(
                f"{address}: object storage needs a package that is not installed: "
                f"pip install 'ebbwatt[fleet]'"
            ) from None
        try:
            self._system, self._root = url_to_fs(address)
            # A listing that was kept would hide what is new.
            self._system.invalidate_cache()
            found = self._system.find(self._root, detail=True)
        except ImportError as error:
            raise EbbwattError(f"{address}: {harmless(str(error), _LONGEST_WORDS)}") from None
        except ValueError as error:
            raise UsageError(
                f"{address}: is no storage that can be read: {harmless(str(error), _LONGEST_WORDS)}"
            ) from None
        except Exception as error:  # noqa: BLE001 - each storage raises errors of its own
            raise EbbwattError(f"{address}: cannot be listed: {_words(error)}") from None
        self.objects: dict[str, Mapping[str, Any]] = {
            name: about
            for name, about in sorted(found.items())
            if about.get("type") == "file" and not about.get("islink")
        }
        if not self.objects:
            raise UsageError(f"{address}: there is no object there")

    def short(self, name: str) -> str:
        """Return the name of an object below the address."""
        return name.removeprefix(self._root).lstrip("/") or PurePosixPath(name).name

    def fetch(self, name: str, target: Path, most_bytes: int) -> None:
        """Copy an object, of one that is too large as much as shows that it is.

        Raises
        ------
        OSError
            If it cannot be read, or the copy not be written.
        """
        rest = most_bytes + 1
        try:
            with self._system.open(name, "rb") as source, target.open("xb") as copy:
                while rest > 0 and (piece := source.read(min(_PIECE, rest))):
                    copy.write(piece)
                    rest -= len(piece)
        except OSError:
            raise
        except Exception as error:  # noqa: BLE001 - each storage raises errors of its own
            raise OSError(0, _words(error)) from None


def take_objects(
    storage: Storage,
    fleet: Fleet,
    configuration: Path | None,
    most_bytes: int,
    progress: Callable[[int, int], None] = lambda _done, _whole: None,
) -> Iterator[Taken]:
    """Take in the databases and documents of a storage; yield what became of each.

    What the fleet's folder has seen already is not fetched again, as far as the storage tells when
    an object changes. An object that was refused then is told again, with the same words.
    """
    record = fleet.path / RECORD
    named = configuration is not None and configuration.is_file()
    with_it = folder.digest(configuration) if configuration is not None and named else ""
    # What was refused by one version or limit may be taken by another.
    terms = [__version__, most_bytes]
    seen = folder.read_json(record) or {}
    names = [name for name in storage.objects if _is_handed_in(name)]
    kept: dict[str, Any] = {}
    try:
        for done, name in enumerate(names):
            progress(done, len(names))
            short, beside = storage.short(name), _beside(storage, name)
            stamp = _stamp([storage.objects[n] for n in (name, *beside)], with_it)
            before = seen.get(short)
            before = before if isinstance(before, list) else []
            refused = before[1:2]
            if stamp is not None and before == [stamp, *refused, *(terms if refused else [])]:
                outcome = Outcome.REFUSED if refused else Outcome.KNOWN
                taken = Taken(Path(short), outcome, str(refused[0]) if refused else "unchanged")
            else:
                try:
                    taken = _taken(storage, fleet, name, beside, configuration, most_bytes)
                except _UnfetchedError as why:
                    taken, stamp = Taken(Path(short), Outcome.REFUSED, str(why)), None
                    seen.pop(short, None)
            if stamp is not None:
                was_refused = taken.outcome is Outcome.REFUSED
                kept[short] = [stamp, taken.words, *terms] if was_refused else [stamp]
            yield taken
        progress(len(names), len(names))
    finally:
        # After an interruption, what was not looked at is still as it was.
        folder.write_json(record, seen | kept if len(kept) < len(names) else kept)


def _taken(
    storage: Storage,
    fleet: Fleet,
    name: str,
    beside: list[str],
    configuration: Path | None,
    most_bytes: int,
) -> Taken:
    """Fetch one object, with what belongs to it, into a folder of its own, and take it in.

    Raises
    ------
    _UnfetchedError
        If it cannot be had now.
    """
    shown = Path(storage.short(name))
    with tempfile.TemporaryDirectory(prefix=".fetching-", dir=fleet.path) as work:
        # The names are the storage's: only the ends of them that are known are used.
        copy = Path(work, f"handed{PurePosixPath(name).suffix}")
        try:
            storage.fetch(name, copy, most_bytes)
            for other in beside:
                last = PurePosixPath(other).name
                own = copy.with_name(last) if last in _BESIDE else None
                target = own or copy.with_name("handed" + last.removeprefix(_stem(name)))
                storage.fetch(other, target, most_bytes)
        except OSError as error:
            raise _UnfetchedError(f"cannot be fetched: {error.strerror or error}") from None
        (taken,) = take(fleet, [copy], configuration, most_bytes)
    return Taken(shown, taken.outcome, taken.words)


def _is_handed_in(name: str) -> bool:
    last = PurePosixPath(name)
    return last.suffix in (".db", ".json") and last.name != folder.RESULT


def _beside(storage: Storage, name: str) -> list[str]:
    """Return the objects that belong to a database: its configuration and its write-ahead log."""
    if PurePosixPath(name).suffix != ".db":
        return []
    parent = name[: -len(PurePosixPath(name).name)]
    wanted = (f"{name.removesuffix('.db')}.toml", *(parent + n for n in _BESIDE), f"{name}-wal")
    # A database may itself be called boat.db.
    return [other for other in dict.fromkeys(wanted) if other in storage.objects]


def _stem(name: str) -> str:
    return PurePosixPath(name).stem


def _stamp(objects: list[Mapping[str, Any]], configuration: str) -> str | None:
    """Return what changes with the content of objects, and with the configuration that is named.

    None where the storage tells too little.
    """
    told = [
        [about.get("size"), {key: str(about[key]) for key in _TELLING if about.get(key)}]
        for about in objects
    ]
    if not all(keys for _, keys in told):
        return None
    return hashlib.blake2b(json.dumps([told, configuration]).encode(), digest_size=16).hexdigest()


def _words(error: Exception) -> str:
    return harmless(f"{type(error).__name__}: {error}", _LONGEST_WORDS)
