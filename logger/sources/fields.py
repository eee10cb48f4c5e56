"""Maps the values in a device's messages to the channels of a reading: names, units, words.

``[fields]`` names, for each channel, the value in the device's messages: in short
``voltage_v = "U"``, or as a table ``{ from = "U", unit = "mV", scale = 1.0 }``. ``[states]`` turns
the device's own words into operating states.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from logger.reading import CHANNELS, CLOCK_UNSET_BEFORE_S, OperatingState
from logger.settings import REQUIRED, Errors, Section, Setting, nearest, unknown_key
from logger.sources.numerals import join_thousands, split_numeral

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from logger.sources.decoding import Place, Value

#: Accepted units of each channel: factor and offset to the channel's own unit.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "voltage_v": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
    "current_a": {"A": (1.0, 0.0), "mA": (1e-3, 0.0)},
    "battery_current_a": {"A": (1.0, 0.0), "mA": (1e-3, 0.0)},
    "runtime_h": {"h": (1.0, 0.0), "min": (1 / 60, 0.0), "s": (1 / 3600, 0.0), "h:min": (1.0, 0.0)},
    # 0 degC is 273.15 K and 32 degF by definition.
    "temperature_c": {"degC": (1.0, 0.0), "K": (1.0, -273.15), "degF": (5 / 9, -160 / 9)},
    "fuel_l": {"L": (1.0, 0.0), "mL": (1e-3, 0.0)},
    "utc_s": {"s": (1.0, 0.0), "ms": (1e-3, 0.0), "iso8601": (1.0, 0.0)},
}
#: Other spellings of a unit that may follow a number on the line.
SPELLINGS = {"C": "degC", "°C": "degC", "F": "degF", "°F": "degF", "l": "L", "ml": "mL"}

FIELD = Section(
    "fields",
    (
        Setting("from", "text", REQUIRED, "the name of the value in the device's messages"),
        Setting("unit", "text", "", "the device's unit; that of the channel if left out"),
        Setting("scale", "number", 1.0, "the value is multiplied by this first"),
        Setting("offset", "number", 0.0, "then this is added, in the device's unit"),
        Setting("missing", "list", [], "words or numbers by which the device says 'not known'"),
        Setting("optional", "flag", False, "messages without this value are taken as well"),
        Setting(
            "hold_s",
            "number",
            0.0,
            "how long a value stays valid, for devices that send it rarely",
            "s",
            0,
            864000,
        ),
        Setting("mask", "whole", 0, "take only these bits of a whole number", "", 0, 2**32 - 1),
        Setting("decimal_comma", "flag", False, "the device writes 13,52 for 13.52"),
        Setting(
            "thousands",
            "text",
            "",
            "the character between thousands, such as ' ' where the device writes 1 284; a blank "
            "stands for a no-break space as well",
        ),
    ),
    "one channel of a reading",
)
#: Most names that an error lists: Bluetooth characteristics have a hundred.
MOST_LISTED = 24
#: Channels that [fields] may name.
FIELD_KEYS = (*CHANNELS, "state", "utc_s")
#: The word in [states] that stands for all words not listed.
ANY_WORD = "*"
#: A whole number as TOML and manuals write it in hexadecimal, octal or binary digits.
_OTHER_BASE = re.compile(r"0[xX][0-9A-Fa-f]{1,16}|0[oO][0-7]{1,22}|0[bB][01]{1,64}")
#: Hours, minutes and, where the device writes them, seconds: 2210:36 or 2210:36:05.
_HOURS_AND_MINUTES = re.compile(r"([0-9]{1,7}):([0-5][0-9])(?::([0-5][0-9]))?")
_STATE_NAMES = frozenset(state.value for state in OperatingState)


class ValueRefusedError(Exception):
    """A value cannot be taken; ``reason`` is one of a few fixed texts for each channel."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(reason)
        self.reason = reason
        self.detail = detail


