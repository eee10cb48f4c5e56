"""Fetches boats from object storage through fsspec: private copies, judged as files handed in are.

Nothing is ever written to the storage. Which storages there are, and where their credentials come
from, is fsspec's own matter: s3fs, gcsfs and others read their usual files and variables.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from analysis.fleet import folder
from analysis.fleet.intake import Outcome, Taken, take_held
from analysis.text import harmless
from logger import __version__
from logger.errors import EbbwattError, UsageError
from logger.system.output import make_private_folder

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
RECORD, RECORD_SCHEMA = ".objects.json", "ebbwatt/fleet-objects/2"
#: An entry of the record takes some hundred bytes: this is enough for five million objects.
_MOST_RECORD_BYTES = 1_000_000_000
#: Where copies of boats go that are no longer in the storage, once that is asked for.
GONE = "gone"
_UNDER_WAY = ".fetching-"


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
        """Copy an object; if it is too large, only so much of it as shows that.

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

    Raises
    ------
    EbbwattError
        If another command is at work in the folder.
    """
    named = configuration is not None and configuration.is_file()
    with_it = folder.digest(configuration) if configuration is not None and named else ""
    # What was refused by one version or limit may be taken by another.
    terms = [__version__, most_bytes]
    names = [name for name in storage.objects if _is_handed_in(name)]
    kept: dict[str, Any] = {}
    with fleet.held():
        for old in fleet.path.glob(f"{_UNDER_WAY}*"):  # left by a command that was killed
            shutil.rmtree(old, ignore_errors=True)
        record = _record(fleet)
        seen, gone = record["objects"], record["gone"]
        try:
            for done, name in enumerate(names):
                progress(done, len(names))
                short, beside = storage.short(name), _beside(storage, name)
                stamp = _stamp([storage.objects[n] for n in (name, *beside)], with_it)
                before = seen.get(short, {})
                refused = before.get("refused")
                if (
                    stamp is not None
                    and before.get("stamp") == stamp
                    and (refused is None or before.get("terms") == terms)
                ):
                    outcome = Outcome.KNOWN if refused is None else Outcome.REFUSED
                    taken = Taken(Path(short), outcome, refused or "unchanged", before.get("boat"))
                else:
                    try:
                        taken = _taken(storage, fleet, name, beside, configuration, most_bytes)
                    except _UnfetchedError as why:
                        taken, stamp = Taken(Path(short), Outcome.REFUSED, str(why)), None
                # An object that cannot be had, or is damaged, is still that of its boat.
                kept[short] = {"stamp": stamp, "boat": taken.boat or before.get("boat")}
                if taken.outcome is Outcome.REFUSED:
                    kept[short] |= {"refused": taken.words, "terms": terms}
                yield taken
            progress(len(names), len(names))
        finally:
            # After an interruption, what was not looked at is still as it was.
            whole = len(kept) == len(names)
            found = kept if whole else seen | kept
            if whole:
                gone = gone | {one["boat"]: short for short, one in seen.items()}
            here = {one["boat"] for one in found.values()}
            gone = {boat: short for boat, short in gone.items() if boat and boat not in here}
            _write_record(fleet, found, gone)


def gone_boats(fleet: Fleet) -> dict[Path, str]:
    """Return the folders of boats that the storage no longer holds, and what object each was.

    A boat that was taken in by hand is not among them.
    """
    found = {}
    for boat, short in _record(fleet)["gone"].items():
        try:
            path = fleet.folder(folder.Key.of(boat))
        except ValueError:
            continue
        if path.is_dir():
            found[path] = short
    return found


def set_aside(fleet: Fleet) -> list[Path]:
    """Move the boats that the storage no longer holds out of the list; return where they are.

    Raises
    ------
    EbbwattError
        If another command is at work in the folder, or it cannot be written.
    """
    moved = []
    with fleet.held():
        for boat in gone_boats(fleet):
            place = fleet.path / GONE / boat.name
            try:
                make_private_folder(place.parent)
                if place.exists():  # it was gone before, and came back since: this one is later
                    shutil.rmtree(place)
                boat.rename(place)
            except OSError as error:
                why = error.strerror or error
                raise EbbwattError(f"{boat}: cannot be moved to {place}: {why}") from None
            moved.append(place)
        _write_record(fleet, _record(fleet)["objects"], {})
    return moved


def _write_record(fleet: Fleet, objects: dict[str, Any], gone: dict[str, str]) -> None:
    content = {"schema": RECORD_SCHEMA, "objects": objects, "gone": gone}
    folder.write_json(fleet.path / RECORD, content)


def _record(fleet: Fleet) -> dict[str, Any]:
    """Return what was fetched before; nothing where the record is missing or damaged."""
    empty: dict[str, Any] = {"objects": {}, "gone": {}}
    read = folder.read_json(fleet.path / RECORD, _MOST_RECORD_BYTES)
    if read is None or read.get("schema") != RECORD_SCHEMA:
        return empty
    objects, gone = read.get("objects"), read.get("gone")
    if not isinstance(objects, dict) or not isinstance(gone, dict):
        return empty
    if not all(isinstance(one, dict) and "boat" in one for one in objects.values()):
        return empty
    return {"objects": objects, "gone": gone}


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
    with tempfile.TemporaryDirectory(prefix=_UNDER_WAY, dir=fleet.path) as work:
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
        (taken,) = take_held(fleet, [copy], configuration, most_bytes)
    return Taken(shown, taken.outcome, taken.words, taken.boat)


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
