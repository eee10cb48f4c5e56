"""Takes in what boats hand over: each file is copied, judged, and filed under its boat, or refused.

Nothing that is filed is touched before the newer copy of it has been judged, and the file that is
handed in is never touched at all.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.fleet import folder
from analysis.fleet.foreign import MOST_BYTES, Known, Refused, examine_file, private_copy
from logger.config import load_config
from logger.errors import ConfigError
from logger.store.file_format.carried import TRAVEL
from logger.system.output import make_private_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from analysis.fleet.folder import Fleet

#: A configuration is a page of text.
_MOST_CONFIGURATION_BYTES = 1_000_000


class Outcome(StrEnum):
    """What became of a file."""

    TAKEN = "taken"
    KNOWN = "known"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of one file, and why, in words that follow its name."""

    path: Path
    outcome: Outcome
    words: str
    boat: str | None = None
    """The name of its boat's folder; None where the file is refused."""


def take(
    fleet: Fleet,
    paths: Iterable[Path],
    configuration: Path | None = None,
    most_bytes: int = MOST_BYTES,
) -> Iterator[Taken]:
    """Take files in, one after the other; yield what became of each.

    Parameters
    ----------
    fleet
        Where to file them.
    paths
        Databases and assessment documents.
    configuration
        Of databases that carry none; else a ``.toml`` of the database's name, or ``boat.toml`` or
        ``ebbwatt.toml`` beside it.
    most_bytes
        Larger files are refused.

    Raises
    ------
    ConfigError
        If ``configuration`` does not hold.
    EbbwattError
        If another command is at work in the folder.
    """
    with fleet.held():
        yield from take_held(fleet, paths, configuration, most_bytes)


def take_held(
    fleet: Fleet, paths: Iterable[Path], configuration: Path | None, most_bytes: int
) -> Iterator[Taken]:
    """Take files in as :func:`take` does, into a folder that this command holds already."""
    named = None if configuration is None else _configuration(configuration)
    for old in fleet.path.glob(".taking-*"):  # left by a command that was killed
        shutil.rmtree(old, ignore_errors=True)
    for path in paths:
        with tempfile.TemporaryDirectory(prefix=".taking-", dir=fleet.path) as work:
            boat = None
            try:
                words, outcome, boat = _take(fleet, path, Path(work), named, most_bytes)
            except Refused as why:
                words, outcome = str(why), Outcome.REFUSED
            except OSError as error:
                words = f"cannot be filed: {error.strerror or error}"
                outcome = Outcome.REFUSED
        yield Taken(path, outcome, words, boat)


def _take(
    fleet: Fleet, path: Path, work: Path, named: str | None, most_bytes: int
) -> tuple[str, Outcome, str]:
    copy = work / folder.LOG
    private_copy(path, copy, most_bytes)
    known = examine_file(copy)
    configuration = None
    if known.database:
        waiting = path.with_name(path.name + "-wal")
        if waiting.is_symlink() or (waiting.exists() and waiting.stat().st_size > 0):
            raise Refused(
                "has a write-ahead log beside it with what is not in the file yet; hand in a copy "
                "that 'ebbwatt backup' made"
            )
        configuration = _of_database(path, copy, named)
    return *_file(fleet, copy, known, configuration), known.key.name


def _file(fleet: Fleet, copy: Path, known: Known, configuration: str | None) -> tuple[str, Outcome]:
    boat = fleet.folder(known.key)
    place = boat / (folder.LOG if known.database else folder.DOCUMENT)
    where = place.relative_to(fleet.path)
    if place.exists():
        if folder.digest(place) == folder.digest(copy) and not _has_other_configuration(
            boat, configuration
        ):
            return f"is filed already: {where}", Outcome.KNOWN
        there = _last_of(place)
        if there is not None and there > known.last_s:
            return (
                f"is older than what is filed ({_day(known.last_s)} before {_day(there)}): {where}",
                Outcome.KNOWN,
            )
    make_private_folder(boat)
    if configuration is not None:
        part = copy.with_name(folder.CONFIGURATION)
        part.write_text(configuration, encoding="utf-8")
        folder.settle(part, boat / folder.CONFIGURATION)
    folder.settle(copy, place)
    return f"log until {_day(known.last_s)}: {where}", Outcome.TAKEN


def _has_other_configuration(boat: Path, configuration: str | None) -> bool:
    """Tell whether the configuration that is handed in differs from the one that is filed."""
    place = boat / folder.CONFIGURATION
    if configuration is None:
        return False
    return not place.exists() or place.read_text(encoding="utf-8") != configuration


def _last_of(place: Path) -> float | None:
    """Return the end of what a filed file saw; None where it is no longer whole."""
    try:
        return examine_file(place).last_s
    except (Refused, OSError):
        return None


def _day(time_s: float) -> str:
    return datetime.fromtimestamp(time_s).astimezone().date().isoformat()


def _of_database(path: Path, copy: Path, named: str | None) -> str | None:
    """Return the configuration that goes with a database; None where it carries its own.

    Raises
    ------
    Refused
        If there is none that holds.
    """
    if named is not None:
        return named
    try:
        load_config(copy, quiet=True)
    except ConfigError:
        pass
    else:
        return None
    beside = (
        path.with_suffix(".toml"),
        *(path.with_name(n) for n in ("boat.toml", "ebbwatt.toml")),
    )
    for candidate in beside:
        if candidate.is_file():
            private = copy.with_name("handed.toml")
            private_copy(candidate, private, _MOST_CONFIGURATION_BYTES)
            try:
                return _configuration(private)
            except ConfigError as error:
                text = str(error).replace(str(private), candidate.name)
                raise Refused(f"has a configuration that does not hold: {text}") from None
    raise Refused(
        "carries no configuration, and there is none beside it: put a boat.toml there, or name one "
        "with --config FILE"
    )


def _configuration(path: Path) -> str:
    """Return what a configuration says of the boat, as TOML.

    Source, store and publishing belong to a board, and may hold secrets: they stay behind.
    """
    data = load_config(path).document.data
    lines = []
    for name in TRAVEL:
        if isinstance(data.get(name), dict):
            lines += [f"[{name}]", *(f"{_toml_key(k)} = {_toml(v)}" for k, v in data[name].items())]
    return "\n".join(lines) + "\n"


def _toml_key(key: str) -> str:
    return _toml(str(key))


def _toml(value: Any) -> str:  # noqa: ANN401 - whatever TOML may hold
    """Write a value as TOML 1.0 (toml.io/en/v1.0.0)."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    if isinstance(value, str):
        return '"' + "".join(_letter(c) for c in value) + '"'
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml_key(k)} = {_toml(v)}" for k, v in value.items()) + "}"
    return repr(value)


def _letter(letter: str) -> str:
    if letter in '"\\':
        return "\\" + letter
    return f"\\u{ord(letter):04x}" if ord(letter) < 32 or ord(letter) == 127 else letter