@dataclass(frozen=True, slots=True)
class Field:
    """How one channel is read from messages."""

    channel: str
    source: str
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    missing_words: frozenset[str] = frozenset()
    missing_numbers: frozenset[float] = frozenset()
    optional: bool = False
    hold_s: float = 0.0
    mask: int = 0
    decimal_comma: bool = False
    thousands: str = ""

    def number(self, value: Value) -> float | None:
        """Return the value in the channel's unit, None where the device does not know it.

        Raises
        ------
        ValueRefusedError
            If the value is no finite number, or carries another unit.
        """
        if isinstance(value, str):
            value = self._from_text(value.strip())
        elif value is not None and self.unit == "h:min":
            raise ValueRefusedError(f"{self.channel}: not hours and minutes")
        if value is None or value in self.missing_numbers:
            return None
        if self.mask:
            value = self._masked(value)
        try:
            number = float(value) * self.factor + self.offset
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise ValueRefusedError(f"{self.channel}: not a finite number")
        if self.channel == "utc_s" and number < CLOCK_UNSET_BEFORE_S:
            return None
        return number

    def word(self, value: Value) -> str | None:
        """Return the value as a word for [states], None where the device does not know it."""
        if value is None:
            return None
        if self.mask:
            try:
                number = int(value) if isinstance(value, str) else value
            except ValueError:
                raise ValueRefusedError("state: not a whole number") from None
            return str(self._masked(number))
        word = value.strip() if isinstance(value, str) else f"{value:g}"
        if isinstance(value, int):
            word = str(value)
        return None if not word or word in self.missing_words else word

    def _from_text(self, text: str) -> float | None:
        if not text or text in self.missing_words:
            return None
        if self.unit == "iso8601":
            return _from_iso(text)
        if self.unit == "h:min":
            return _from_hours_and_minutes(text)
        if self.thousands:
            text = join_thousands(text, self.thousands)
        try:
            number, unit = split_numeral(text, decimal_comma=self.decimal_comma)
        except ValueError as error:
            raise ValueRefusedError(f"{self.channel}: {error}", text) from None
        if unit and SPELLINGS.get(unit, unit) != self.unit:
            raise ValueRefusedError(f"{self.channel}: wrong unit", f"{unit!r}, not {self.unit!r}")
        return number

    def _masked(self, value: float) -> int:
        if value != int(value) or value < 0:
            raise ValueRefusedError(f"{self.channel}: not a whole number")
        low = (self.mask & -self.mask).bit_length() - 1
        return (int(value) & self.mask) >> low


def _from_hours_and_minutes(text: str) -> float:
    match = _HOURS_AND_MINUTES.fullmatch(text)
    if match is None:
        raise ValueRefusedError("runtime_h: not hours and minutes", text)
    hours, minutes, seconds = match.groups(default="0")
    return int(hours) + int(minutes) / 60 + int(seconds) / 3600


def _from_iso(text: str) -> float:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueRefusedError("utc_s: not an ISO 8601 time", text) from None
    # A time without offset is taken as UTC: it serves only to learn the true time, and the store
    # judges it against what it knows.
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def parse_fields(table: object, place: Place, names: frozenset[str] | None) -> tuple[Field, ...]:
    """Check the [fields] table.

    Parameters
    ----------
    table
        The table as parsed.
    place
        Where it stands.
    names
        The names that the decoder can give, or None where the device decides them.

    Raises
    ------
    ConfigError
        For an unknown channel or unit, or a name that the decoder never gives.
    """
    example = 'voltage_v = "NAME IN THE MESSAGE"'
    if not isinstance(table, dict) or not table:
        given = f"; the decoder gives: {listed(names)}" if names else ""
        raise place.error(f"is needed, with a line such as {example}{given}")
    errors = Errors()
    with errors.noted():
        unknown_key(place.document, table, FIELD_KEYS, *place.prefix)
    fields = []
    for channel, entry in table.items():
        with errors.noted():
            if channel in FIELD_KEYS:
                fields.append(_field(channel, entry, place, names))
    errors.raise_found()
    if all(field.hold_s or field.optional for field in fields):
        raise place.error("needs at least one field that is neither optional nor held")
    return tuple(fields)


