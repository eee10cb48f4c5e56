"""The ``[import]`` sections: which series of another program is which channel of a reading.

``[import.fields]`` has the keys of ``[source.fields]`` that make sense for a file, and
``[import.states]`` those of ``[source.states]``. A name may end in labels that must fit,
``charger.volts{boat="x"}``; a label that is ``*`` is the word of the state itself, in series that
are 1 while it holds.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.settings import Section, Setting, check_section, unknown_key
from logger.sources.decoding import Place
from logger.sources.fields import Field, parse_fields, parse_states

if TYPE_CHECKING:
    from collections.abc import Mapping

    from logger.config import Config
    from logger.reading import OperatingState

IMPORT = Section(
    "import",
    (
        Setting("time", "text", "time", "name of the column of times in a Parquet file"),
        Setting(
            "time_unit",
            "text",
            "ns",
            "unit of the times of line protocol, and of whole numbers in Parquet",
            choices=("ns", "us", "ms", "s"),
        ),
        Setting(
            "join_s",
            "number",
            0.0,
            "values whose times are no further apart than this make one reading",
            "s",
            0,
            60,
        ),
    ),
    "files of other programs that 'ebbwatt import' takes: Prometheus range queries as JSON, "
    "InfluxDB line protocol, Parquet. [import.fields] says which value is which, as "
    "[source.fields] does; [import.states] says what state words mean",
)
PER_SECOND = {"ns": 1_000_000_000, "us": 1_000_000, "ms": 1000, "s": 1}
#: Keys of [source.fields] that are of use only while something is read live.
_LIVE = ("hold_s", "optional")
#: What 'ebbwatt publish' calls its values: these come back without a mapping.
_OWN = {
    "voltage_v": "ebbwatt_charger_voltage_volts",
    "current_a": "ebbwatt_charger_current_amperes",
    "runtime_h": {"from": "ebbwatt_charger_running_seconds_total", "unit": "s"},
    "temperature_c": "ebbwatt_compartment_temperature_celsius",
    "battery_current_a": "ebbwatt_battery_current_amperes",
    "fuel_l": {"from": "ebbwatt_fuel_cubic_meters", "scale": 1000.0},
    "state": 'ebbwatt_charger_state{state="*"}',
}
_SELECTOR = re.compile(r"^(?P<name>[^{}]+?)\s*(?:\{(?P<labels>.*)\})?$")
_LABEL = re.compile(r'\s*([\w.:-]+)\s*=\s*"((?:[^"\\]|\\.)*)"\s*(?:,|$)')


@dataclass(frozen=True, slots=True)
class Selector:
    """A name, and labels that must be as told."""

    name: str
    labels: tuple[tuple[str, str], ...]
    word_label: str | None = None
    """The label whose value is the word of the state."""

    def fits(self, name: str, labels: Mapping[str, str]) -> bool:
        """Tell whether it means a series."""
        return (
            name == self.name
            and all(labels.get(key) == value for key, value in self.labels)
            and (self.word_label is None or self.word_label in labels)
        )


@dataclass(frozen=True, slots=True)
class SeriesMapping:
    """Checked settings: how series become channels."""

    time: str
    per_second: int
    join_s: float
    fields: tuple[tuple[Selector, Field], ...]
    states: dict[str, OperatingState]
    given: bool
    """Whether the configuration has [import.fields]."""

    def fields_of(self, name: str, labels: Mapping[str, str]) -> list[tuple[Selector, Field]]:
        """Return the fields that a series feeds; one series may feed several."""
        return [(s, field) for s, field in self.fields if s.fits(name, labels)]


def mapping(config: Config, own: Mapping[str, object] | None = None) -> SeriesMapping:
    """Check the ``[import]`` sections.

    Parameters
    ----------
    config
        The configuration.
    own
        Fields that hold where the configuration has no [import.fields]; if left out, the names
        that ``ebbwatt publish`` gives its values.

    Raises
    ------
    ConfigError
        With file, line, key and the accepted values.
    """
    document = config.document
    table = document.data.get("import")
    if table is None:
        table = {}
    if not isinstance(table, dict):
        raise document.error("must be a section, written [import]", "import")
    general = {key: value for key, value in table.items() if key not in {"fields", "states"}}
    unknown_key(document, general, [*IMPORT.keys(), "fields", "states"], "import")
    settings = check_section(document, IMPORT, general, "import")
    place = Place(document, ("import", "fields"))
    told = table.get("fields")
    if isinstance(told, dict):
        _only_of_files(told, place)
    fields = parse_fields(_OWN if own is None else own, place, None)
    if told is not None:
        fields = parse_fields(told, place, None)
    return SeriesMapping(
        settings["time"],
        PER_SECOND[settings["time_unit"]],
        settings["join_s"],
        tuple((_selector(field, place), field) for field in fields),
        parse_states(table.get("states"), Place(document, ("import", "states"))),
        told is not None,
    )


def _only_of_files(told: Mapping[str, object], place: Place) -> None:
    if "utc_s" in told:
        raise place.error(
            "a file brings its own times: see time and time_unit in [import]", "utc_s"
        )
    for channel, entry in told.items():
        for key in _LIVE:
            if isinstance(entry, dict) and key in entry:
                raise place.error("is only for live sources, not for files", channel, key)


def _selector(field: Field, place: Place) -> Selector:
    found = _SELECTOR.match(field.source)
    labels, end = [], 0
    text = "" if found is None else found["labels"] or ""
    while found is not None and end < len(text):
        label = _LABEL.match(text, end)
        if label is None:
            found = None
            break
        labels.append((label[1], re.sub(r"\\(.)", r"\1", label[2])))
        end = label.end()
    if found is None:
        raise place.error(
            f"got {field.source!r}; accepted: a name, or a name with labels such as "
            'volts{boat="Dabchick"}',
            field.channel,
        )
    words = [key for key, value in labels if value == "*"]
    if words and (field.channel != "state" or len(words) > 1):
        raise place.error('accepted: "*" in one label of state, nowhere else', field.channel)
    return Selector(
        found["name"],
        tuple((key, value) for key, value in labels if value != "*"),
        words[0] if words else None,
    )
