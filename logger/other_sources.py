"""Sources besides the charger that are not logged: ``[[other_sources]]`` in the configuration."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from logger.durations import DAY_S
from logger.event import day_begins_s
from logger.settings import REQUIRED, Errors, Section, Setting, check_section

if TYPE_CHECKING:
    from datetime import date

    from logger.settings import Document

#: Those that keep the battery full while they are there, and those that only add to the charger.
HOLDING = ("shore", "charger")
ALONG = ("solar", "wind", "water", "engine")

OTHER_SOURCE = Section(
    "other_sources",
    (
        Setting(
            "kind",
            "text",
            REQUIRED,
            "what it is; shore and charger keep the battery full, so the days with them tell "
            "nothing about load and output; the others add to what the charger gives",
            choices=(*HOLDING, *ALONG),
        ),
        Setting("watts", "number", None, "the most it gives, if known", "W", 1, 1e5),
        Setting(
            "amperes",
            "number",
            None,
            "the most it gives as a current, instead of watts",
            "A",
            0.1,
            1e4,
        ),
        Setting("from", "date", REQUIRED, "the first day with it"),
        Setting("to", "date", None, "the last day with it; leave out while it is still there"),
    ),
    "another source that charges the battery and is not logged; write one [[other_sources]] for "
    "each",
)


@dataclass(frozen=True, slots=True)
class OtherSource:
    """One source; see :data:`OTHER_SOURCE`."""

    kind: str
    first: date
    last: date | None = None
    watts: float | None = None
    amperes: float | None = None

    @property
    def holds(self) -> bool:
        """Whether it holds the battery, so that the charger does not show what it can give."""
        return self.kind in HOLDING

    @property
    def begin_s(self) -> float:
        """Unix time at which the first day begins, in whatever time zone."""
        return day_begins_s(self.first.isoformat())

    @property
    def end_s(self) -> float:
        """Unix time at which the last day has ended in every zone; infinite while it is there."""
        if self.last is None:
            return math.inf
        return day_begins_s(self.last.isoformat()) + 3.0 * DAY_S

    def __str__(self) -> str:
        """Name it for a person: kind, size and days."""
        size = f" of {self.watts:g} W" if self.watts is not None else ""
        size = f" of {self.amperes:g} A" if self.amperes is not None else size
        days = f"since {self.first}" if self.last is None else f"from {self.first} to {self.last}"
        return f"{self.kind}{size} {days}"


def other_sources(document: Document) -> tuple[OtherSource, ...]:
    """Check the tables ``[[other_sources]]`` of a configuration.

    Raises
    ------
    logger.errors.ConfigError
        With file, line, key and the accepted values.
    """
    name = OTHER_SOURCE.name
    tables = document.data.get(name, [])
    if not isinstance(tables, list):
        raise document.error(f"must be written [[{name}]], once for each source", name)
    errors, found = Errors(), []
    for number, table in enumerate(tables, start=1):
        with errors.noted():
            found.append(_one(document.entry(name, number), table))
    errors.raise_found()
    return tuple(found)


def _one(document: Document, table: Any) -> OtherSource:  # noqa: ANN401 - as the file has it
    name = OTHER_SOURCE.name
    values = check_section(document, OTHER_SOURCE, table, name)
    if values["watts"] is not None and values["amperes"] is not None:
        raise document.error("takes one of watts and amperes", name, "watts")
    if values["to"] is not None and values["to"] < values["from"]:
        raise document.error(
            f"is {values['to']}, before from ({values['from']}); accepted: a day not before it",
            name,
            "to",
        )
    return OtherSource(
        values["kind"], values["from"], values["to"], values["watts"], values["amperes"]
    )