def _field(channel: str, entry: object, place: Place, names: frozenset[str] | None) -> Field:
    if isinstance(entry, str):
        entry = {"from": entry}
    if not isinstance(entry, dict):
        raise place.error('takes a name in quotes, or a table { from = "name", ... }', channel)
    settings = place.under(channel).checked(FIELD, entry)
    source = settings["from"]
    if not source.strip():
        raise place.error("needs the name of a value in the device's messages", channel, "from")
    if names is not None and source not in names:
        raise place.error(
            f"{source!r} is not among the names of the decoder"
            f"{nearest(source, sorted(names))}; it gives: {listed(names)}",
            channel,
        )
    unit, factor, offset = "", 1.0, 0.0
    if channel == "state":
        for key in ("unit", "scale", "offset", "decimal_comma", "thousands"):
            if key in entry:
                raise place.error(f"a state has no {key}", channel, key)
    else:
        unit, factor, offset = _conversion(channel, settings, place)
    mark = "," if settings["decimal_comma"] else "."
    if len(settings["thousands"]) > 1 or settings["thousands"] in {*"+-eE0123456789", mark}:
        raise place.error(
            "takes one character that stands between thousands, not the decimal mark",
            channel,
            "thousands",
        )
    missing = settings["missing"]
    if not all(_word_or_number(m) for m in missing):
        raise place.error("takes words in quotes and finite numbers", channel, "missing")
    return Field(
        channel=channel,
        source=source,
        unit=unit,
        factor=factor,
        offset=offset,
        missing_words=frozenset(str(m) for m in missing),
        missing_numbers=frozenset(float(m) for m in missing if not isinstance(m, str)),
        optional=settings["optional"],
        hold_s=settings["hold_s"],
        mask=settings["mask"],
        decimal_comma=settings["decimal_comma"],
        thousands=settings["thousands"],
    )


def _conversion(
    channel: str, settings: Mapping[str, Any], place: Place
) -> tuple[str, float, float]:
    """Return a field's unit, and the factor and offset from the device's number to the channel."""
    accepted = UNITS[channel]
    unit = settings["unit"] or next(iter(accepted))
    if unit not in accepted:
        raise place.error(f"got {unit!r}; accepted: {', '.join(accepted)}", channel, "unit")
    if settings["scale"] == 0:
        raise place.error("got 0; accepted: any other number", channel, "scale")
    factor, offset = accepted[unit]
    return unit, settings["scale"] * factor, settings["offset"] * factor + offset


def _word_or_number(value: object) -> bool:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return math.isfinite(value)
    return isinstance(value, str)


def listed(names: Collection[str]) -> str:
    """List names in order, the first of them where they are many."""
    shown = sorted(names)[:MOST_LISTED]
    rest = f" and {len(names) - len(shown)} more" if len(names) > len(shown) else ""
    return ", ".join(shown) + rest


def parse_states(table: object, place: Place) -> dict[str, OperatingState]:
    """Check the [states] table: the device's words, each with an operating state.

    Raises
    ------
    ConfigError
        For a state that does not exist, naming the accepted ones.
    """
    if table is None:
        return {}
    if not isinstance(table, dict):
        raise place.error('must be a section of lines such as RUN = "running"')
    accepted = [state.value for state in OperatingState]
    states: dict[str, OperatingState] = {}
    errors = Errors()
    for word, name in table.items():
        with errors.noted():
            if not word or word != word.strip():
                raise place.error("a word never comes empty or with blanks around it", word)
            if name not in accepted:
                raise place.error(
                    f"got {name!r}{nearest(str(name), accepted)}; accepted: {', '.join(accepted)}",
                    word,
                )
            for same in _also_numbers(word):
                if same in states:
                    raise place.error(f"stands here twice: {same} is the same number", word)
                states[same] = OperatingState(name)
    errors.raise_found()
    return states


def _also_numbers(word: str) -> tuple[str, ...]:
    """Return a key of [states] and, for one such as 0x10, the number as messages hold it."""
    if _OTHER_BASE.fullmatch(word) is None:
        return (word,)
    # A device that writes text may send "0x10" itself, so the word stays as it is.
    return (word, str(int(word, 0)))


def state_of(word: str, states: Mapping[str, OperatingState]) -> OperatingState | None:
    """Return the operating state of a device's word, or None if nothing says what it means."""
    found = states.get(word, states.get(ANY_WORD))
    if found is None and not states and word in _STATE_NAMES:
        # A device that uses the standard's own words needs no table.
        return OperatingState(word)
    return found
