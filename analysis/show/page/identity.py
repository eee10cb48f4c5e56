"""Whose charger a page is about, who looked at it and with what, and the lines to sign on.

What nobody wrote into the configuration or named on the command line is a blank for the pen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.show.page.pieces import tag
from analysis.text import for_html

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markupsafe import Markup

    from logger.config import Config

_LONGEST = 120


@dataclass(frozen=True, slots=True)
class Identity:
    """Vessel, owner, unit, and who looked at it; an empty text is a blank on the page."""

    vessel: str = ""
    owner: str = ""
    serial: str = ""
    technician: str = ""
    instruments: str = ""


def identity_of(config: Config, technician: str = "", instruments: str = "") -> Identity:
    """Return what configuration and command line say."""
    return Identity(
        config.boat.name, config.boat.owner, config.charger.serial, technician, instruments
    )


def block(who: Identity, unit: str, counter_h: float | None, date: str) -> Markup:
    """Return the identity block as HTML.

    Parameters
    ----------
    who
        Vessel, owner, unit, technician.
    unit
        The charger's label.
    counter_h
        Running hours of the unit at the end of the log, None if not known.
    date
        Day of the page.
    """
    counter = "" if counter_h is None else f"{counter_h:.0f} h"
    rows = (
        ("vessel", who.vessel),
        ("owner", who.owner),
        ("unit", unit),
        ("serial number", who.serial),
        ("running hours of the unit", counter),
        ("date", date),
        ("technician", who.technician),
        ("instruments", who.instruments),
    )
    return tag("dl", *(_row(name, value) for name, value in rows), class_="identity")


def _row(name: str, value: str) -> Markup:
    there = (
        tag("dd", for_html(value, _LONGEST))
        if value.strip()
        else tag("dd", "\N{NO-BREAK SPACE}", class_="blank")
    )
    return tag("div", tag("dt", name), there)


def signatures(lines: Sequence[str]) -> Markup:
    """Return lines to sign on, each with what belongs on it below."""
    return tag("div", *(tag("span", line) for line in lines), class_="sign")
