"""Declares settings as data, and checks TOML tables against them with errors that name the line.

One table of :class:`Setting` per section is the only place where a key, its default, its accepted
values and its help are written; the documentation test walks the same tables.
"""

from __future__ import annotations

import contextlib
import difflib
import math
import re
import stat
import tomllib
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from logger.errors import ConfigError
from logger.refusals import one_line, shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

#: Marks a setting that must be given.
REQUIRED = object()

_KINDS = {
    "text": "text in quotes",
    "texts": "text in quotes, or a list of such texts",
    "number": "a number",
    "whole": "a whole number",
    "flag": "true or false",
    "date": "a date such as 2021-04-18, without quotes",
    "list": "a list in [ ]",
    "range": "a number, or [lowest, highest],",
    "table": "a table",
    "name or table": "text in quotes, or a table",
}
#: Characters that a terminal acts on (ECMA-48: C0, DEL and C1).
_ACTING = frozenset(map(chr, (*range(0x20), *range(0x7F, 0xA0))))
#: A key or a table of keys, as a line of TOML writes them.
_KEYS = re.compile(r"[A-Za-z0-9_.\"' -]+")
#: A configuration is a few kilobytes: more is no configuration, whatever else it is.
LARGEST = 1_000_000
#: Characters of a line. No setting is longer; the parser of TOML takes the square of a key's parts.
_LONGEST_LINE = 10_000
#: Parts of a key, such as source.timing.late_s: the parser makes a table of each.
_MOST_PARTS = 20
#: Where the parser of TOML found the fault, in its own words.
_PLACE = re.compile(r" \(at line (\d+), column \d+\)")
_LIKE_A_DATE = re.compile(r"\s*\d{1,4}[-./]\d")
#: Characters of a line of the file that an error shows.
_LONGEST_SHOWN = 60
#: Characters of a key and of a message that are shown; some messages list what is accepted.
_LONGEST_KEY, _LONGEST_MESSAGE = 200, 1500


@dataclass(frozen=True, slots=True)
class Setting:
    """One key of a section: what it is called, what it accepts, and what it means.

    ``kind`` is one of the keys of ``_KINDS``. The choices of a name or table are checked by who
    knows what the table holds. A range is a
    number, or two that do not fall, which become a tuple. ``low`` and ``high`` are inclusive
    bounds unless ``above_low`` asks for strictly more than ``low``. ``wire`` text goes to the
    device or comes from it: it may hold control characters, such as the end of a line.
    """

    key: str
    kind: str
    default: Any
    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    above_low: bool = False
    choices: tuple[str, ...] = ()
    wire: bool = False

    def accepted(self) -> str:
        """Say in words what the setting accepts."""
        if self.choices:
            more = ", or a table" if self.kind == "name or table" else ""
            return "one of " + ", ".join(self.choices) + more
        text = _KINDS[self.kind]
        low = None if self.low is None else _figure(self.low)
        high = None if self.high is None else _figure(self.high)
        if low is not None and high is not None:
            text += f" from {low} to {high}"
        elif low is not None:
            text += f" above {low}" if self.above_low else f" of at least {low}"
        elif high is not None:
            text += f" of at most {high}"
        return f"{text} ({self.unit})" if self.unit else text


def _figure(bound: float) -> str:
    """Write a bound in full where it is a whole number: 4000000 rather than 4e+06."""
    return str(int(bound)) if bound == int(bound) else f"{bound:g}"


@dataclass(frozen=True, slots=True)
class Section:
    """A named table of settings. ``optional`` sections may be left out of the file."""

    name: str
    settings: tuple[Setting, ...]
    help: str
    optional: bool = True

    def keys(self) -> list[str]:
        """Return the accepted keys in the order in which they are declared."""
        return [setting.key for setting in self.settings]

    def default(self, key: str) -> Any:  # noqa: ANN401 - as the setting has it
        """Return the default of a key."""
        return next(setting.default for setting in self.settings if setting.key == key)


@dataclass(slots=True)
class Document:
    """A parsed TOML file that remembers on which line each key stands."""

    path: Path
    data: dict[str, Any]
    lines: dict[tuple[str, ...], int] = field(default_factory=dict)

    def line_of(self, *keys: str) -> int | None:
        """Return the line of the deepest of ``keys`` that the file names, or None."""
        for length in range(len(keys), 0, -1):
            if keys[:length] in self.lines:
                return self.lines[keys[:length]]
        return None

    def entry(self, name: str, number: int) -> Document:
        """Return the document in which ``name`` is one entry of [[name]], counted from 1."""
        wanted = name if number == 1 else f"{name}[{number}]"
        lines = {
            (name, *keys[1:]): line for keys, line in self.lines.items() if keys[:1] == (wanted,)
        }
        if not lines and (line := self.line_of(name)) is not None:
            lines[(name,)] = line  # an entry of a list in one line
        return Document(self.path, self.data, lines)

    def error(self, message: str, *keys: str) -> ConfigError:
        """Build an error that names file, line and key."""
        line = self.line_of(*keys)
        message = one_line(message, _LONGEST_MESSAGE)
        where = f"{self.path}, line {line}" if line else f"{self.path}"
        name = one_line(".".join(keys), _LONGEST_KEY)
        return ConfigError(f"{where}: {name}: {message}" if name else f"{where}: {message}")


class Errors:
    """What is wrong with a file, gathered part by part, so that all of it can be told at once."""

    def __init__(self) -> None:
        self.found: dict[str, None] = {}

    @contextlib.contextmanager
    def noted(self) -> Iterator[None]:
        """Note a ConfigError of the part inside and go on behind it."""
        try:
            yield
        except ConfigError as error:
            self.found |= dict.fromkeys(error.errors)

    def raise_found(self) -> None:
        """Raise one ConfigError of all that was noted, if anything was."""
        if self.found:
            raise ConfigError(*self.found)


#: What to do about a configuration that is not there.
_NO_CONFIGURATION = (
    "Name one with --config FILE, or start from the example that 'ebbwatt demo' leaves behind."
)


def read_document(path: Path, if_missing: str = _NO_CONFIGURATION) -> Document:
    """Read a TOML file; ``if_missing`` says what to do where there is none.

    Raises
    ------
    ConfigError
        If the file is missing, unreadable or not TOML; the text says where and what to do.
    """
    text = _text_of(path, if_missing)
    for number, line in enumerate(text.splitlines(), start=1):
        if len(line) > _LONGEST_LINE:
            raise ConfigError(
                f"{path}, line {number}: is longer than {_LONGEST_LINE:,} characters; no setting is"
            )
        key = line.partition("=")[0].strip(" \t[]")
        if key.count(".") > _MOST_PARTS and _KEYS.fullmatch(key):
            raise ConfigError(f"{path}, line {number}: no setting has a name of so many parts")
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise ConfigError(
            f"{path}: not a configuration: its lists or tables are nested too deeply"
        ) from None
    except ValueError as error:  # a number of too many digits as well
        raise ConfigError(_not_toml(path, text, str(error))) from None
    return Document(path, data, _locate(text))


def _not_toml(path: Path, text: str, complaint: str) -> str:
    """Return what is wrong with a file that is no TOML: its line, what stands there, what to do."""
    place = _PLACE.search(complaint)
    lines = text.splitlines()
    if place is None or not 0 < int(place[1]) <= len(lines):
        return f"{path}: not a valid TOML file: {complaint[:200]}"
    line = lines[int(place[1]) - 1].strip()
    why = complaint[: place.start()].replace("Cannot overwrite a value", "this key stands twice")
    said = f"{path}, line {place[1]}: not a valid TOML file: {why[:200]}"
    return f"{said}: {one_line(line, _LONGEST_SHOWN)}{_toml_hint(line)}"


def _toml_hint(line: str) -> str:
    """Say how TOML writes what it most often refuses in a line; nothing where that is not clear."""
    name, _, value = line.partition("=")
    name = name.strip()
    if not name.isascii() and name[:1] not in {'"', "'", "[", "#"}:
        return (
            f'; a name with letters beyond ASCII stands in quotes: "{one_line(name, _LONGEST_KEY)}"'
        )
    if _LIKE_A_DATE.match(value):
        return "; a date is year-month-day, such as 2021-04-18, without quotes"
    if value.strip()[:1].isalpha():
        return "; text stands in quotes"
    return ""


def _text_of(path: Path, if_missing: str) -> str:
    try:
        # A device such as /dev/zero never ends; a pipe may never begin.
        if not stat.S_ISREG(path.stat().st_mode):
            raise ConfigError(f"{path}: is no plain file; name a configuration file")
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
        if len(content) > LARGEST:
            raise ConfigError(f"{path}: is larger than 1 MB; it is no configuration")
        return content.decode("utf-8").replace("\r\n", "\n")
    except FileNotFoundError:
        raise ConfigError(f"{path}: there is no such file. {if_missing}") from None
    except UnicodeDecodeError:
        raise ConfigError(
            f"{path}: cannot be read: it is not text in UTF-8, as a TOML file is"
        ) from None
    except (OSError, ValueError) as error:  # a name that no file can have
        reason = error.strerror if isinstance(error, OSError) else None
        raise ConfigError(f"{path}: cannot be read: {reason or error}") from None


def _locate(text: str) -> dict[tuple[str, ...], int]:
    """Map each table and key to the line on which it stands (TOML parsers do not keep lines).

    The second entry of an array of tables [[name]] stands under ``name[2]``, and so on.
    """
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    entries: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        name = line.strip()
        if name.startswith("["):
            name, _, rest = name.lstrip("[").partition("]")
            # A list in a list may stand at the beginning of a line as well.
            if _KEYS.fullmatch(name.strip()) and rest.lstrip("] \t")[:1] in ("", "#"):
                table = _split(name)
                if line.lstrip().startswith("[[") and len(table) == 1:
                    entries[table[0]] = entries.get(table[0], 0) + 1
                if (entry := entries.get(table[0], 1)) > 1:
                    table = (f"{table[0]}[{entry}]", *table[1:])
                lines.setdefault(table, number)
            continue
        key, found, _ = name.partition("=")
        if found and _KEYS.fullmatch(key):
            lines.setdefault(table + _split(key), number)
    return lines


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def check_section(
    document: Document, section: Section, table: Mapping[str, Any] | None, *path: str
) -> dict[str, Any]:
    """Check one table against its section and return every setting with defaults filled in.

    Parameters
    ----------
    document
        The file, for the place of an error.
    section
        What is accepted.
    table
        The table as parsed, or None where the file leaves the section out.
    path
        Where the table stands in the file; the section's name if left out.

    Raises
    ------
    ConfigError
        For each unknown key (naming the nearest known one), missing or unacceptable value.
    """
    where = path or (section.name,)
    if table is None:
        if not section.optional:
            needed = [s.key for s in section.settings if s.default is REQUIRED]
            raise document.error(
                f"the section [{section.name}] is missing; it needs {', '.join(needed)}"
            )
        table = {}
    if not isinstance(table, dict):
        raise document.error(f"must be a section, written [{'.'.join(where)}]", *where)
    errors = Errors()
    with errors.noted():
        unknown_key(document, table, section.keys(), *where)
    values: dict[str, Any] = {}
    for setting in section.settings:
        with errors.noted():
            if setting.key in table:
                values[setting.key] = _checked(document, setting, table[setting.key], *where)
            elif setting.default is REQUIRED:
                raise document.error(
                    f"{setting.key} is missing; it takes {setting.accepted()}: {setting.help}",
                    *where,
                )
            else:
                values[setting.key] = setting.default
    errors.raise_found()
    return values


def unknown_key(
    document: Document, table: Iterable[str], known: Sequence[str], *where: str
) -> None:
    """Raise ConfigError for the keys of ``table`` that are not ``known``."""
    errors = Errors()
    for key in table:
        with errors.noted():
            if key not in known:
                raise document.error(
                    f"is not a known setting{nearest(key, known)}; accepted here: "
                    f"{', '.join(known)}",
                    *where,
                    key,
                )
    errors.raise_found()


def nearest(word: str, known: Sequence[str]) -> str:
    """Return ' (did you mean X?)' for the nearest known word, or nothing if none is near."""
    match = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f" (did you mean {match[0]}?)" if match else ""


def _quoted_number(setting: Setting, value: object) -> bool:
    """Tell whether a number stands there as text: its quotes are easily overlooked."""
    return (
        setting.kind in {"number", "whole", "range"}
        and isinstance(value, str)
        and re.fullmatch(r"\s*[-+]?\d+([.]\d+)?\s*", value) is not None
    )


def _is_list_of_texts(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(x, str) for x in value)


def _checked(document: Document, setting: Setting, value: object, *where: str) -> object:
    path = (*where, setting.key)
    kind_ok = {
        "text": isinstance(value, str),
        "texts": isinstance(value, str) or _is_list_of_texts(value),
        "number": _is_number(value),
        "whole": isinstance(value, int) and not isinstance(value, bool),
        "flag": isinstance(value, bool),
        "date": isinstance(value, date) and not isinstance(value, datetime),
        "list": isinstance(value, list),
        "table": isinstance(value, dict),
        "name or table": isinstance(value, str | dict),
        "range": _is_number(value)
        or (isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))),
    }[setting.kind]
    ok = kind_ok
    pair = setting.kind == "range" and isinstance(value, list)
    given: Any = value if pair else [value]
    figures: list[Any] = [v for v in given if _is_number(v)]
    if ok and figures:
        ok = (
            all(_is_finite(figure) for figure in figures)
            and (setting.low is None or min(figures) >= setting.low)
            and not (setting.above_low and setting.low in figures)
            and (setting.high is None or max(figures) <= setting.high)
            and figures[0] <= figures[-1]
        )
    chosen = setting.kind == "name or table" or not setting.choices or value in setting.choices
    if ok and not chosen:
        hint = nearest(str(value), setting.choices)
        raise document.error(f"got {shown(value)}{hint}; accepted: {setting.accepted()}", *path)
    if not ok:
        quotes = ", without quotes" if _quoted_number(setting, value) else ""
        raise document.error(f"got {shown(value)}; accepted: {setting.accepted()}{quotes}", *path)
    if setting.kind == "text" and not setting.wire and any(c in _ACTING for c in str(value)):
        # It is shown on every screen: a terminal must not act on it.
        raise document.error(
            f"got {shown(value)}; accepted: text without control characters", *path
        )
    if setting.kind == "range" and figures:
        return tuple(map(float, figures)) if pair else float(figures[0])
    return float(value) if setting.kind == "number" and isinstance(value, int) else value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_finite(figure: float) -> bool:
    try:
        return math.isfinite(figure)
    except OverflowError:  # an integer of hundreds of digits
        return False
